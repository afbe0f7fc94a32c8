"""The picture that a reader sees first: frame rates and power of each title under each profile, in print.

Bars begin at zero, so a difference looks as large as it is. Each title's frame rates have a scale of their
own, for one fast title would squeeze the others; power has one scale for all, for it is one card's. Every bar
says in words what it is, so that nobody needs a legend or the colours. Pure: tables in, SVG text out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import pandas as pd
from markupsafe import Markup, escape

from harness.analysis import Analysis
from harness.metrics import METRICS
from harness.report.charts import style
from harness.report.charts.chart import Looks
from harness.report.elements import decimals_for, number, records
from harness.report.names import Names

#: Columns of the table behind the picture; a value is empty where it was not measured.
COLUMNS: Final = (
    "title", "setting", "row_label", "profile", "profile_label",
    "average_fps", "one_percent_low_fps", "power_w", "remark",
)  # fmt: skip
_SHOWN: Final = {"average_fps": "average", "one_percent_low_fps": "1 % low"}
#: Column of each bar -> word before its value, unit after it, look; another quantity has another shape.
_BARS: Final = {
    "average_fps": ("average", " FPS", ""),
    "one_percent_low_fps": ("1 % low", "", 'fill-opacity="0.55"'),
    "power_w": ("", " W", 'fill-opacity="0.18" stroke="{0}"'),
}
_TEXT_PX: Final = 14.0
#: Width of a character of the page's type as a share of its size; on the wide side.
_CHARACTER: Final = 0.6
#: The same of a bold digit.
_BOLD: Final = 0.7


def power_metric(analysis: Analysis) -> str | None:
    """The metric whose watts are shown: the card's where they were measured."""
    measured = set(analysis.cells["metric"])
    return next((m.name for m in METRICS.standing_for("power") if m.name in measured), None)


def table_of(analysis: Analysis, names: Names, places: Iterable[tuple[str, str]]) -> pd.DataFrame:
    """One row for each title, setting and profile, :data:`COLUMNS` and a ``…_text`` of each value.

    Args:
        places: Every title with its setting, also those of which nothing was measured.
    """
    by_key = {(r["title"], r["setting"], r["profile"], r["metric"]): r for r in records(analysis.cells)}
    power = power_metric(analysis)
    measured = {key[2] for key in by_key}
    known = dict.fromkeys([*analysis.settings.profiles, *analysis.cells["profile"]])
    rows: list[dict[str, Any]] = []
    for title, setting in places:
        for profile in known:
            mine = {m: by_key.get((title, setting, profile, m)) for m in (*_SHOWN, "score", power)}
            row: dict[str, Any] = {
                "title": title,
                "setting": setting,
                "row_label": names.row(title, setting),
                "profile": profile,
                "profile_label": names[profile],
            }
            for column, metric in (*((m, m) for m in _SHOWN), ("power_w", power)):
                found = mine.get(metric) if metric else None
                row[column] = math.nan if found is None else float(found["mean"])
                row[f"{column}_text"] = "" if found is None else level_text(found)
            counts = any((title, setting, profile) == key[:3] for key in by_key)
            row["remark"] = _remark(mine, counts)
            rows.append(row)
    if not rows or not measured:
        return pd.DataFrame(columns=list(COLUMNS))
    return pd.DataFrame(rows)


def _remark(mine: Mapping[Any, Mapping[str, Any] | None], counts: bool) -> str:
    """Why there is no frame rate; empty where there is one."""
    if mine["average_fps"] is not None:
        return ""
    if not counts:
        return "no repeat counts"
    score = mine["score"]
    return "no frames" if score is None else f"no frames; score {level_text(score)}"


def level_text(row: Mapping[str, Any]) -> str:
    """The mean of a cell, to the digit of its interval's half width."""
    mean = float(row["mean"])
    return number(mean, decimals_for(mean, (float(row["high"]) - float(row["low"])) / 2))


