"""Every number of the page by its name, with the repeats that it rests on. Pure.

Names: ``overall/PROFILE/METRIC``, ``like-these/PROFILE/METRIC``, ``level/PROFILE/METRIC/END``
(``before`` or ``after``), ``change/CELL/METRIC``,
``cell/CELL/METRIC``, ``efficiency/PROFILE/COLUMN``, ``scatter/PLACE/METRIC/PART``,
``instrument/CELL/METRIC/PART`` and ``conditions/PROFILE/COLUMN``, where CELL is ``title.setting.profile`` and
PLACE ``title.setting``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final

import pandas as pd

from harness.analysis import Analysis, words
from harness.analysis.efficiency import axes_of
from harness.metrics import METRICS
from harness.numerals import shown_unit
from harness.report.elements import between, change_decimals, decimals_for, number, records, signed
from harness.report.folder import Campaign
from harness.report.mean_levels import BeforeAfter, before_after, level_decimals
from harness.stages import STAGES

NUMBERS_NAME: Final = "numbers.json"
#: Name of the sentence at the head of the page.
ANSWER: Final = "answer"
#: Columns of the efficiency table that are shown as numbers: the metric that each is of, and what it is.
EFFICIENCY: Final = {
    "speed_ratio": ("speed_metric", "geometric mean over the titles that all profiles have, of the ratio"),
    "mean_power_w": ("power_metric", "arithmetic mean over the titles that all profiles have"),
    "energy_per_frame_ratio": ("energy_per_frame_j", "geometric mean over common titles of the ratio"),
    "temperature_difference_k": ("temperature_metric", "mean over common titles of the difference"),
    "sound_difference_db": ("mean_sound_level_dba", "mean over common titles of the difference"),
    "cost_per_hour": ("power_metric", "price of one hour at the mean power that is paid"),
}
SCATTER: Final = ("within_repeat", "between_repeats", "between_campaigns")
INSTRUMENT: Final = ("value", "u_scatter", "u_instrument", "expanded")
#: Columns of the table of conditions with their units; each stage adds the length of its wait.
CONDITIONS: Final = {
    "start_temp_c": "°C",
    "start_ambient_temp_c": "°C",
    "mean_foreign_cpu_load_pct": "%",
}
Repeats = dict[str, list[str]]
#: Value, low, high and unit -> how a page shows the value and its ends; the latter only where it has any.
Shown = Callable[[float, float, float, str], list[str]]


def numbers_of(campaign: Campaign, analysis: Analysis, version: str) -> dict[str, Any]:
    """Every number of the report's tables with what it rests on, as JSON values."""
    numbers: dict[str, Any] = {}
    used = Used(campaign.counted)
    reference, confidence = analysis.settings.reference, analysis.settings.confidence_pct
    for row in records(analysis.cells):
        numbers[f"cell/{row['cell_id']}/{row['metric']}"] = _number(
            f"mean {row['label']} over accepted repeats",
            (row["mean"], row["low"], row["high"]), row["unit"], row["metric"],
            used.of_cells([row["cell_id"]], row["metric"]), words.interval_name(confidence),
        )  # fmt: skip
    rests: dict[tuple[str, str], Repeats] = {}
    for row in records(analysis.comparisons):
        place = f"{row['title']}.{row['setting']}"
        cells = (f"{place}.{row['profile']}", f"{place}.{reference}")
        repeats = used.of_change(*cells, row["metric"], paired=bool(row["paired"]))
        rests.setdefault((row["profile"], row["metric"]), {}).update(repeats)
        numbers[f"change/{place}.{row['profile']}/{row['metric']}"] = _number(
            f"{row['scale']} of {row['label']}, {row['profile']} against {reference}: "
            f"{_verdict(row['decision'])}",
            (row["estimate"], row["low"], row["high"]), row["unit"], row["metric"], repeats,
            words.interval_name(confidence, row["claimed_together"]), _change_shown(row),
        )  # fmt: skip
    for row in records(analysis.overall):
        mean = "geometric mean over titles of the ratio"
        if row["scale"] != "ratio":
            mean = "mean over titles of the difference"
        what = f"{mean} of {row['label']}, {row['profile']} against {reference}"
        ends = words.interval_name(confidence, row["claimed_together"])
        place, repeats = f"{row['profile']}/{row['metric']}", rests[row["profile"], row["metric"]]
        numbers[f"overall/{place}"] = _number(
            f"{what}: {_verdict(row['decision'])}",
            (row["estimate"], row["low"], row["high"]), row["unit"], row["metric"], repeats, ends,
            _change_shown(row),
        )  # fmt: skip
        if pd.notna(row["like_these_low"]):
            numbers[f"like-these/{place}"] = _number(
                f"{what}, with the interval for similar titles: {_verdict(row['like_these_decision'])}",
                (row["estimate"], row["like_these_low"], row["like_these_high"]),
                row["unit"], row["metric"], repeats, ends, _change_shown(row),
            )  # fmt: skip
    numbers |= _levels(analysis, used)
    numbers |= _beside(campaign, analysis, used)
    return {
        "campaign_id": campaign.campaign_id,
        "plan_sha256": campaign.plan_sha256,
        "levelrig": version,
        "confidence_pct": analysis.settings.confidence_pct,
        ANSWER: {"text": analysis.answer, "numbers": list(_of_answer(analysis))},
        "cells": _cells(campaign),
        "numbers": numbers,
    }


