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
from harness.report.charts.chart import Looks, is_upright, row_name, width_pt
from harness.report.charts.lettering import fitted, measured_pt
from harness.report.charts.scales import cut_at
from harness.report.elements import decimals_for, number, records

#: A scale without a natural zero spans at least so much of its unit.
LEAST_SPAN = 10.0
#: Height between two groups, where a bar has 1.
BETWEEN = 0.5


def printed(row: Mapping[str, Any], name: str = "value") -> str:
    """A value as the tables print it: two digits of its interval's half width."""
    value, low, high = (float(row[key]) for key in (name, f"{name}_low", f"{name}_high"))
    return number(value, decimals_for(value, (high - low) / 2))


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
        names = _names(figure, labels, scale)
        texts = [_behind(row, names) for row in records(data)]
        room = end * _room(figure, scale, texts)
        per_pt = (end + room) / (0.68 * width_pt(figure))
        outside = [second and not _has_room(row, end, per_pt, scale) for row in records(data)]
        if any(outside) and is_upright(figure):
            names = _names(figure, labels, scale, 0.16)
        texts = [
            _behind(row, names, f" ({second} {printed(row, 'second')})" if out else "")
            for row, out in zip(records(data), outside, strict=True)
        ]
        room = end * _room(figure, scale, texts)
        rows = zip(_rows(figure, ax, data), texts, outside, strict=True)
        for (at, row), behind, out in rows:
            value = float(row["value"])
            if not np.isfinite(value):
                _say(ax, 0.0, at, behind, look.QUIET_INK.now)
                continue
            colour = looks[row["profile"]].role.now
            ax.barh(at, min(value, end), height=0.9, color=colour, alpha=0.35 if second else 0.85, lw=0)
            if second and np.isfinite(float(row["second"])):
                inner = min(float(row["second"]), end)
                ax.barh(at, inner, height=0.9, color=colour, lw=0)
                if not out:
                    _inside(ax, inner, at, printed(row, "second"), scale)
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
        names = _names(figure, labels, scale)
        room = _room(figure, scale, [_behind(r, names) for r in records(data)])
        for at, row in _rows(figure, ax, data):
            value, ends = float(row["value"]), (float(row["value_low"]), float(row["value_high"]))
            if not np.isfinite(value):
                _say(ax, low, at, _behind(row, names), look.QUIET_INK.now)
                continue
            style = looks[row["profile"]]
            ax.hlines(at, *ends, color=style.role.now, lw=2.4 * scale, alpha=0.45)
            ax.plot(value, at, style.mark, color=style.role.now, ms=6 * scale)
            behind = _behind(row, names)
            _say(ax, np.nanmax([value, ends[1]]), at, behind, look.INK.now, 2 * scale)
        ax.set_xlim(low, high + room * (high - low))
        ax.grid(axis="y", visible=False)

    return draw


def rows_high(data: pd.DataFrame) -> float:
    """Height of all rows and the spaces between groups, where a row has 1."""
    groups = data["row_label"].nunique()
    return len(data) + BETWEEN * max(groups - 1, 0)


def _rows(figure: FigureBase, ax: Axes, data: pd.DataFrame) -> Iterator[tuple[float, dict[str, Any]]]:
    """Each row with its height, downwards; titles are written beside the axis."""
    at = 0.0
    ticks = []
    places = []
    for label, group in data.groupby("row_label", sort=False):
        heights = at + np.arange(len(group))
        ticks.append((float(heights.mean()), row_name(figure, str(label), data["row_label"].nunique())))
        places += [float(height) for height in heights]
        at = float(heights[-1]) + 1 + BETWEEN
    ax.set_yticks([height for height, _ in ticks], [text for _, text in ticks])
    ax.set_ylim(places[-1] + 0.55, -0.55)
    return zip(places, records(data), strict=True)


def _names(
    figure: FigureBase, labels: Mapping[str, str], scale: float, share: float = 0.26
) -> dict[str, str]:
    """Profile -> its name as far as it has room behind a bar, a share of the drawing's width."""
    return {p: fitted(name, share * width_pt(figure), 9.5 * scale) for p, name in labels.items()}


def _behind(row: Mapping[str, Any], names: Mapping[str, str], more: str = "") -> str:
    """What stands behind a bar: its value and ``more``, or why there is none, and its profile."""
    name = names[row["profile"]]
    if np.isfinite(float(row["value"])):
        return f"{printed(row)}{more}  {name}"
    return f"{name}: {row['note']}"


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


def _has_room(row: Mapping[str, Any], end: float, per_pt: float, scale: float) -> bool:
    """Whether the inner bar's value fits into it; where there is none, nothing needs room.

    Args:
        per_pt: Of the scale's unit in a point of the drawing.
    """
    second = float(row["second"])
    if not np.isfinite(second):
        return True
    return (measured_pt(printed(row, "second"), 9 * scale) + 9 * scale) * per_pt < min(second, end)


def _room(figure: FigureBase, scale: float, texts: list[str]) -> float:
    """Width of the longest text as a share of the bars' width, a little more than it needs."""
    taken = max(measured_pt(text, 9.5 * scale) for text in texts) + 9.5 * scale
    return taken / max(0.68 * width_pt(figure) - taken, 0.12 * width_pt(figure))


def _break(ax: Axes, x: float, y: float, scale: float) -> None:
    """The torn end of a bar that is longer than the scale."""
    edge = y + np.array([-0.42, -0.14, 0.14, 0.42])
    ax.plot(0.985 * x + 0.008 * x * np.array([-1, 1, -1, 1]), edge, color=look.PAPER.now, lw=3 * scale)