def alt_text(data: pd.DataFrame) -> str:
    """What the picture shows, for who can't see it."""
    said = []
    for label, rows in data.groupby("row_label", sort=False):
        parts = []
        for row in records(rows):
            figures = [
                f"{word} {row[f'{column}_text']}" for column, word in _SHOWN.items() if row[f"{column}_text"]
            ]
            figures += [f"{row['power_w_text']} W"] if row["power_w_text"] else []
            figures = [row["remark"], *figures] if row["remark"] else figures
            parts.append(f"{row['profile_label']} {', '.join(figures)}")
        said.append(f"{label}: {'; '.join(parts)}.")
    return " ".join(said)


@dataclass(frozen=True)
class Layout:
    """Where things stand, in units of the drawing. ``stacked``: one bar below the other, for a phone.

    Attributes:
        width: Width of the whole drawing.
        names: Width kept for the names of profiles, left of the bars.
        frames, power: Left edge and length of the longest bar.
        text: Size of the type.
    """

    width: float
    names: float
    frames: tuple[float, float]
    power: tuple[float, float]
    stacked: bool
    text: float = _TEXT_PX


def layout(data: pd.DataFrame, width: float, *, stacked: bool = False) -> Layout:
    """A layout in which the longest bar and its value fit."""
    value = max(_behind_bar(data, column) for column in _SHOWN)
    if stacked:
        value = max(value, _behind_bar(data, "power_w"))
        return Layout(width, 0.0, (0.0, width - value), (0.0, width - value), True)
    names = min(0.22 * width, max(_width(str(t), _TEXT_PX) for t in data["profile_label"]) + 14)
    has_power = data["power_w"].notna().any()
    right = (width - names) * (0.34 if has_power else 0.0)
    left = width - names - right
    watts = _behind_bar(data, "power_w")
    return Layout(width, names, (names, left - value - 18), (names + left, right - watts), False)


def draw(
    data: pd.DataFrame,
    looks: Looks,
    place: Layout,
    paint: Callable[[style.Role], str] = lambda role: f"var(--{role.name})",
) -> Markup:
    """The picture as an SVG element; groups carry ``data-title`` and ``data-profile``, bars their value.

    Args:
        data: :func:`table_of`.
        paint: A role's colour as it stands in the file; the page's CSS variable by default.
    """
    drawing = _Drawing(place, paint)
    drawing.heads(bool(data["average_fps"].notna().any()), bool(data["power_w"].notna().any()))
    most_w = float(data["power_w"].max())
    for (title, _), rows in data.groupby(["title", "setting"], sort=False):
        drawing.body.append(f'<g data-title="{escape(title)}">')
        drawing.heading(str(rows["row_label"].iloc[0]))
        most = {"average_fps": float(rows["average_fps"].max()), "power_w": most_w}
        most["one_percent_low_fps"] = most["average_fps"]
        for row in records(rows):
            drawing.body.append(f'<g data-profile="{escape(row["profile"])}">')
            colour = paint(looks[row["profile"]].role)
            (drawing.stacked if place.stacked else drawing.side_by_side)(row, most, colour)
            drawing.body.append("</g>")
        drawing.y += 6
        drawing.body.append("</g>")
    return Markup(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {place.width:g} {drawing.y:g}" '
        f'font-size="{place.text:g}">{"".join(drawing.body)}</svg>'
    )