def _verdict(decision: str) -> str:
    return "described, without a verdict" if decision == "descriptive" else decision


def _levels(analysis: Analysis, used: Used) -> dict[str, Any]:
    """What stands before and after each change over titles."""
    found: dict[str, Any] = {}
    scales = {(r["profile"], r["metric"]): r for r in records(analysis.overall)}
    for (profile, metric), levels in before_after(analysis).items():
        row = scales[profile, metric]
        mean = "geometric mean" if row["scale"] == "ratio" else "arithmetic mean"
        for end, value, cells, side in (
            ("before", levels.before, levels.cells[0], analysis.settings.reference),
            ("after", levels.after, levels.cells[1], profile),
        ):
            found[f"level/{profile}/{metric}/{end}"] = _number(
                f"{mean} over the titles compared of {row['label']}, {side}",
                (value,), levels.unit, metric, used.of_cells(cells, metric),
                shown=_beside_each_other(levels, row),
            )  # fmt: skip
    return found


def _beside(campaign: Campaign, analysis: Analysis, used: Used) -> dict[str, Any]:
    """The numbers of the tables beside the results: efficiency, scatter, instruments, conditions."""
    found: dict[str, Any] = {}
    currency = analysis.settings.cost.currency if analysis.settings.cost is not None else ""
    units = {"mean_power_w": "W", "temperature_difference_k": "K", "sound_difference_db": "dB"}
    ranked = sorted(used.of_all_profiles(analysis))
    reference = analysis.settings.reference
    pairs = {
        (f"{r['title']}.{r['setting']}.{r['profile']}", r["metric"]): bool(r["paired"])
        for r in records(analysis.comparisons)
    }
    for row in records(analysis.efficiency):
        for column, (of, what) in EFFICIENCY.items():
            metric = row.get(of, of)
            if pd.notna(row[column]) and metric is not None:
                rests: Repeats = {}
                for place in ranked:
                    cell, beside = f"{place}.{row['profile']}", f"{place}.{reference}"
                    if column in ("mean_power_w", "cost_per_hour") or cell == beside:
                        rests |= used.of_cells([cell], str(metric))
                    else:
                        paired = pairs.get((cell, str(metric)), False)
                        rests |= used.of_change(cell, beside, str(metric), paired=paired)
                found[f"efficiency/{row['profile']}/{column}"] = _number(
                    what, (row[column],), units.get(column, currency if column == "cost_per_hour" else ""),
                    str(metric), rests, shown=as_share if column.endswith("_ratio") else None,
                )  # fmt: skip
    for row in records(analysis.variance):
        place = f"{row['title']}.{row['setting']}"
        for part in SCATTER:
            if pd.notna(row[f"{part}_pct"]):
                found[f"scatter/{place}/{row['metric']}/{part}"] = _number(
                    f"scatter of {row['label']} {part.replace('_', ' ')}", (row[f"{part}_pct"],), "%",
                    row["metric"], used.of_place(place, row["metric"]),
                )  # fmt: skip
    for row in records(analysis.instruments):
        cell = f"{row['title']}.{row['setting']}.{row['profile']}"
        for part in INSTRUMENT:
            if pd.notna(row[part]):
                found[f"instrument/{cell}/{row['metric']}/{part}"] = _number(
                    f"{row['label']}: {part.replace('u_', 'standard uncertainty by ').replace('_', ' ')}",
                    (row[part],), row["unit"], row["metric"], used.of_cells([cell], row["metric"]),
                )  # fmt: skip
    for profile, rows in campaign.counted.groupby("profile", sort=False):
        stages = {f"{stage.key}_s": "s" for stage in STAGES if f"{stage.key}_s" in rows}
        for column, unit in {**CONDITIONS, **stages}.items():
            values = rows[column].dropna().astype(float)
            if len(values):
                found[f"conditions/{profile}/{column}"] = _number(
                    f"{column} of the accepted repeats: mean, smallest and largest",
                    (values.mean(), values.min(), values.max()), unit, column,
                    used.of_profiles({str(profile)}, column), "smallest to largest",
                )  # fmt: skip
    return found


