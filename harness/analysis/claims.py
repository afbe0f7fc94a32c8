"""From estimates to decisions: the part of a comparison that titles and the whole plan share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from harness.analysis import extension
from harness.analysis.estimate import Estimate, interval, p_difference, p_same
from harness.analysis.family import Standing
from harness.analysis.settings import AnalysisSettings
from harness.analysis.spending import nominal_levels, repeated_p
from harness.metrics import ComparedMetric
from harness.plan.schema import AdaptiveRepeats

#: Decision of a number that is described and not claimed.
DESCRIPTIVE = "descriptive"
#: Decision of a number whose verdict is withheld, as one side's runs are less even (see ``evenness``).
WITHHELD = "withheld"


@dataclass(frozen=True)
class Claim:
    """One decided estimate, on the scale of the analysis.

    Attributes:
        standing: Whether it is claimed, and at which error rate.
        low, high: The interval that decides; NaN where the scatter is unknown.
        p_difference, p_same: p-values by themselves.
        p_difference_adjusted, p_same_adjusted: The same for the family: at most the family's error rate
            exactly where the interval decides so.
        decision: ``same``, ``undecided``, the metric's word for up or down, ``descriptive``, ``withheld``.
        direction: ``same``, ``undecided``, ``better``, ``worse``, ``changed`` (where neither way is better),
            ``descriptive`` or ``withheld``.
    """

    estimate: Estimate
    standing: Standing
    low: float
    high: float
    p_difference: float
    p_same: float
    p_difference_adjusted: float
    p_same_adjusted: float
    decision: str
    direction: str

    def withheld(self) -> Claim:
        """The same without its verdict."""
        return replace(self, decision=WITHHELD, direction=WITHHELD)


def decide(
    metric: ComparedMetric,
    estimates: Sequence[Estimate],
    standings: Sequence[Standing],
    settings: AnalysisSettings,
    lower_is_better: Sequence[bool] | None = None,
    looks: AdaptiveRepeats | None = None,
    share: float = 1.0,
) -> list[Claim]:
    """Decide estimates of one metric, each by its own interval (see :mod:`harness.analysis.family`).

    ``same`` comes first: a difference that is measured well enough to be seen, yet lies inside the margin
    for sure, is a difference that counts as none.

    Args:
        metric: The metric that all of them are of.
        estimates: On the scale of the analysis.
        standings: Error rate of each, and whether it is claimed.
        settings: Margins.
        lower_is_better: Which way is better, for each; by default the metric's own.
        looks: The rule by which repeats were added, where data were looked at on the way.
        share: Share of the error rate that may be spent on them.
    """
    margin = settings.margin(metric)
    lower = lower_is_better or [metric.better == "lower"] * len(estimates)
    return [
        _decided(metric, estimate, standing, margin, less, looks if standing.claimed else None, share)
        for estimate, standing, less in zip(estimates, standings, lower, strict=True)
    ]


def _decided(
    metric: ComparedMetric,
    estimate: Estimate,
    standing: Standing,
    margin: float,
    lower_is_better: bool,
    looks: AdaptiveRepeats | None,
    share: float,
) -> Claim:
    spent = share if standing.claimed and estimate.stages is None else 1.0
    if standing.claimed and estimate.stages is not None:
        low, high = extension.interval(*estimate.stages, standing.level)
        different, same = _staged_p_values(estimate.stages, margin)
    else:
        low, high = interval(estimate, _confidence(estimate, standing.level * spent, looks))
        different, same = _p_values(estimate, margin, looks)
    decision = direction = "undecided"
    if not standing.claimed:
        decision = direction = DESCRIPTIVE
    elif -margin < low and high < margin:
        decision = direction = "same"
    elif low > 0 or high < 0:
        decision = metric.up if low > 0 else metric.down
        direction = "better" if (low > 0) != lower_is_better else "worse"
        if metric.better == "neither":
            direction = "changed"
    return Claim(
        estimate, standing, low, high, different, same,
        _adjusted(different, standing.size / spent), _adjusted(same, 2 * standing.size / spent),
        decision, direction,
    )  # fmt: skip


def _adjusted(p: float, by: float) -> float:
    return min(1.0, p * by) if p == p else math.nan


def _p_values(estimate: Estimate, margin: float, looks: AdaptiveRepeats | None) -> tuple[float, float]:
    different, same = p_difference(estimate), p_same(estimate, margin)
    if looks is None:
        return different, same
    look = max(estimate.n, looks.at_least)
    one_sided = repeated_p(different / 2, look, looks.at_least, looks.at_most)
    return min(1.0, 2 * one_sided), repeated_p(same, look, looks.at_least, looks.at_most)


def _staged_p_values(stages: tuple[Estimate, Estimate], margin: float) -> tuple[float, float]:
    """The same from both stages of an extended plan: error rates of both looks together."""
    turned = replace(stages[0], value=-stages[0].value), replace(stages[1], value=-stages[1].value)
    different = 2 * min(extension.p_above(*stages, 0.0), extension.p_above(*turned, 0.0))
    return different, max(extension.p_above(*stages, -margin), extension.p_above(*turned, -margin))


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
        "claimed": claim.standing.claimed,
        "claimed_together": claim.standing.size,
        "interval_pct": 100 * (1 - claim.standing.level),
        "p_difference": claim.p_difference,
        "p_same": claim.p_same,
        "p_difference_adjusted": claim.p_difference_adjusted,
        "p_same_adjusted": claim.p_same_adjusted,
        "decision": claim.decision,
        "direction": claim.direction,
    }
