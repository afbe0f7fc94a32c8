"""Sentences that a non-statistician can publish, from numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence

from harness.analysis.settings import AnalysisSettings
from harness.metrics import ComparedMetric
from harness.metrics.definition import Scale
from harness.numerals import decimals_of, signed


def change(estimate: float, scale: Scale, unit: str, half_width: float = math.nan) -> str:
    """``+1.2 %`` for a ratio of 1.012, ``−3.1 K`` for a difference."""
    value, unit = _shown(estimate, scale, unit)
    return f"{signed(value, decimals_of(half_width))} {unit}"


def change_with_interval(
    estimate: float,
    low: float,
    high: float,
    scale: Scale,
    unit: str,
    confidence_pct: float,
    together: int = 1,
) -> str:
    """``+1.2 %, 95 % interval +0.3 to +2.1 %``; the change alone where there is no interval.

    Args:
        together: Numbers whose intervals hold together at that confidence; more than one is a joint interval.
    """
    if math.isnan(low) or math.isnan(high):
        return change(estimate, scale, unit)
    (value, shown_unit), (a, _), (b, _) = (_shown(x, scale, unit) for x in (estimate, low, high))
    decimals = decimals_of((b - a) / 2)
    interval = f"{signed(a, decimals)} to {signed(b, decimals)} {shown_unit}"
    return f"{signed(value, decimals)} {shown_unit}, {interval_name(confidence_pct, together)} {interval}"


def interval_name(confidence_pct: float, together: int = 1) -> str:
    """``95 % interval``; ``95 % joint interval`` where several hold together at that confidence."""
    return f"{confidence_pct:g} % {'joint ' if together > 1 else ''}interval"


def no_interval(n: int) -> str:
    """Why there is no interval: one repeat, or several equal to the last digit at an unknown step."""
    if n < 2:
        return "with one repeat no interval can be given and nothing can be decided"
    return "the readings are equal and their step is not known, so no interval can be given"


def within(metric: ComparedMetric, settings: AnalysisSettings) -> str:
    """``within 3 %``; a margin that was chosen when results could be known says so wherever it stands."""
    margin = {
        "pct": settings.margin_pct,
        "k": settings.temperature_margin_k,
        "db": settings.sound_margin_db,
        "own": metric.own_margin,
    }[metric.margin]
    late = any(clause.startswith("margin") for clause in settings.chosen_afterwards)
    return (
        f"within {margin:g} {metric.difference_unit or '%'}{', a margin chosen afterwards' if late else ''}"
    )


def claim(metric: ComparedMetric, decision: str, profile: str, reference: str, within: str) -> str:
    """The decision as a clause: ``quiet is as fast as factory within 3 %``, or ``undecided whether …``.

    A number that is described and not claimed says only what it is of: ``quiet against factory``.
    """
    if decision == "descriptive":
        return f"{profile} against {reference}"
    if decision == "withheld":
        return f"no verdict whether {metric.says_same.format(p=profile, r=reference)} {within}"
    if decision == "undecided":
        return f"undecided whether {metric.says_same.format(p=profile, r=reference)} {within}"
    if decision == "same":
        return f"{metric.says_same.format(p=profile, r=reference)} {within}"
    template = metric.says_up if decision == metric.up else metric.says_down
    return template.format(p=profile, r=reference)


def listed(names: Sequence[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def _shown(value: float, scale: Scale, unit: str) -> tuple[float, str]:
    return (100 * (value - 1), "%") if scale == "ratio" else (value, unit)
