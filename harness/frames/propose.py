"""Proposes a column mapping from the numbers in a file, with the evidence for it.

Headings decide nothing. A column that never falls is a time; a positive column whose values are the steps
of that time is the interval; which step it matches tells whether the time is the frame's end or its start;
the size of a step tells the unit, and the ratio of the two columns a tick frequency.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.errors import FrameLogError
from harness.frames.bigrun import summarise_log
from harness.frames.mapping import ColumnMapping
from harness.frames.sample import Sample, SampledColumn, take_sample

#: Frame times that are taken for plausible, s: 5 to 2000 frames a second. The units' ranges do not overlap.
_SHORTEST_S, _LONGEST_S = 0.0005, 0.2
_UNITS = {"s": 1.0, "ms": 1e3, "us": 1e6, "ns": 1e9}
_TRY_OUT_BYTES = 256 << 20
_MATCH = 0.02


@dataclass(frozen=True)
class Proposal:
    """A mapping and why.

    Attributes:
        mapping: Keys of the ``frame_log`` table; empty where none could be found.
        evidence: What the numbers showed, a sentence each.
        doubts: What the numbers could not decide, a sentence each.
        result: Key figures with this mapping; empty where it was not tried.
    """

    path: Path
    mapping: dict[str, Any]
    evidence: tuple[str, ...]
    doubts: tuple[str, ...]
    result: dict[str, Any]

    def as_dict(self) -> dict[str, Any]:
        """For ``--json``."""
        return {
            "path": str(self.path),
            "mapping": self.mapping,
            "evidence": list(self.evidence),
            "doubts": list(self.doubts),
            "result": self.result,
        }

    def as_text(self) -> str:
        """For a person: evidence, doubts, the figures, the plan's table."""
        lines = [f"{self.path}", "", "What the numbers show:", *(f"  {line}" for line in self.evidence)]
        if self.doubts:
            lines += ["", "What they can't decide:", *(f"  {line}" for line in self.doubts)]
        if self.result:
            lines += [
                "",
                "With this mapping:",
                *(f"  {name}: {value}" for name, value in self.result.items()),
            ]
        if self.mapping:
            lines += ["", "For the title in the plan:", "", self.as_toml()]
        return "\n".join(lines)

    def as_toml(self) -> str:
        """The table for a title in a plan."""
        lines = ["[titles.frame_log]", f"path = {_toml(self.path.name)}"]
        return "\n".join(lines + [f"{key} = {_toml(value)}" for key, value in self.mapping.items()])


def propose_mapping(path: Path) -> Proposal:
    """Look at a frame log and propose how to read it.

    Raises:
        FrameLogError: The file can't be read as a table at all.
    """
    sample = take_sample(path)
    if sample.rows < 3:
        raise FrameLogError(
            f"{path}: {sample.rows} rows are too few to tell columns apart; give a longer log"
        )
    evidence = [f"{sample.rows} rows looked at; {'; '.join(sample.layout)}"]
    doubts: list[str] = []
    mapping: dict[str, Any] = {}
    numeric = [c for c in sample.columns if c.numeric_share >= 0.98]
    rows = _rows_of_one_process(sample, numeric, mapping, evidence, doubts)
    numeric = [_selected(column, rows) for column in numeric]
    times = [column for column in numeric if _is_time(column, evidence)]
    intervals = [c for c in numeric if c not in times and _is_positive(c)]
    found = _best_pair(times, intervals)
    if found is None and rows is None:
        mask = _interleaved(sample, times, intervals, mapping, evidence, doubts)
        if mask is not None:
            times = [_selected(column, mask) for column in times]
            intervals = [_selected(column, mask) for column in intervals]
            found = _best_pair(times, intervals)
    if found is not None:
        _adopt_pair(found, mapping, evidence)
    elif not _adopt_single(times, intervals, mapping, evidence, doubts):
        doubts.append("no column looks like a time or a frame interval; map one by hand if you know it")
        return Proposal(path, {}, tuple(evidence), tuple(doubts), {})
    taken = {mapping.get(key) for key in mapping}
    doubts += _flag_hints(sample, taken)
    mapping |= sample.options
    if found is None:
        doubts += _other_units(mapping)
    result = _try_out(path, mapping, doubts)
    return Proposal(path, mapping, tuple(evidence), tuple(doubts), result)


