"""Drawings with their values printed: bars from zero, and points where zero is no place to start. Pure.

They need no legend: a title's name stands before its group, value and profile behind each bar.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import FigureBase

from harness.report.charts import style as look
from harness.report.charts.chart import Looks, width_pt
from harness.report.elements import decimals_for, number, records

#: Bars beyond so many times the median are cut, so that one fast title does not squeeze the others.
_CUT = 2.5
#: A scale without a natural zero spans at least so much of its unit.
LEAST_SPAN = 10.0
#: Letters of a name.
_NAME = 32
#: Height between two groups, where a bar has 1.
BETWEEN = 0.5


def printed(row: Mapping[str, Any], name: str = "value") -> str:
    """A value as the tables print it: two digits of its interval's half width."""
    value, low, high = (float(row[key]) for key in (name, f"{name}_low", f"{name}_high"))
    return number(value, decimals_for(value, (high - low) / 2))


def cut_at(values: pd.Series[float]) -> float:
    """Where the scale of bars ends: at the longest, or before it where that would squeeze the others."""
    known = values.dropna()
    if known.empty:
        return 1.0
    longest, cap = float(known.max()), _CUT * float(known.median())
    return cap if longest > 1.2 * cap else longest


def span_of(data: pd.DataFrame) -> tuple[float, float]:
    """Ends of the scale of points: all values and intervals, at least :data:`LEAST_SPAN`."""
    known = data[["value", "value_low", "value_high"]].to_numpy(np.float64)
    known = known[np.isfinite(known)]
    if not known.size:
        return 0.0, LEAST_SPAN
    low, high = float(known.min()), float(known.max())
    missing = max(LEAST_SPAN - (high - low), 0.08 * LEAST_SPAN) / 2
    return float(np.floor(low - missing)), float(np.ceil(high + missing))


def bars(
    data: pd.DataFrame, looks: Looks, labels: Mapping[str, str], second: str = ""
) -> Callable[[FigureBase, float], None]:
    """Bars from zero, a group for each ``row_label``.

    Args:
        data: Columns ``row_label``, ``profile``, ``value``, ``value_low``, ``value_high``, ``note`` (said
            where there is no value); with ``second`` also ``second``, ``second_low``, ``second_high``.
        second: What the inner bar is, as ``1 % low``; empty for none.
    """

    def draw(figure: FigureBase, scale: float) -> None:
        ax = figure.subplots()
        end = cut_at(data["value"])
        room = end * _room(
            figure, scale, [f"{printed(r)}  {_short(labels[r['profile']])}" for r in records(data)]
        )
        for at, row in _rows(ax, data):
            value = float(row["value"])
            if not np.isfinite(value):
                _say(ax, 0.0, at, f"{row['note']}  {_short(labels[row['profile']])}", look.QUIET_INK.now)
                continue
            colour = looks[row["profile"]].role.now
            ax.barh(at, min(value, end), height=0.9, color=colour, alpha=0.35 if second else 0.85, lw=0)
            behind = f"{printed(row)}  {_short(labels[row['profile']])}"
            if second and np.isfinite(float(row["second"])):
                inner, low = min(float(row["second"]), end), printed(row, "second")
                ax.barh(at, inner, height=0.9, color=colour, lw=0)
                if inner > end * _room(figure, scale, [low]):
                    _inside(ax, inner, at, low, scale)
                else:
                    behind += f" ({second} {low})"
            if value > end:
                _break(ax, end, at, scale)
            _say(ax, min(value, end), at, behind, look.INK.now, scale)
        ax.set_xlim(0, end + room)
        ax.set_xticks([])
        ax.spines["bottom"].set_visible(False)
        ax.axvline(0, color=look.INK.now, lw=0.9 * scale)
        ax.grid(visible=False)

    return draw


def dots(data: pd.DataFrame, looks: Looks, labels: Mapping[str, str]) -> Callable[[FigureBase, float], None]:
    """Points with intervals, for a scale whose zero is arbitrary; columns as for :func:`bars`."""

    def draw(figure: FigureBase, scale: float) -> None:
        ax = figure.subplots()
        low, high = span_of(data)
        room = _room(figure, scale, [f"{printed(r)}  {_short(labels[r['profile']])}" for r in records(data)])
        for at, row in _rows(ax, data):
            value, ends = float(row["value"]), (float(row["value_low"]), float(row["value_high"]))
            if not np.isfinite(value):
                _say(ax, low, at, f"{row['note']}  {_short(labels[row['profile']])}", look.QUIET_INK.now)
                continue
            style = looks[row["profile"]]
            ax.hlines(at, *ends, color=style.role.now, lw=2.4 * scale, alpha=0.45)
            ax.plot(value, at, style.mark, color=style.role.now, ms=6 * scale)
            behind = f"{printed(row)}  {_short(labels[row['profile']])}"
            _say(ax, np.nanmax([value, ends[1]]), at, behind, look.INK.now, 2 * scale)
        ax.set_xlim(low, high + room * (high - low))
        ax.grid(axis="y", visible=False)

    return draw


def rows_high(data: pd.DataFrame) -> float:
    """Height of all rows and the spaces between groups, where a row has 1."""
    groups = data["row_label"].nunique()
    return len(data) + BETWEEN * max(groups - 1, 0)


def _rows(ax: Axes, data: pd.DataFrame) -> Iterator[tuple[float, dict[str, Any]]]:
    """Each row with its height, downwards; titles are written beside the axis."""
    at = 0.0
    ticks = []
    places = []
    for label, group in data.groupby("row_label", sort=False):
        heights = at + np.arange(len(group))
        ticks.append((float(heights.mean()), _short(str(label))))
        places += [float(height) for height in heights]
        at = float(heights[-1]) + 1 + BETWEEN
    ax.set_yticks([height for height, _ in ticks], [text for _, text in ticks])
    ax.set_ylim(places[-1] + 0.55, -0.55)
    return zip(places, records(data), strict=True)


def _short(name: str) -> str:
    """A name, cut where it would leave no room for the bars."""
    return name if len(name) <= _NAME else f"{name[: _NAME - 1]}…"


def _say(ax: Axes, x: float, y: float, text: str, colour: str, scale: float = 1.0) -> None:
    ax.annotate(
        text,
        (x, y),
        (4 * scale, 0),
        textcoords="offset points",
        va="center_baseline",
        color=colour,
        annotation_clip=False,
    ).set_in_layout(False)  # the scale leaves room for it


def _inside(ax: Axes, x: float, y: float, text: str, scale: float) -> None:
    ax.annotate(
        text,
        (x, y),
        (-3 * scale, -scale),
        textcoords="offset points",
        ha="right",
        va="center",
        color=look.PAPER.now,
        fontsize=9 * scale,
    ).set_in_layout(False)


def _room(figure: FigureBase, scale: float, texts: list[str]) -> float:
    """Width of the longest text as a share of the bars' width, a little more than it needs."""
    taken = (0.62 * max(map(len, texts)) + 1) * 9.5 * scale
    return min(taken / max(0.75 * width_pt(figure) - taken, 1.0), 1.0)


def _break(ax: Axes, x: float, y: float, scale: float) -> None:
    """The torn end of a bar that is longer than the scale."""
    edge = y + np.array([-0.42, -0.14, 0.14, 0.42])
    ax.plot(0.985 * x + 0.008 * x * np.array([-1, 1, -1, 1]), edge, color=look.PAPER.now, lw=3 * scale)