def _of_answer(analysis: Analysis) -> Iterable[str]:
    """The names of the numbers that the answer tells, the headline first."""
    measured = set(zip(analysis.overall["metric"], analysis.overall["profile"], strict=True))
    metrics = {metric for metric, _ in measured}
    roles = [METRICS.standing_for(role) for role in ("speed", "low", "power", "temperature")]
    told = [next((m.name for m in found if m.name in metrics), None) for found in roles]
    for profile in dict.fromkeys(analysis.overall["profile"]):
        for metric in told:
            if metric is not None and (metric, profile) in measured:
                yield f"overall/{profile}/{metric}"


class Used:
    """Which accepted repeats a number rests on: those that carry the metric and, in pairs, have a partner."""

    def __init__(self, counted: pd.DataFrame) -> None:
        self._rows: dict[str, list[dict[str, Any]]] = {}
        for row in records(counted):
            self._rows.setdefault(str(row["cell_id"]), []).append(row)

    def of_cells(self, cells: Iterable[str], metric: str) -> Repeats:
        """All of these cells' repeats that carry the metric; cells without one are left out."""
        found = {cell: [name_of(row) for row in self._carrying(cell, metric)] for cell in cells}
        return {cell: names for cell, names in found.items() if names}

    def of_profiles(self, profiles: Iterable[str], metric: str) -> Repeats:
        """The same of all cells of these profiles."""
        wanted = set(profiles)
        return self.of_cells([c for c, rows in self._rows.items() if rows[0]["profile"] in wanted], metric)

    def of_all_profiles(self, analysis: Analysis) -> set[str]:
        """Titles with settings that have every ranked metric under every profile that is ranked."""
        profiles = list(analysis.efficiency["profile"])
        metrics = [metric for metric in axes_of(set(analysis.overall["metric"])) if metric is not None]
        return {
            place
            for place in {cell.rpartition(".")[0] for cell in self._rows}
            if all(self._carrying(f"{place}.{p}", metric) for p in profiles for metric in metrics)
        }

    def of_place(self, place: str, metric: str) -> Repeats:
        """The same of all profiles of one title and setting."""
        return self.of_cells([c for c in self._rows if c.rpartition(".")[0] == place], metric)

    def of_change(self, cell: str, reference: str, metric: str, *, paired: bool) -> Repeats:
        """Of a comparison of two cells: where it is paired, the repeats of shared blocks."""
        ours, theirs = self._carrying(cell, metric), self._carrying(reference, metric)
        if paired:
            shared = {row["block"] for row in ours} & {row["block"] for row in theirs}
            ours, theirs = ([row for row in rows if row["block"] in shared] for rows in (ours, theirs))
        return {cell: [name_of(row) for row in ours], reference: [name_of(row) for row in theirs]}

    def _carrying(self, cell_id: str, metric: str) -> list[dict[str, Any]]:
        found = METRICS.compared_as.get(metric)
        ratio = found is not None and found.scale == "ratio"  # a ratio can't take a value that is not above 0
        made = []
        for row in self._rows.get(cell_id, ()):
            value = value_of(row, metric)[1]
            if value is not None and (value > 0 or not ratio):
                made.append(row)
        return made


