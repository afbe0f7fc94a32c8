"""Proposes a column mapping from the numbers in a file, with the evidence for it.

Headings decide nothing. All ways to read the columns are ranked (:mod:`harness.frames.readings`), in the
whole log and within the rows of each process; the best is tried on the whole file.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.errors import FrameLogError
from harness.frames.bigrun import summarise_log
from harness.frames.column_relations import counts_rows, name_of, restarts, selected, splitters, spread
from harness.frames.contest import CHECKED_POINTS, CLEAR_LEAD, Reading, Roles
from harness.frames.mapping import ColumnMapping
from harness.frames.readings import ranked
from harness.frames.sample import LogSample, SampledColumn, take_sample
from harness.numerals import counted, times
from harness.plan.toml_text import toml_value

_TRY_OUT_BYTES = 256 << 20


@dataclass
class _Findings:
    """What has been found so far."""

    mapping: dict[str, Any] = field(default_factory=dict)
    evidence: list[str] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)
    runner_up: str = ""


@dataclass(frozen=True)
class Proposal:
    """A mapping and why.

    Attributes:
        mapping: Keys of the ``frame_log`` table; empty where none could be found.
        evidence: What the numbers showed, a sentence each.
        doubts: What the numbers could not decide, a sentence each.
        runner_up: The next best reading that gives other frame times and why it lost; empty for none.
        result: Key figures with this mapping; empty where it was not tried.
    """

    path: Path
    mapping: dict[str, Any]
    evidence: tuple[str, ...]
    doubts: tuple[str, ...]
    result: dict[str, Any]
    runner_up: str = ""

    def as_dict(self) -> dict[str, Any]:
        """For ``--json``."""
        return {
            "path": str(self.path),
            "mapping": self.mapping,
            "evidence": list(self.evidence),
            "doubts": list(self.doubts),
            "runner_up": self.runner_up,
            "result": self.result,
        }

    def as_text(self) -> str:
        """For a person: evidence, the runner-up, doubts, the figures, the plan's table."""
        lines = [f"{self.path}", "", "What the numbers show:", *(f"  {line}" for line in self.evidence)]
        if self.runner_up:
            lines += ["", "The next best reading:", f"  {self.runner_up}"]
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
        lines = ["[titles.frame_log]", f"path = {toml_value(self.path.name)}"]
        return "\n".join(lines + [f"{key} = {toml_value(value)}" for key, value in self.mapping.items()])


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
    numeric = [column for column in sample.columns if column.numeric_share >= 0.8]
    readings, roles = ranked(numeric)
    split = _processes(sample, numeric, readings, found)
    if split is not None:
        readings, roles = split
    found.evidence += roles.said
    if not readings:
        found.doubts.append("no column looks like a time or a frame interval; map one by hand if you know it")
        return Proposal(path, {}, tuple(found.evidence), tuple(found.doubts), {})
    _adopt(readings, found)
    _hint_at_flags(sample, found)
    found.mapping |= sample.options
    result = _try_out(path, found)
    return Proposal(path, found.mapping, tuple(found.evidence), tuple(found.doubts), result, found.runner_up)


def _adopt(readings: list[Reading], found: _Findings) -> None:
    best = readings[0]
    found.mapping |= best.mapping
    found.evidence += best.said_for
    found.doubts += [*best.doubts, *best.said_against]
    fps = 1 / best.frametime_s
    found.evidence.append(f"read so, the log has {fps:.4g} frames a second on average")
    next_best = next((other for other in readings[1:] if not other.gives_the_same(best)), None)
    if next_best is not None:
        against = next_best.said_against or ["there is less evidence for it"]
        found.runner_up = f"{next_best.title()}; it lost because: {'; '.join(against)}"
        if best.points - next_best.points < CLEAR_LEAD:
            found.doubts.append(
                f"{next_best.title()} is nearly as likely; compare both frame rates with what you saw"
            )
    again = None if best.clock is None else restarts(best.clock)
    if again is not None and len(again):
        found.mapping["when_time_goes_back"] = "last-run"
        rows = ", ".join(str(int(row) + 1) for row in again[:5])
        found.doubts.append(
            f"the time starts again {times(len(again))} (data row {rows}): several runs in one log, of which "
            "the last is used; set when_time_goes_back = 'first-run' for the first"
        )


