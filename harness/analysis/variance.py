"""Where the scatter comes from: within a repeat, between repeats, between campaigns.

Sources: Kalibera & Jones, "Rigorous benchmarking in reasonable time", ISMM 2013 (split by level, best count
of repeats at each level, interval from the top level's means only; formulas from memory); JCGM 100:2008
(GUM), H.5 (two-level analysis of variance).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from harness.analysis.estimate import Array, Estimate, of_mean
from harness.analysis.repeats import CellKey, CellRepeats
from harness.analysis.settings import AnalysisSettings
from harness.analysis.within_run import within_variance
from harness.columns import Column, F, I, S

VARIANCE_COLUMNS: tuple[Column, ...] = (
    Column("title", S, "", "title's name in the plan", nullable=False),
    Column("setting", S, "", "setting's name in the plan", nullable=False),
    Column("metric", S, "", "name of the metric", nullable=False),
    Column("label", S, "", "what a reader calls the metric", nullable=False),
    Column("n_repeats", I, "", "repeats that it rests on, all profiles together", nullable=False),
    Column("n_campaigns", I, "", "campaigns that it rests on", nullable=False),
    Column(
        "within_repeat_pct",
        F,
        "%",
        "what a repeat's frames leave open in its mean, the course taken off",
    ),
    Column("between_repeats_pct", F, "%", "scatter between repeats of one campaign, the former taken off"),
    Column("between_campaigns_pct", F, "%", "scatter between campaigns, the former taken off"),
    Column("best_repeats_per_campaign", I, "", "repeats a night that use machine time best"),
    Column("advice", S, "", "where more work helps, in a sentence", nullable=False),
)


@dataclass(frozen=True)
class TwoLevels:
    """Scatter inside and between groups.

    Attributes:
        mean: Mean of the group means.
        within, between: Variance components; ``between`` is cut off at 0.
        ms_within, ms_between: Mean squares of the analysis of variance.
        df_within, df_between: Their degrees of freedom.
        top: Mean over group means with its standard error, the top level's scatter only.
    """

    mean: float
    within: float
    between: float
    ms_within: float
    ms_between: float
    df_within: int
    df_between: int
    top: Estimate


def two_levels(groups: Sequence[Array]) -> TwoLevels:
    """Split the scatter of grouped values; unequal groups allowed.

    Raises:
        ValueError: Fewer than two groups, or no group with two values.
    """
    sizes = np.array([group.size for group in groups])
    if len(groups) < 2 or not (sizes > 1).any():
        raise ValueError("two levels need two groups and a group with two values")
    means = np.array([group.mean() for group in groups])
    total = int(sizes.sum())
    grand = float((means * sizes).sum() / total)
    df_between, df_within = len(groups) - 1, total - len(groups)
    ms_between = float((sizes * (means - grand) ** 2).sum()) / df_between
    ms_within = sum(float(((group - group.mean()) ** 2).sum()) for group in groups) / df_within
    typical = (total - float((sizes**2).sum()) / total) / df_between
    between = max(0.0, (ms_between - ms_within) / typical)
    return TwoLevels(
        float(means.mean()), ms_within, between, ms_within, ms_between, df_within, df_between, of_mean(means)
    )


def best_repeats(within: float, between: float, cost_repeat: float, cost_group: float) -> int | None:
    """Repeats per group that reach a given interval at least cost: ceil(sqrt(cost ratio x variance ratio)).

    Args:
        within, between: Variance components.
        cost_repeat: Cost of one more repeat.
        cost_group: Cost that a new group (night, remount) has besides its repeats.
    Returns:
        At least 1; None where groups don't differ, so that more repeats are always as good as more groups.
    """
    if between <= 0:
        return None
    return max(1, math.ceil(math.sqrt(cost_group / cost_repeat * within / between)))


def variance_rows(
    cells: dict[CellKey, CellRepeats],
    metrics: Sequence[tuple[str, str]],
    settings: AnalysisSettings,
    repeat_s: float,
    courses: Mapping[str, Array],
) -> list[dict[str, Any]]:
    """Rows of :data:`VARIANCE_COLUMNS`, for metrics that are compared as ratios.

    Profiles of one title share their scatter; each keeps its own mean.

    Args:
        metrics: Name and label of each.
        repeat_s: What one more repeat costs.
        courses: Cell -> the courses of its repeats (:mod:`harness.analysis.within_run`); without them
            nothing is said of the scatter within a repeat.
    """
    made = []
    night_s = settings.cost.night_setup_s if settings.cost is not None else 1800.0
    for title, setting in dict.fromkeys(key[:2] for key in cells):
        here = [cell for key, cell in cells.items() if key[:2] == (title, setting)]
        for name, label in metrics:
            row = _split(here, name, courses)
            if row is None:
                continue
            repeats, campaigns, inside, between_repeats, between_campaigns, n = row
            best = (
                best_repeats(between_repeats + inside, between_campaigns, repeat_s, night_s)
                if campaigns > 1
                else None
            )
            made.append(
                {
                    "title": title,
                    "setting": setting,
                    "metric": name,
                    "label": label,
                    "n_repeats": repeats,
                    "n_campaigns": campaigns,
                    "within_repeat_pct": 100 * math.sqrt(inside) if inside else math.nan,
                    "between_repeats_pct": 100 * math.sqrt(between_repeats),
                    "between_campaigns_pct": 100 * math.sqrt(between_campaigns)
                    if campaigns > 1
                    else math.nan,
                    "best_repeats_per_campaign": best,
                    "advice": _advice(inside, between_repeats, between_campaigns, campaigns, n, best),
                }
            )
    return made


def _split(
    cells: Sequence[CellRepeats], metric: str, courses: Mapping[str, Array]
) -> tuple[int, int, float, float, float, float] | None:
    """Repeats, campaigns, the three variance components, and repeats per cell and campaign."""
    groups: dict[tuple[str, str], list[float]] = {}
    for cell in cells:
        if metric in cell.values:
            for (campaign, _), value in zip(cell.blocks, cell.values[metric].tolist(), strict=True):
                if value == value:
                    groups.setdefault((cell.cell_id, campaign), []).append(math.log(value))
    arrays = {key: np.array(values) for key, values in groups.items()}
    df = sum(array.size - 1 for array in arrays.values())
    if df < 1:
        return None
    ms_within = sum(float(((a - a.mean()) ** 2).sum()) for a in arrays.values()) / df
    inside = _inside(cells, courses) if metric == "average_fps" else 0.0
    inside = min(inside, ms_within)
    campaigns = {key[1] for key in arrays}
    between, between_df = 0.0, 0
    for cell in cells:
        own = [array for key, array in arrays.items() if key[0] == cell.cell_id]
        if len(own) > 1 and any(array.size > 1 for array in own):
            levels = two_levels(own)
            sizes = np.array([array.size for array in own])
            typical = (sizes.sum() - (sizes**2).sum() / sizes.sum()) / levels.df_between
            between += levels.df_between * (levels.ms_between - ms_within) / typical
            between_df += levels.df_between
    component = max(0.0, between / between_df) if between_df else 0.0
    count = sum(array.size for array in arrays.values())
    return count, len(campaigns), inside, ms_within - inside, component, count / len(arrays)


def _inside(cells: Sequence[CellRepeats], courses: Mapping[str, Array]) -> float:
    """Mean over the cells whose frames are known; 0 where none are."""
    found = [within_variance(courses[cell.cell_id]) for cell in cells if cell.cell_id in courses]
    values = [value for value in found if not math.isnan(value)]
    return float(np.mean(values)) if values else 0.0


def _advice(
    inside: float, repeats: float, campaigns: float, n_campaigns: int, n: float, best: int | None
) -> str:
    if inside > repeats and inside > campaigns:
        return (
            "What the frames of a repeat leave open is most: a longer window helps as much as more repeats."
        )
    if n_campaigns < 2:
        return "One campaign only: what changes from night to night (remount, day, driver) is not in it."
    if campaigns > repeats / max(n, 1):
        least = f"; {best} a night would do" if best is not None and best < n else ""
        return f"Nights differ more than repeats leave open: another night helps, more repeats don't{least}."
    return "Repeats scatter more than nights: more repeats a night help."
