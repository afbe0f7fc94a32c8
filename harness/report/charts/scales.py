"""Where the scales of charts end, and lines that are worked out of what they show. Pure.

The drawing and the interactive form of a chart both take them from here.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from harness.numerals import signed
from harness.report.elements import change_decimals

#: A scale ends at so many times the median, so that one long bar or interval does not squeeze the others.
CUT = 2.5
#: What is not longer than so many times that is shown whole.
_NEARLY = 1.2
#: Changes beyond it are not printed in a chart, where they have no room; the tables have them.
_MOST_PCT = 999.0
#: Points from which on a running median is drawn.
_LEAST_POINTS = 12


def cut_at(values: pd.Series[float]) -> float:
    """Where the scale of bars ends: at the longest, or before it where that would squeeze the others."""
    known = values.dropna()
    if known.empty:
        return 1.0
    longest, cap = float(known.max()), CUT * float(known.median())
    return cap if longest > _NEARLY * cap else longest


def margin_edges_pct(margin_pct: float) -> tuple[float, float]:
    """The margin in %, symmetric in the logarithm: 3 % reaches from −3 to 100 (1/0.97 − 1)."""
    return -margin_pct, 100 * (1 / (1 - margin_pct / 100) - 1)


def change_scale_pct(effects: pd.DataFrame, margin_pct: float) -> tuple[float, float]:
    """Ends of the one scale of all panels: all changes and intervals, or short of those that would squeeze
    the others; each panel's median counts by itself, the smaller one of two in the middle.

    Args:
        effects: Columns ``metric_label``, ``change_pct``, ``low_pct``, ``high_pct``.
    """
    ends = effects[["low_pct", "change_pct", "high_pct"]].to_numpy(np.float64)
    low_edge, high_edge = margin_edges_pct(margin_pct)
    if not np.isfinite(ends).any():
        return 1.5 * low_edge, 1.5 * high_edge
    reach = pd.Series(np.nanmax(np.abs(ends), axis=1), index=effects.index)
    middles = reach.groupby(effects["metric_label"]).quantile(0.5, interpolation="lower")
    cap = max(CUT * float(middles.max()), 2 * margin_pct)
    low, high = min(float(np.nanmin(ends)), low_edge), max(float(np.nanmax(ends)), high_edge)
    return (
        1.05 * (low if -low <= _NEARLY * cap else -cap),
        1.05 * (high if high <= _NEARLY * cap else cap),
    )


def change_text(row: Mapping[str, Any], scale: tuple[float, float]) -> str:
    """A change to the digits of its interval; with the interval where the scale ends before it."""
    low, high = float(row["low_pct"]), float(row["high_pct"])
    decimals = change_decimals(low, high)
    text = signed(float(row["change_pct"]), decimals)
    if low < scale[0] or high > scale[1]:
        most = f">{_MOST_PCT:g}" if high > _MOST_PCT else signed(high, decimals)
        return f"{text} ({signed(low, decimals)} to {most})"
    return text


def is_cut(effects: pd.DataFrame, scale: tuple[float, float]) -> bool:
    """Whether some interval reaches beyond the scale."""
    return bool(((effects["low_pct"] < scale[0]) | (effects["high_pct"] > scale[1])).any())


def efficiency_spans(points: pd.DataFrame) -> dict[str, tuple[float, float]]:
    """Ends of the axes ``power`` and ``speed``, equally long: 3 % of one does not look like 23 % of the
    other."""
    ends = {
        axis: points[[f"{axis}_pct", f"{axis}_low_pct", f"{axis}_high_pct"]].to_numpy(np.float64)
        for axis in ("power", "speed")
    }
    span = 1.3 * max(max(float(np.nanmax(v) - np.nanmin(v)) for v in ends.values()), 4.0)
    middles = {axis: float(np.nanmax(v) + np.nanmin(v)) / 2 for axis, v in ends.items()}
    return {axis: (middle - span / 2, middle + span / 2) for axis, middle in middles.items()}


def running_median(points: pd.DataFrame, column: str) -> pd.Series[float]:
    """Median of an eighth of all points around each, in their order in time; nothing where they are few.

    Args:
        points: Columns ``hours`` and ``column``.
    Returns:
        By the index of ``points``.
    """
    if len(points) < _LEAST_POINTS:
        return pd.Series(np.nan, index=points.index)
    ordered = points.sort_values("hours", kind="stable")[column]
    return (
        ordered.rolling(max(len(points) // 8, 5), center=True, min_periods=3).median().reindex(points.index)
    )
