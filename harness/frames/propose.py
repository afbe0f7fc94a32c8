"""Proposes a column mapping from the numbers in a file, with the evidence for it.

Headings decide nothing. A column that never falls is a time; a positive column whose values are the steps
of that time is the interval; which step it matches tells whether the time is the frame's end or its start;
the size of a step tells the unit, and the ratio of the two columns a tick frequency.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.errors import FrameLogError
from harness.frames.bigrun import summarise_log
from harness.frames.mapping import ColumnMapping
from harness.frames.sample import Sample, SampledColumn, take_sample
from harness.frames.series import (
    MATCH,
    Pair,
    best_pair,
    is_positive,
    name_of,
    reference_to,
    rises,
    selected,
    splitters,
    steps_of,
)

#: Frame times that are taken for plausible, s: 5 to 2000 frames a second. The units' ranges do not overlap.
_SHORTEST_S, _LONGEST_S = 0.0005, 0.2
_UNITS = {"s": 1.0, "ms": 1e3, "us": 1e6, "ns": 1e9}
_TRY_OUT_BYTES = 256 << 20


_MAYBE_TICKS = "if the columns count ticks rather than a decimal unit, set unit = 'ticks' and ticks_per_s"


@dataclass
class _Findings:
    """What has been found so far."""

    mapping: dict[str, Any] = field(default_factory=dict)
    evidence: list[str] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)


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
    found = _Findings(evidence=[f"{sample.rows} rows looked at; {'; '.join(sample.layout)}"])
    numeric = [column for column in sample.columns if column.numeric_share >= 0.98]
    rows = _tangled(sample, numeric, found)
    numeric = [selected(column, rows) for column in numeric]
    times = [column for column in numeric if _is_time(column, found)]
    intervals = [column for column in numeric if column not in times and is_positive(column)]
    pair = best_pair(times, intervals)
    if pair is None and rows is None:
        rows = _interleaved(sample, times, intervals, found)
        times = [selected(column, rows) for column in times]
        intervals = [selected(column, rows) for column in intervals]
        pair = best_pair(times, intervals)
    if pair is not None:
        _adopt_pair(pair, found)
    elif not (_adopt_time(times, found) or _adopt_interval(intervals, found)):
        found.doubts.append("no column looks like a time or a frame interval; map one by hand if you know it")
        return Proposal(path, {}, tuple(found.evidence), tuple(found.doubts), {})
    _hint_at_flags(sample, found)
    found.mapping |= sample.options
    result = _try_out(path, found)
    return Proposal(path, found.mapping, tuple(found.evidence), tuple(found.doubts), result)


def _is_time(column: SampledColumn, found: _Findings) -> bool:
    steps = steps_of(column)
    if not rises(steps):
        return False
    if float(steps.max()) == float(steps.min()) == 1.0:
        found.evidence.append(f"{name_of(column)} counts up by one: a frame number, no time")
        return False
    found.evidence.append(
        f"{name_of(column)} never falls and takes steps of {np.median(steps):.6g} (median): a time"
    )
    return True


def _adopt_pair(pair: Pair, found: _Findings) -> None:
    step = "from the row before to its own" if pair.ends else "from its own row to the next"
    found.evidence.append(
        f"{name_of(pair.interval)} is the step of {name_of(pair.time)} {step} (median disagreement "
        f"{100 * pair.error:.2g} %): the frame interval"
    )
    mean = float(np.nanmean(pair.interval.numbers))
    unit = _unit_of(mean, found) or "ms"
    per_s = pair.ratio * _UNITS[unit]
    time_unit = next((u for u, n in _UNITS.items() if abs(per_s / n - 1) < MATCH), None)
    found.evidence.append(f"with the interval in {unit}, the time advances by {per_s:.6g} a second")
    found.mapping |= {
        "interval_column": reference_to(pair.interval),
        "presentation_time_column" if pair.ends else "start_time_column": reference_to(pair.time),
        "unit": unit,
    }
    if time_unit is None:
        found.mapping |= {"time_unit": "ticks", "ticks_per_s": _round_frequency(per_s)}
        found.evidence.append("that is no decimal unit: ticks")
    elif time_unit != unit:
        found.mapping["time_unit"] = time_unit
    elif unit in ("us", "ns"):
        found.doubts.append(_MAYBE_TICKS)


def _adopt_time(times: list[SampledColumn], found: _Findings) -> bool:
    """A time without an interval: the first whose steps have the size of frames."""
    for time in times:
        mean = float(np.nanmean(np.diff(time.numbers)))
        if not _plausible_units(mean):
            continue
        unit = _unit_of(mean, found)
        found.mapping |= {"presentation_time_column": reference_to(time), "unit": unit}
        found.doubts.append(
            "nothing tells whether the time is the frame's end or its start; frame times come out the same"
        )
        if unit in ("us", "ns"):
            found.doubts.append(_MAYBE_TICKS)
        return True
    return False


def _adopt_interval(intervals: list[SampledColumn], found: _Findings) -> bool:
    """An interval without a time: the longest that has the size of frames."""
    seconds = {}
    for column in intervals:
        mean = float(np.nanmean(column.numbers))
        for plausible_unit in _plausible_units(mean):
            seconds[column.place] = mean / _UNITS[plausible_unit]
    plausible = [column for column in intervals if column.place in seconds]
    if not plausible:
        return False
    column = max(plausible, key=lambda column: seconds[column.place])
    mean = float(np.nanmean(column.numbers))
    found.evidence.append(f"{name_of(column)} is positive with a mean of {mean:.4g}: an interval")
    unit = _unit_of(mean, found)
    found.mapping |= {"interval_column": reference_to(column), "unit": unit}
    others = [name_of(other) for other in plausible if other is not column]
    if others:
        found.doubts.append(
            f"{', '.join(others)} could be intervals as well; without a time column nothing checks that the "
            f"longest, {name_of(column)}, is the whole frame's"
        )
    if unit in ("us", "ns"):
        found.doubts.append(_MAYBE_TICKS)
    return True


def _plausible_units(step: float) -> list[str]:
    return [unit for unit, n in _UNITS.items() if _SHORTEST_S <= step / n <= _LONGEST_S]


def _unit_of(step: float, found: _Findings) -> str | None:
    """The one unit in which a step has the size of a frame; with its evidence or doubt."""
    units = _plausible_units(step)
    if not units:
        found.doubts.append(f"a mean step of {step:.4g} is no usual frame time in any unit; check the unit")
        return None
    found.evidence.append(f"a mean step of {step:.4g} is 5 to 2000 frames a second in {units[0]} only")
    return units[0]


def _round_frequency(per_s: float) -> float:
    """Tick rates are round numbers; four digits are kept."""
    digits = 10 ** max(0, len(str(int(per_s))) - 4)
    return float(round(per_s / digits) * digits)


def _tangled(sample: Sample, numeric: list[SampledColumn], found: _Findings) -> NDArray[np.bool_] | None:
    """Rows of the busiest process, where a column's values split the log into series that each rise."""
    for splitter, masks in splitters(sample):
        for column in numeric:
            if column.place == splitter.place or rises(steps_of(column)):
                continue
            if all(rises(steps_of(selected(column, mask))) for mask in masks.values()):
                found.evidence.append(
                    f"{name_of(column)} jumps to and fro, but rises for each value of {name_of(splitter)}: "
                    "several processes in one log"
                )
                return _choose_process(splitter, masks, found)
    return None