@dataclass(frozen=True)
class _Pair:
    """A time and an interval that agree.

    Attributes:
        ratio: Units of the time in one unit of the interval.
        ends: True where the interval is the step up to the row's time, false where it is the step after.
        error: Median relative disagreement.
    """

    time: SampledColumn
    interval: SampledColumn
    ratio: float
    ends: bool
    error: float


def _selected(column: SampledColumn, rows: NDArray[np.bool_] | None) -> SampledColumn:
    if rows is None:
        return column
    return SampledColumn(column.name, column.place, column.numbers[rows], column.origin, column.words)


def _steps(column: SampledColumn) -> NDArray[np.float64]:
    return np.diff(column.numbers[np.isfinite(column.numbers)])


def _rises(steps: NDArray[np.float64]) -> bool:
    return len(steps) > 1 and bool((steps >= 0).all()) and float(np.mean(steps > 0)) >= 0.9


def _is_time(column: SampledColumn, evidence: list[str]) -> bool:
    steps = _steps(column)
    if not _rises(steps):
        return False
    if float(steps.max()) == float(steps.min()) == 1.0:
        evidence.append(f"{_name(column)} counts up by one: a frame number, no time")
        return False
    evidence.append(f"{_name(column)} never falls and takes steps of {np.median(steps):.6g} (median): a time")
    return True


def _is_positive(column: SampledColumn) -> bool:
    values = column.numbers[np.isfinite(column.numbers)]
    return (
        len(values) > 2 and float(np.mean(values > 0)) >= 0.98 and float(values.max()) > float(values.min())
    )


def _best_pair(times: list[SampledColumn], intervals: list[SampledColumn]) -> _Pair | None:
    pairs = []
    for time in times:
        steps = np.diff(time.numbers)
        for interval in intervals:
            for ends in (True, False):
                values = interval.numbers[1:] if ends else interval.numbers[:-1]
                usable = np.isfinite(steps) & np.isfinite(values) & (steps > 0) & (values > 0)
                if np.count_nonzero(usable) < 3:
                    continue
                ratio = float(np.sum(steps[usable]) / np.sum(values[usable]))
                errors = np.abs(values[usable] * ratio / steps[usable] - 1)
                error = float(np.median(errors))
                if error <= _MATCH and _varies_with(values[usable], steps[usable]):
                    pairs.append(_Pair(time, interval, ratio, ends, error))
    return (
        min(pairs, key=lambda pair: (round(pair.error, 3), not _plain_ratio(pair.ratio))) if pairs else None
    )


def _varies_with(values: NDArray[np.float64], steps: NDArray[np.float64]) -> bool:
    """The interval must follow the steps, not merely have their size; a steady series can't show it."""
    if values.std() < 1e-3 * values.mean() or steps.std() < 1e-3 * steps.mean():
        return True
    return float(np.corrcoef(values, steps)[0, 1]) > 0.9


def _plain_ratio(ratio: float) -> bool:
    return any(abs(ratio / 1000.0**k - 1) < _MATCH for k in range(-3, 4))