def _processes(
    sample: LogSample, numeric: list[SampledColumn], unsplit: list[Reading], found: _Findings
) -> tuple[list[Reading], Roles] | None:
    """Readings within the rows of the busiest process, where a column's values part the log into series."""
    if unsplit and unsplit[0].clock and unsplit[0].interval and unsplit[0].points > CHECKED_POINTS:
        return None
    numeric = [column for column in numeric if not counts_rows(column)]
    for splitter, masks in splitters(sample):
        within = {}
        for value, mask in masks.items():
            rest = [selected(column, mask) for column in numeric if column.place != splitter.place]
            within[value] = ranked(rest)
        why = _better_within([readings for readings, _ in within.values()], unsplit)
        if why:
            found.evidence.append(
                f"{why} only among rows with one value of {name_of(splitter)}: several processes in one log"
            )
            return within[_choose_process(splitter, masks, found)]
    return None


def _better_within(within: list[list[Reading]], unsplit: list[Reading]) -> str:
    """What is in order within each process and not in the whole log; empty for nothing."""
    if not all(within):
        return ""
    best = [readings[0] for readings in within]
    one = best[0]
    if any(reading.clock is None or reading.mapping != one.mapping for reading in best) or one.clock is None:
        return ""
    if one.interval is not None and all(reading.points > CHECKED_POINTS for reading in best):
        return f"{name_of(one.interval)} and {name_of(one.clock)} agree"
    whole = next((r.clock for r in unsplit if r.clock is not None and r.clock.place == one.clock.place), None)
    if whole is None:
        return f"{name_of(one.clock)} rises steadily"
    clocks = [reading.clock for reading in best if reading.clock is not None]
    even = max(spread(np.diff(clock.relative)) for clock in clocks)
    if even < 0.6 * spread(np.diff(whole.relative)):
        return f"{name_of(one.clock)} takes even steps"
    return ""


def _choose_process(splitter: SampledColumn, masks: dict[str, NDArray[np.bool_]], found: _Findings) -> str:
    counts = {value: int(np.count_nonzero(mask)) for value, mask in masks.items()}
    chosen = max(counts, key=lambda value: counts[value])
    found.mapping |= {"filter_column": splitter.reference, "filter_value": chosen}
    listed = ", ".join(f"{value!r} ({counted(count, 'row')})" for value, count in counts.items())
    found.evidence.append(f"values of {name_of(splitter)}: {listed}")
    found.doubts.append(
        f"filter_value is the one with the most rows, {chosen!r}; set it to the process that you mean"
    )
    return chosen


def _hint_at_flags(sample: LogSample, found: _Findings) -> None:
    for column in sample.columns:
        values = sorted(set(column.words))
        if column.reference in found.mapping.values():
            continue
        if len(values) == 2:
            rare = min(values, key=column.words.count)
            found.doubts.append(
                f"{name_of(column)} has the two values {values[0]!r} and {values[1]!r} ({rare!r} in "
                f"{counted(column.words.count(rare), 'row')}); if that marks frames never shown "
                "or interpolated, set "
                "dropped_column or generated_column and its values"
            )
        elif 2 < len(values) <= 20 and column.numeric_share == 0:
            found.doubts.append(
                f"{name_of(column)} has {len(values)} values ({', '.join(map(repr, values[:5]))}"
                f"{', …' if len(values) > 5 else ''}); if they are programs, set filter_column and "
                "filter_value"
            )


def _try_out(path: Path, found: _Findings) -> dict[str, Any]:
    """The whole file by this mapping; what the reader finds goes to the doubts."""
    if path.stat().st_size > _TRY_OUT_BYTES:
        found.doubts.append("the file is large: only its beginning was looked at")
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
    found.doubts += summary.notes
    return {
        "rows_read": summary.rows_read,
        "rows_dropped": summary.dropped | summary.left_out,
        "frame_count": figures["frame_count"],
        "average_fps": round(float(figures["average_fps"] or 0), 2),
        "frametime_p99_ms": round(float(figures["frametime_p99_ms"] or 0), 3),
        "longest_frame_ms": round(float(figures["longest_frame_ms"] or 0), 3),
    }
