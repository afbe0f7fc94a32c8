"""Drawings over all titles: changes, levels, speed against power, drift, start conditions. Pure.

Each function turns a small table into what draws it on an empty figure.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, cast

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import FigureBase
from matplotlib.ticker import FuncFormatter, MaxNLocator
from numpy.typing import NDArray

from harness.numerals import signed
from harness.report.charts import style as look
from harness.report.charts.chart import (
    Looks,
    axis_label,
    draw_points,
    height_pt,
    is_upright,
    legend,
    width_pt,
)
from harness.report.charts.lettering import fitted, measured_pt
from harness.report.charts.row_positions import Rows
from harness.report.charts.scales import (
    change_scale_pct,
    change_text,
    efficiency_spans,
    margin_edges_pct,
)
from harness.report.charts.style import ProfileLook
from harness.report.elements import number, records

#: Stands where a row has no change in a panel.
NOT_MEASURED = "not measured"


def comparison(
    effects: pd.DataFrame,
    looks: Looks,
    labels: Mapping[str, str],
    margin_pct: float,
    against: str,
    within: str | None = None,
    whole: pd.DataFrame | None = None,
) -> Callable[[FigureBase, float], None]:
    """Change against the reference by title, with intervals and the margin as a band.

    Args:
        effects: Columns ``metric_label``, ``row_label``, ``summary`` (bool), ``profile``, ``change_pct``,
            ``low_pct``, ``high_pct``; one panel for each ``metric_label``.
        against: What a reader calls the reference.
        within: Heading whose values are rows of their own under each ``row_label``.
        whole: What this is a part of, so that all parts have one scale.
    """
    ends = change_scale_pct(effects if whole is None else whole, margin_pct)
    edges = margin_edges_pct(margin_pct)

    def draw(figure: FigureBase, scale: float) -> None:
        panels = list(effects["metric_label"].unique())
        rows = Rows.of(effects, within)
        profiles = list(effects["profile"].unique())
        upright = is_upright(figure)
        shape = (len(panels), 1) if upright else (1, len(panels))
        # One scale for all panels: a small change must not look like a large one beside it.
        axes = figure.subplots(*shape, sharey=True, sharex=True, squeeze=False).ravel()
        texts = [NOT_MEASURED]
        for ax, panel in zip(axes, panels, strict=True):
            shown = effects[effects["metric_label"] == panel]
            ax.axvspan(*edges, color=look.BAND.now, lw=0, zorder=0)
            for edge in edges:
                ax.axvline(edge, color=look.BAND_EDGE.now, lw=0.8 * scale, ls=(0, (3, 2)), zorder=1)
            ax.axvline(0, color=look.INK.now, lw=0.9 * scale, zorder=1)
            for i, profile in enumerate(profiles):
                mine = shown[shown["profile"] == profile]
                y = rows.at(mine, i, len(profiles))
                _changes(ax, mine, y, ends, looks[profile], labels[profile], scale)
                for at, row in zip(y, records(mine), strict=True):
                    texts.append(change_text(row, ends))
                    _in_margin(ax, at, texts[-1], scale)
            for at in rows.without(shown):
                _in_margin(ax, at, NOT_MEASURED, scale)
            ax.set_title(panel)
            ax.xaxis.set_major_formatter(FuncFormatter(lambda v, _: signed(v, 0) if v else "0"))
            ax.grid(axis="y", visible=False)
            summaries = int(effects.drop_duplicates("row_label")["summary"].sum())
            for height in rows.edges if within else ():
                ax.axhline(height, color=look.RULE.now, lw=0.6 * scale)
            for height in rows.edges[-summaries:][:1] if summaries else ():
                ax.axhline(height, color=look.QUIET_INK.now, lw=0.8 * scale)
        for ax in axes if upright else axes[:1]:
            rows.label(figure, ax, len(panels) if upright else 1)
        axes[0].set_xlim(ends)
        widest = max(measured_pt(text, 9 * scale) for text in texts)
        _margin_for_values(axes[0], figure, 1 if upright else len(panels), widest + 9 * scale)
        label = axis_label(figure, f"change against {against}, %")
        figure.supxlabel(label, color=look.QUIET_INK.now, fontsize=9.5 * scale)
        legend(figure, axes[0])

    return draw


def _changes(
    ax: Axes, mine: pd.DataFrame, y: NDArray[np.float64], ends: tuple[float, float], style: ProfileLook,
    label: str, scale: float,
) -> None:  # fmt: skip
    """Changes of one profile with their intervals; an arrow where one goes on beyond the scale."""
    colour = style.role.now
    low, high = mine["low_pct"].clip(*ends), mine["high_pct"].clip(*ends)
    ax.hlines(y, low, high, color=colour, lw=2.2 * scale * np.where(mine["summary"], 1.5, 1.0), alpha=0.45)
    inside = mine["change_pct"].between(*ends)
    ax.plot(
        mine["change_pct"].where(inside), y, style.mark, color=colour, ms=5.2 * scale, label=label,
    )  # fmt: skip
    for beyond, end, arrow in (
        (mine["low_pct"] < ends[0], ends[0], "<"),
        (mine["high_pct"] > ends[1], ends[1], ">"),
    ):
        ax.plot(
            [end] * int(beyond.sum()),
            y[beyond.to_numpy()],
            arrow,
            color=colour,
            ms=4.5 * scale,
            label="_beyond",
        )


def _in_margin(ax: Axes, y: float, text: str, scale: float) -> None:
    """A value in the column at the right edge."""
    said = {"ha": "right", "va": "center_baseline", "fontsize": 9 * scale}
    ax.text(1, y, text, transform=ax.get_yaxis_transform(), **cast(Any, said))


def _margin_for_values(ax: Axes, figure: FigureBase, panels: int, needed_pt: float) -> None:
    """Room for the column of values behind the scale's end."""
    low, high = ax.get_xlim()
    whole_pt = 0.72 * width_pt(figure) / panels
    share = min(needed_pt / whole_pt, 0.55)
    letter_pt = 0.6 * float(mpl.rcParams["xtick.labelsize"])
    most = int(whole_pt * (1 - share) / (7 * letter_pt))  # ticks whose labels stand clear of each other
    ticks = MaxNLocator(min(max(most, 2), 6), integer=True).tick_values(low, high)
    ax.set_xticks([at for at in ticks if low <= at <= high])  # no line of the grid runs through the values
    ax.set_xlim(low, high + (high - low) * share / (1 - share))