class _Drawing:
    """The picture as it grows downwards; ``y`` is where it has come to."""

    def __init__(self, place: Layout, paint: Callable[[style.Role], str]) -> None:
        self.place = place
        self.ink, self.quiet, self.rule = (paint(r) for r in (style.INK, style.QUIET_INK, style.RULE))
        self.body: list[str] = []
        self.y = 4.0

    def heads(self, has_frames: bool, has_power: bool) -> None:
        """What the two sides show; where bars are stacked, each says so itself."""
        if self.place.stacked:
            return
        self.y = self.place.text
        frames = "frames per second, each title by itself from 0" if has_frames else "no frames per second"
        self.text(self.place.frames[0], self.y, frames, self.quiet)
        if has_power:
            self.text(self.place.power[0], self.y, "mean power from 0", self.quiet)
        self.y += 8

    def heading(self, title: str) -> None:
        self.body.append(
            f'<line x1="0" y1="{self.y:.1f}" x2="{self.place.width:.1f}" y2="{self.y:.1f}" '
            f'stroke="{self.rule}"/>'
        )
        self.y += self.place.text * 1.45
        self.text(0, self.y, title, self.ink, bold=True)
        self.y += 8

    def side_by_side(self, row: Mapping[str, Any], most: Mapping[str, float], colour: str) -> None:
        """Frame rates left, power right."""
        t, place = self.place.text, self.place
        self.text(0, self.y + 0.86 * t, _fitting(str(row["profile_label"]), place.names - 12, t), self.ink)
        self.bar("power_w", row, most, place.power, t, colour)
        if row["remark"]:
            self.text(place.frames[0], self.y + 0.86 * t, str(row["remark"]), self.quiet)
            self.y += 1.8 * t
            return
        self.bar("average_fps", row, most, place.frames, t, colour)
        self.y += 1.36 * t
        self.bar("one_percent_low_fps", row, most, place.frames, 0.62 * t, colour)
        self.y += 1.42 * t

    def stacked(self, row: Mapping[str, Any], most: Mapping[str, float], colour: str) -> None:
        """The profile's name, and its bars below it."""
        t = self.place.text
        remark = f": {row['remark']}" if row["remark"] else ""
        self.text(0, self.y + t, f"{row['profile_label']}{remark}", self.ink)
        self.y += 1.5 * t
        for column in _BARS:
            if row[f"{column}_text"]:
                tall = t if column == "average_fps" else 0.62 * t
                self.bar(column, row, most, self.place.frames, tall, colour)
                self.y += tall + 0.55 * t
        self.y += 0.5 * t

    def bar(
        self, column: str, row: Mapping[str, Any], most: Mapping[str, float], span: tuple[float, float],
        tall: float, colour: str,
    ) -> None:  # fmt: skip
        """A bar from zero with its value in print behind its end; none where nothing was measured."""
        value, text = float(row[column]), str(row[f"{column}_text"])
        if not text or not most[column] > 0:
            return
        word, unit, look = _BARS[column]
        long = max(0.0, value) / most[column] * span[1]
        self.body.append(
            f'<rect x="{span[0]:.1f}" y="{self.y:.1f}" width="{long:.1f}" height="{tall:.1f}" '
            f'fill="{colour}" {look.format(colour)} data-column="{column}" data-value="{value:.6g}"/>'
        )
        said = f'<tspan fill="{self.quiet}">{escape(word)} </tspan>' if word else ""
        self.body.append(
            f'<text x="{span[0] + long + 8:.1f}" y="{self.y + tall / 2 + 0.36 * self.place.text:.1f}" '
            f'fill="{self.ink}">{said}<tspan font-weight="600">{escape(text)}</tspan>{escape(unit)}</text>'
        )

    def text(self, x: float, y: float, text: str, colour: str, *, bold: bool = False) -> None:
        weight = ' font-weight="650"' if bold else ""
        shown = _fitting(text, self.place.width - x, self.place.text)
        self.body.append(f'<text x="{x:.1f}" y="{y:.1f}" fill="{colour}"{weight}>{escape(shown)}</text>')


def _behind_bar(data: pd.DataFrame, column: str) -> float:
    """Room behind the longest bar of a column for its value in bold, with word and unit."""
    word, unit, _ = _BARS[column]
    digits = max((len(str(text)) for text in data[f"{column}_text"]), default=0)
    return _width(f"{word} {unit}", _TEXT_PX) + _BOLD / _CHARACTER * _width("0" * digits, _TEXT_PX) + 10


def _width(text: str, size: float) -> float:
    return _CHARACTER * size * len(text)


def _fitting(text: str, width: float, size: float) -> str:
    """The text, cut with an ellipsis where it is wider than ``width``."""
    most = int(width / (_CHARACTER * size))
    return text if len(text) <= most else f"{text[: max(1, most - 1)]}…"