def _interleaved(
    sample: Sample, times: list[SampledColumn], intervals: list[SampledColumn], found: _Findings
) -> NDArray[np.bool_] | None:
    """Rows of the busiest process, where time and interval agree only within each value of a column."""
    for splitter, masks in splitters(sample):
        if all(
            best_pair([selected(c, mask) for c in times], [selected(c, mask) for c in intervals]) is not None
            for mask in masks.values()
        ):
            found.evidence.append(
                f"interval and time agree only among rows with one value of {name_of(splitter)}: several "
                "processes in one log, in order of time"
            )
            return _choose_process(splitter, masks, found)
    return None


def _choose_process(
    splitter: SampledColumn, masks: dict[str, NDArray[np.bool_]], found: _Findings
) -> NDArray[np.bool_]:
    counts = {value: int(np.count_nonzero(mask)) for value, mask in masks.items()}
    chosen = max(counts, key=lambda value: counts[value])
    found.mapping |= {"filter_column": reference_to(splitter), "filter_value": chosen}
    listed = ", ".join(f"{value!r} ({count} rows)" for value, count in counts.items())
    found.evidence.append(f"values of {name_of(splitter)}: {listed}")
    found.doubts.append(
        f"filter_value is the one with the most rows, {chosen!r}; set it to the process that you mean"
    )
    return masks[chosen]


def _hint_at_flags(sample: Sample, found: _Findings) -> None:
    for column in sample.columns:
        values = sorted(set(column.words))
        if len(values) == 2 and reference_to(column) not in found.mapping.values():
            rare = min(values, key=column.words.count)
            found.doubts.append(
                f"{name_of(column)} has the two values {values[0]!r} and {values[1]!r} ({rare!r} in "
                f"{column.words.count(rare)} rows); if that marks frames never shown or interpolated, set "
                "dropped_column or generated_column and its values"
            )


def _try_out(path: Path, found: _Findings) -> dict[str, Any]:
    if path.stat().st_size > _TRY_OUT_BYTES:
        return {}
    try:
        summary = summarise_log(path, ColumnMapping.model_validate(found.mapping))
    except FrameLogError as error:
        found.doubts.append(f"the whole file is not readable so: {error}")
        return {}
    figures = summary.metrics
    if not figures["frame_count"]:
        found.doubts.append("no frame comes out of the whole file")
        return {}
    return {
        "rows_read": summary.rows_read,
        "rows_dropped": summary.dropped | summary.left_out,
        "frame_count": figures["frame_count"],
        "average_fps": round(float(figures["average_fps"] or 0), 2),
        "frametime_p99_ms": round(float(figures["frametime_p99_ms"] or 0), 3),
        "longest_frame_ms": round(float(figures["longest_frame_ms"] or 0), 3),
    }


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"').replace("\t", "\\t")
        return f'"{escaped}"'
    if isinstance(value, list):
        return f"[{', '.join(_toml(item) for item in value)}]"
    return repr(value)