def levels(
    cells: pd.DataFrame,
    looks: Looks,
    labels: Mapping[str, str],
    low_label: str,
    within: str | None = None,
    whole: pd.DataFrame | None = None,
) -> Callable[[FigureBase, float], None]:
    """Average FPS (filled) and 1 % low (hollow) of every cell with intervals.

    Args:
        cells: Columns ``row_label``, ``profile``, ``average_fps``, ``average_low_fps``, ``average_high_fps``,
            ``one_percent_low_fps``, ``one_percent_low_low_fps``, ``one_percent_low_high_fps``.
        within: Heading whose values are rows of their own under each ``row_label``.
        whole: What this is a part of, so that all parts have one scale.
    """

    def draw(figure: FigureBase, scale: float) -> None:
        ax = figure.subplots()
        rows = Rows.of(cells, within)
        profiles = list(dict.fromkeys(cells["profile"]))
        for i, profile in enumerate(profiles):
            mine = cells[cells["profile"] == profile]
            _levels_marks(ax, mine, rows.at(mine, i, len(profiles)), looks[profile], labels[profile], scale)
        for edge in rows.edges:
            ax.axhline(edge, color=look.RULE.now, lw=0.6 * scale)
        rows.label(figure, ax)
        shown = (cells if whole is None else whole).filter(like="_fps").to_numpy(np.float64)
        ax.set_xlim(0, 1.03 * float(np.nanmax(shown)))
        ax.grid(axis="y", visible=False)
        ax.set_xlabel(axis_label(figure, f"frames per second: filled average FPS, hollow {low_label}"))
        legend(figure, ax)

    return draw


def _levels_marks(
    ax: Axes, cells: pd.DataFrame, y: NDArray[np.float64], style: ProfileLook, label: str, scale: float
) -> None:
    """Average FPS and 1 % low of one profile's cells at the heights ``y``, joined by a line."""
    colour = style.role.now
    ax.hlines(y, cells["one_percent_low_fps"], cells["average_fps"], color=colour, lw=0.8 * scale, alpha=0.5)
    for name, face in (("average", colour), ("one_percent_low", look.PAPER.now)):
        ax.hlines(
            y,
            cells[f"{name}_low_fps"],
            cells[f"{name}_high_fps"],
            color=colour,
            lw=2.6 * scale,
            alpha=0.45,
        )
        ax.plot(
            cells[f"{name}_fps"],
            y,
            style.mark,
            color=colour,
            mfc=face,
            ms=5.2 * scale,
            label=label if name == "average" else None,
        )


def efficiency(
    points: pd.DataFrame, looks: Looks, labels: Mapping[str, str]
) -> Callable[[FigureBase, float], None]:
    """Speed against power, both relative to the reference; the front joins what no other profile beats.

    Args:
        points: Columns ``profile``, ``power_pct``, ``power_low_pct``, ``power_high_pct``, ``speed_pct``,
            ``speed_low_pct``, ``speed_high_pct``, ``on_front`` (bool); 100 is the reference.
    """

    def draw(figure: FigureBase, scale: float) -> None:
        ax = figure.subplots()
        spans = efficiency_spans(points)
        ax.set_xlim(spans["power"])
        ax.set_ylim(spans["speed"])
        front = points[points["on_front"]].sort_values("power_pct")
        ax.plot(
            front["power_pct"], front["speed_pct"], color=look.BAND_EDGE.now, lw=1.2 * scale, ls=(0, (4, 2))
        )
        for point in records(points):
            style = looks[str(point["profile"])]
            colour = style.role.now
            ax.hlines(
                point["speed_pct"],
                point["power_low_pct"],
                point["power_high_pct"],
                color=colour,
                lw=2 * scale,
                alpha=0.45,
            )
            ax.vlines(
                point["power_pct"],
                point["speed_low_pct"],
                point["speed_high_pct"],
                color=colour,
                lw=2 * scale,
                alpha=0.45,
            )
            ax.plot(
                point["power_pct"], point["speed_pct"], style.mark, color=colour, ms=7 * scale, ls="",
                label=_listed(figure, labels[str(point["profile"])], point, len(points), scale),
            )  # fmt: skip
        ax.set_xlabel("mean power, % of the reference")
        ax.set_ylabel("speed, % of the reference")
        figure.legend(loc=cast(Any, "outside upper left" if is_upright(figure) else "outside right upper"))

    return draw