def name_of(row: Mapping[str, Any]) -> str:
    """``repeat.attempt`` of an attempt's row."""
    return f"{row['repeat_index']}.{row['attempt_index']}"


def value_of(row: Mapping[str, Any], metric: str) -> tuple[str, float | None]:
    """The column that gives a metric of a repeat, and its value there; None where it was not measured.

    A metric that is no column of its own (speed) is the first of those that can stand for it.
    """
    found = METRICS.compared_as.get(metric)
    columns = [metric]
    if found is not None and not found.in_table and found.role is not None:
        columns = [one.name for one in METRICS.standing_for(found.role) if one.in_table]
    for name in columns:
        value = _finite(row.get(name))
        if value is not None:
            return name, value
    return metric, None


def _number(
    what: str,
    value: tuple[Any, ...],
    unit: str,
    metric: str,
    repeats: Mapping[str, list[str]],
    ends: str = "",
    shown: Shown | None = None,
) -> dict[str, Any]:
    """One number; ``ends`` says what its low and high are, ``shown`` how the page shows them."""
    value, low, high = (*value, None, None)[:3]
    figures = {"value": _finite(value), "low": _finite(low), "high": _finite(high)}
    ends_shown = [math.nan if end is None else end for end in figures.values()]
    said = (shown or as_level)(ends_shown[0], ends_shown[1], ends_shown[2], unit)
    return {
        "what": what, **figures, "ends": ends, "unit": unit, "shown": said, "metric": metric,
        "repeats": dict(repeats),
    }  # fmt: skip


def as_level(value: float, low: float, high: float, unit: str) -> list[str]:
    """A level and its interval, by two digits of the interval's half width, or four of the level."""
    decimals = decimals_for(value, (high - low) / 2)
    return _with_unit(number(value, decimals), between(low, high, decimals), unit)


def _beside_each_other(levels: BeforeAfter, change: Mapping[str, Any]) -> Shown:
    """Before and after stand with as many decimals, those of their change's interval."""
    decimals = level_decimals(levels, change)
    return lambda value, low, high, unit: _with_unit(number(value, decimals), "", unit)


def as_ratio(value: float, low: float, high: float, unit: str) -> list[str]:
    """A ratio as a change in %."""
    value, low, high = (100 * (end - 1) for end in (value, low, high))
    return as_difference(value, low, high, "%")


def as_share(value: float, low: float, high: float, unit: str) -> list[str]:
    """A ratio in % of the reference."""
    return [f"{number(100 * value, 1)} % of the reference"]


def as_difference(value: float, low: float, high: float, unit: str) -> list[str]:
    """A difference with its sign."""
    decimals = change_decimals(low, high)
    return _with_unit(signed(value, decimals), between(low, high, decimals, sign=True), unit)


def _with_unit(value: str, ends: str, unit: str) -> list[str]:
    return [f"{text} {shown_unit(unit)}".rstrip() for text in (value, ends) if text]


def _change_shown(row: Mapping[str, Any]) -> Shown:
    return as_ratio if row["scale"] == "ratio" else as_difference


def _finite(value: Any) -> float | None:
    return None if value is None or pd.isna(value) or not math.isfinite(value) else float(value)


def _cells(campaign: Campaign) -> dict[str, Any]:
    """Cell -> its accepted repeats, each with all its files that the manifest lists and their hashes."""
    files: dict[str, dict[str, str]] = {}
    for path, digest in campaign.hashes.items():
        files.setdefault(path.rpartition("/")[0], {})[path] = digest
    cells: dict[str, Any] = {}
    for row in records(campaign.counted):
        folder = campaign.artifact(row, "").relative_to(campaign.folder).as_posix()
        cells.setdefault(row["cell_id"], []).append(
            {"repeat": name_of(row), "artifacts": dict(sorted(files.get(folder, {}).items()))}
        )
    return cells