def _adopt_pair(pair: _Pair, mapping: dict[str, Any], evidence: list[str]) -> None:
    step = "from the row before to its own" if pair.ends else "from its own row to the next"
    evidence.append(
        f"{_name(pair.interval)} is the step of {_name(pair.time)} {step} (median disagreement "
        f"{100 * pair.error:.2g} %): the frame interval"
    )
    unit = _unit_of(float(np.nanmean(pair.interval.numbers)))
    time_step = float(np.nanmean(np.diff(pair.time.numbers)))
    key = "presentation_time_column" if pair.ends else "start_time_column"
    mapping["interval_column"] = _reference(pair.interval)
    mapping[key] = _reference(pair.time)
    if unit is None:
        unit = "ms"
    mapping["unit"] = unit
    per_s = pair.ratio * _UNITS[unit]
    time_unit = next((u for u, n in _UNITS.items() if abs(per_s / n - 1) < _MATCH), None)
    evidence.append(
        f"an interval of {np.nanmean(pair.interval.numbers):.4g} on average is plausible in {unit} only; "
        f"the time advances {per_s:.6g} a second"
    )
    if time_unit is None:
        mapping |= {"time_unit": "ticks", "ticks_per_s": _round_frequency(per_s)}
        evidence.append(f"that is no decimal unit: ticks, steps of {time_step:.6g}")
    elif time_unit != unit:
        mapping["time_unit"] = time_unit


def _adopt_single(
    times: list[SampledColumn],
    intervals: list[SampledColumn],
    mapping: dict[str, Any],
    evidence: list[str],
    doubts: list[str],
) -> bool:
    """A time without an interval, or an interval without a time."""
    for time in times:
        unit = _unit_of(float(np.nanmean(np.diff(time.numbers))))
        if unit is None:
            continue
        mapping |= {"presentation_time_column": _reference(time), "unit": unit}
        evidence.append(f"the mean step of {_name(time)} is plausible in {unit} only")
        doubts.append(
            "nothing tells whether the time is the frame's end or its start; frame times come out the same"
        )
        return True
    plausible = [(c, u) for c in intervals if (u := _unit_of(float(np.nanmean(c.numbers)))) is not None]
    if not plausible:
        return False
    column, unit = max(plausible, key=lambda pair: float(np.nanmean(pair[0].numbers)) / _UNITS[pair[1]])
    mapping |= {"interval_column": _reference(column), "unit": unit}
    evidence.append(
        f"{_name(column)} is positive with a mean of {np.nanmean(column.numbers):.4g}: an interval in {unit}"
    )
    others = [_name(c) for c, _ in plausible if c is not column]
    if others:
        doubts.append(
            f"{', '.join(others)} could be intervals as well; without a time column nothing checks that the "
            f"longest, {_name(column)}, is the whole frame's"
        )
    return True


def _unit_of(step: float) -> str | None:
    return next((u for u, n in _UNITS.items() if _SHORTEST_S <= step / n <= _LONGEST_S), None)


def _round_frequency(per_s: float) -> float:
    """Tick rates are round numbers; keep four digits unless a rounder number is as close."""
    digits = 10 ** (len(str(int(per_s))) - 4)
    return float(round(per_s / digits) * digits) if per_s > 1e4 else per_s


def _rows_of_one_process(
    sample: Sample,
    numeric: list[SampledColumn],
    mapping: dict[str, Any],
    evidence: list[str],
    doubts: list[str],
) -> NDArray[np.bool_] | None:
    """Rows of the busiest process, where a column's values split the log into series that each rise."""
    tangled = [c for c in numeric if not _rises(_steps(c))]
    for splitter, masks in _splitters(sample):
        for column in tangled:
            if column.place == splitter.place:
                continue
            if all(_rises(_steps(_selected(column, mask))) for mask in masks.values()):
                evidence.append(
                    f"{_name(column)} jumps to and fro, but rises for each value of {_name(splitter)}: "
                    "several processes in one log"
                )
                return _choose_process(splitter, masks, mapping, evidence, doubts)
    return None


