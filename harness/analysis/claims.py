"""From estimates to decisions: the part of a comparison that titles and the whole plan share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from harness.analysis.estimate import Estimate, interval, p_difference, p_same
from harness.analysis.multiplicity import adjusted
from harness.analysis.settings import AnalysisSettings
from harness.analysis.spending import nominal_levels, repeated_p
from harness.metrics import ComparedMetric
from harness.plan.schema import AdaptiveRepeats


@dataclass(frozen=True)
class Claim:
    """One decided estimate, on the scale of the analysis.

    Attributes:
        low, high: Interval; NaN where the scatter is unknown.
        decision: ``same``, ``undecided``, or the metric's word for up or down.
        direction: ``same``, ``undecided``, ``better`` or ``worse``.
    """

    estimate: Estimate
    low: float
    high: float
    p_difference: float
    p_same: float
    p_difference_adjusted: float
    p_same_adjusted: float
    decision: str
    direction: str


def decide(
    metric: ComparedMetric,
    estimates: Sequence[Estimate],
    settings: AnalysisSettings,
    lower_is_better: Sequence[bool] | None = None,
    looks: AdaptiveRepeats | None = None,
    share: float = 1.0,
) -> list[Claim]:
    """Decide several estimates that are claimed side by side (one family of the multiplicity correction).

    ``same`` comes first: a difference that is measured well enough to be seen, yet lies inside the margin
    for sure, is a difference that counts as none. Error rates hold for each kind of claim by itself.

    Args:
        metric: The metric that all of them are of.
        estimates: On the scale of the analysis.
        settings: Margins, error rates, correction for many claims.
        lower_is_better: Which way is better, for each; by default the metric's own.
        looks: The rule by which repeats were added, where data were looked at on the way.
        share: Share of the error rate that may be spent on them; p-values are divided by it.
    """
    margin = settings.margin(metric)
    raw = [_p_values(estimate, margin, looks) for estimate in estimates]
    raw_difference = np.minimum(np.array([pair[0] for pair in raw], dtype=np.float64) / share, 1.0)
    raw_same = np.minimum(np.array([pair[1] for pair in raw], dtype=np.float64) / share, 1.0)
    adjusted_difference = adjusted(raw_difference, settings.multiplicity)
    adjusted_same = adjusted(raw_same, settings.multiplicity)
    lower = lower_is_better or [metric.better == "lower"] * len(estimates)
    claims = []
    for i, estimate in enumerate(estimates):
        low, high = interval(estimate, _confidence(estimate, settings.alpha * share, looks))
        if adjusted_same[i] <= settings.alpha:
            decision = direction = "same"
        elif adjusted_difference[i] <= settings.alpha:
            up = estimate.value > 0
            decision = metric.up if up else metric.down
            direction = "better" if up != lower[i] else "worse"
        else:
            decision = direction = "undecided"
        claims.append(
            Claim(
                estimate, low, high,
                float(raw_difference[i]), float(raw_same[i]),
                float(adjusted_difference[i]), float(adjusted_same[i]),
                decision, direction,
            )
        )  # fmt: skip
    return claims


def _p_values(estimate: Estimate, margin: float, looks: AdaptiveRepeats | None) -> tuple[float, float]:
    different, same = p_difference(estimate), p_same(estimate, margin)
    if looks is None:
        return different, same
    if estimate.n < looks.at_least:
        return 1.0, 1.0  # no look yet: no claim, but it counts among those made side by side
    one_sided = repeated_p(different / 2, estimate.n, looks.at_least, looks.at_most)
    return min(1.0, 2 * one_sided), repeated_p(same, estimate.n, looks.at_least, looks.at_most)


def _confidence(estimate: Estimate, alpha: float, looks: AdaptiveRepeats | None) -> float:
    if looks is None:
        return 1 - alpha
    levels = nominal_levels(alpha / 2, looks.at_least, looks.at_most)
    look = min(max(estimate.n, looks.at_least), looks.at_most) - looks.at_least
    return 1 - 2 * levels[look]


def shown(value: float, metric: ComparedMetric) -> float:
    """From the scale of the analysis to the scale of the tables: a ratio, or the difference itself."""
    return math.exp(value) if metric.scale == "ratio" else value


def as_row(claim: Claim, metric: ComparedMetric, settings: AnalysisSettings) -> dict[str, Any]:
    """The columns that every table of claims has."""
    margin = settings.margin(metric)
    return {
        "metric": metric.name,
        "label": metric.label,
        "group": metric.group,
        "scale": metric.scale,
        "unit": metric.difference_unit,
        "estimate": shown(claim.estimate.value, metric),
        "low": shown(claim.low, metric),
        "high": shown(claim.high, metric),
        "margin_low": shown(-margin, metric),
        "margin_high": shown(margin, metric),
        "df": claim.estimate.df,
        "p_difference": claim.p_difference,
        "p_same": claim.p_same,
        "p_difference_adjusted": claim.p_difference_adjusted,
        "p_same_adjusted": claim.p_same_adjusted,
        "decision": claim.decision,
        "direction": claim.direction,
    }