def values_said(point: Mapping[str, Any]) -> str:
    """Speed and power of a profile in words."""
    return f"{number(point['speed_pct'], 1)} % speed, {number(point['power_pct'], 1)} % power"


def _listed(figure: FigureBase, name: str, point: Mapping[str, Any], points: int, scale: float) -> str:
    """A profile and its values as they stand beside the drawing: two lines where all of them have room."""
    size, said = 9 * scale, values_said(point)
    room = (0.97 if is_upright(figure) else 0.4) * width_pt(figure) - 5 * size
    if is_upright(figure) or points * 2 * 1.4 * size > 0.95 * height_pt(figure):
        return f"{fitted(name, room - measured_pt(f': {said}', size), size)}: {said}"
    return f"{fitted(name, room, size)}\n{said}"


def efficiency_front(power: Sequence[float], speed: Sequence[float]) -> list[bool]:
    """Which points no other point beats: none has less power and at least the speed, or the reverse."""
    return [
        not any((q <= p and s > v) or (q < p and s >= v) for q, s in zip(power, speed, strict=True))
        for p, v in zip(power, speed, strict=True)
    ]


def drift(
    points: pd.DataFrame, looks: Looks, labels: Mapping[str, str]
) -> Callable[[FigureBase, float], None]:
    """Each repeat against the mean of its cell, over the night; the line is the running median.

    Args:
        points: Columns ``hours``, ``profile``, ``deviation_pct``, ``running_median_pct``.
    """

    def draw(figure: FigureBase, scale: float) -> None:
        ax = figure.subplots()
        ax.axhline(0, color=look.INK.now, lw=0.8 * scale)
        for profile in points["profile"].unique():
            mine = points[points["profile"] == profile]
            draw_points(ax, mine["hours"], mine["deviation_pct"], looks[profile], labels[profile], scale)
        running = points.sort_values("hours")
        if running["running_median_pct"].notna().any():
            ax.plot(
                running["hours"], running["running_median_pct"], color=look.QUIET_INK.now, lw=1.6 * scale,
                label="running median",
            )  # fmt: skip
        ax.set_xlabel("hours since the campaign's first attempt")
        ax.set_ylabel(axis_label(figure, "average FPS against its cell's mean, %", upwards=True))
        legend(figure, ax)

    return draw


def start_axis(word: str) -> str:
    """Label of the axis of start temperatures."""
    return f"temperature when the {word} ended, °C"


def start_conditions(
    points: pd.DataFrame,
    looks: Looks,
    labels: Mapping[str, str],
    word: str,
    limit: tuple[float, str] | None,
) -> Callable[[FigureBase, float], None]:
    """Temperature at the start of every repeat, over the night.

    Args:
        points: Columns ``hours``, ``profile``, ``start_temp_c``, ``start_ambient_temp_c``.
        word: The stage at whose end it is taken.
        limit: Temperature up to which the plan lets a title start, drawn as a line, and the stage that does.
    """

    def draw(figure: FigureBase, scale: float) -> None:
        ax = figure.subplots()
        if limit is not None:
            limit_c, limited_by = limit
            ax.axhline(limit_c, color=look.BAND_EDGE.now, lw=1.1 * scale, ls=(0, (3, 2)))
            ax.annotate(
                f"{limited_by} rule",
                (1, limit_c),
                xycoords=("axes fraction", "data"),
                ha="right",
                va="bottom",
                color=look.QUIET_INK.now,
                fontsize=9 * scale,
            )
        ambient = points.dropna(subset=["start_ambient_temp_c"]).sort_values("hours")
        if len(ambient):
            ax.plot(
                ambient["hours"], ambient["start_ambient_temp_c"], color=look.QUIET_INK.now, label="ambient"
            )
        for profile in points["profile"].unique():
            mine = points[points["profile"] == profile].dropna(subset=["start_temp_c"])
            draw_points(ax, mine["hours"], mine["start_temp_c"], looks[profile], labels[profile], scale)
        ax.set_xlabel("hours since the campaign's first attempt")
        ax.set_ylabel(axis_label(figure, start_axis(word), upwards=True))
        legend(figure, ax)

    return draw