def _interleaved(
    sample: Sample,
    times: list[SampledColumn],
    intervals: list[SampledColumn],
    mapping: dict[str, Any],
    evidence: list[str],
    doubts: list[str],
) -> NDArray[np.bool_] | None:
    """Rows of the busiest process, where time and interval agree only within each value of a column."""
    for splitter, masks in _splitters(sample):
        pairs = [
            _best_pair([_selected(c, mask) for c in times], [_selected(c, mask) for c in intervals])
            for mask in masks.values()
        ]
        if all(pair is not None for pair in pairs):
            evidence.append(
                f"interval and time agree only among rows with one value of {_name(splitter)}: several "
                "processes in one log, in order of time"
            )
            return _choose_process(splitter, masks, mapping, evidence, doubts)
    return None


def _splitters(sample: Sample) -> Iterator[tuple[SampledColumn, dict[str, NDArray[np.bool_]]]]:
    """Columns of 2 to 20 values, with the rows of each value that occurs three times or more."""
    for column in sample.columns:
        words = np.array(column.words)
        values, counts = np.unique(words, return_counts=True)
        masks = {str(v): words == v for v, n in zip(values, counts, strict=True) if n > 2}
        if 2 <= len(values) <= 20 and len(masks) > 1:
            yield column, masks


def _choose_process(
    splitter: SampledColumn,
    masks: dict[str, NDArray[np.bool_]],
    mapping: dict[str, Any],
    evidence: list[str],
    doubts: list[str],
) -> NDArray[np.bool_]:
    counts = {value: int(np.count_nonzero(mask)) for value, mask in masks.items()}
    chosen = max(counts, key=lambda value: counts[value])
    mapping |= {"filter_column": _reference(splitter), "filter_value": chosen}
    listed = ", ".join(f"{value!r} ({count} rows)" for value, count in counts.items())
    evidence.append(f"values of {_name(splitter)}: {listed}")
    doubts.append(
        f"filter_value is the one with the most rows, {chosen!r}; set it to the process that you mean"
    )
    return masks[chosen]


def _flag_hints(sample: Sample, taken: set[Any]) -> list[str]:
    hints = []
    for column in sample.columns:
        values = sorted(set(column.words))
        if len(values) == 2 and _reference(column) not in taken:
            rare = min(values, key=column.words.count)
            hints.append(
                f"{_name(column)} has the two values {values[0]!r} and {values[1]!r} ({rare!r} in "
                f"{column.words.count(rare)} rows); if that marks frames never shown or interpolated, set "
                "dropped_column or generated_column and its values"
            )
    return hints


def _other_units(mapping: dict[str, Any]) -> list[str]:
    if mapping.get("unit") not in ("us", "ns"):
        return []
    return ["if the column counts ticks rather than a decimal unit, set unit = 'ticks' and ticks_per_s"]


def _try_out(path: Path, mapping: dict[str, Any], doubts: list[str]) -> dict[str, Any]:
    if path.stat().st_size > _TRY_OUT_BYTES:
        return {}
    try:
        summary = summarise_log(path, ColumnMapping.model_validate(mapping))
    except FrameLogError as error:
        doubts.append(f"the whole file is not readable so: {error}")
        return {}
    figures = summary.metrics
    if not figures["frame_count"]:
        doubts.append("no frame comes out of the whole file")
        return {}
    return {
        "rows_read": summary.rows_read,
        "rows_dropped": dict(summary.dropped),
        "frame_count": figures["frame_count"],
        "average_fps": round(float(figures["average_fps"] or 0), 2),
        "frametime_p99_ms": round(float(figures["frametime_p99_ms"] or 0), 3),
        "longest_frame_ms": round(float(figures["longest_frame_ms"] or 0), 3),
    }


def _name(column: SampledColumn) -> str:
    return f"column {column.name!r}" if column.name else f"column #{column.place}"


def _reference(column: SampledColumn) -> str:
    return column.name or f"#{column.place}"


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"').replace("\t", "\\t")
        return f'"{escaped}"'
    if isinstance(value, list):
        return f"[{', '.join(_toml(item) for item in value)}]"
    return repr(value)
