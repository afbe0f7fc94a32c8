"""What to change in the plan after a try that would not count, as lines to paste. Pure."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import Any, Final

from harness.frames.propose import Proposal
from harness.patterns import Pattern
from harness.plan.captured import READER as CAPTURE
from harness.plan.schema import Cell
from harness.plan.toml_text import toml_string, toml_value
from harness.reasons import kind_of
from harness.trying.account import Found
from harness.trying.outputs import lines_of

#: A line of the output is called near to a pattern from here on.
_NEAR: Final = 0.55
_SPECIAL = re.compile(r"[\\.^$*+?{}\[\]|()]")
_NUMBER = re.compile(r"[0-9]+(?:\.[0-9]+)?")
#: Failures of a title that was waited for.
_WAITED: Final = frozenset({"deadline", "title-hung", "interrupt"})
_GIVES_NOTHING: Final = (
    "a title with neither frame_log nor score_line gives a night nothing to compare: name the file that its "
    "frames are in (`levelrig map FILE` proposes how to read it), or the line of its output with a score; on "
    "Linux frames = 'capture' records the frames of a title that writes none"
)
#: Reasons that the log, or how it is read, gives.
_OF_LOG: Final = ("frame-log", "long-pause")


@dataclass(frozen=True)
class Change:
    """One thing to change: why, and the lines of the plan; empty lines where there is none to give."""

    why: str
    lines: tuple[str, ...] = ()


def about_log(reason_code: str | None) -> bool:
    """Whether the frame log, or how it is read, is what an attempt failed by."""
    return reason_code is not None and reason_code.startswith(_OF_LOG)


def gives_nothing(cell: Cell) -> bool:
    """Whether a title states neither frames nor a score, nor brings its own."""
    stated = cell.title.frame_log is not None or cell.workload_options.get("score_line") is not None
    return not stated and not cell.title.without_frames and cell.title.workload == "command"


def changes(
    found: Found, cell: Cell, codes: Collection[str], proposal: Proposal | None, path: str
) -> list[Change]:
    """What to change.

    Args:
        found: The account.
        cell: What was tried.
        codes: All that spoke against the attempt: its reason, and every check that rejects.
        proposal: How the log that was found could be read; None where none was looked at, or none found.
        path: How the plan would name that log.
    """
    if gives_nothing(cell) and found.window_s is not None:
        return [*_log(cell, proposal, path), Change(_GIVES_NOTHING)]
    if found.verdict == "accepted":
        return []
    said = lines_of(found.output)
    kinds = {kind_of(code) for code in codes}
    told: list[Change] = []
    early = kinds & _WAITED or "before the title was ready" in (found.reason or "")
    if found.ready_after_s is None and found.programs and early:
        told += _ready(cell, said)
    if "title-ended-early" in kinds:
        told.append(
            Change("the title ended before its window: warm it up for less", ("warm_up = { seconds = 0 }",))
        )
    if "window-short" in kinds and found.window_s is not None:
        whole_s = max(1, math.floor(found.window_s))
        why = "the title ends before measure_s is over: measure for less, or until it ends (no measure_s)"
        told.append(Change(why, (f"measure_s = {whole_s}",)))
    if "title-hung" in kinds:
        why = "where it is only silent, and works: allow longer silence"
        told.append(Change(why, (f"silent_at_most_s = {cell.title.silent_at_most_s * 4:g}",)))
    if "deadline" in kinds and found.ready_after_s is not None:
        told.append(Change("it needs longer", (f"deadline_s = {cell.title.deadline_s * 2:g}",)))
    if "score" in kinds:
        told += _score(said)
    if "expected-line" in kinds:
        told += _expected(cell, said)
    if any(about_log(kind) for kind in kinds):
        told += _log(cell, proposal, path)
    told += [
        Change(f"a limit of [checks]: {words}", (line,)) for check, words, line in _LIMITS if check in kinds
    ]
    return told


_LIMITS: Final = (
    (
        "foreign-cpu-load",
        "end other programs, or only mark the attempts that they load",
        'mark_only = ["foreign-cpu-load", "start-temperature", "ambient-temperature", "frame-cap"]',
    ),
    ("foreign-gpu-load", "end what uses the card, or allow more", "foreign_gpu_load_at_most_pct = 20"),
)


def _ready(cell: Cell, said: Sequence[str]) -> list[Change]:
    options = cell.workload_options
    awaited = options.get("ready_line")
    if not isinstance(awaited, str):
        return []
    near = _nearest(awaited, said)
    found = []
    if near is not None:
        found.append(
            Change(f"its output has no such line; the nearest is: {near}", (_line_key("ready_line", near),))
        )
    elif said:
        last = "its output has nothing like that line; the last one is"
        found.append(Change(f"{last}: {said[-1][:120]}", (_line_key("ready_line", said[-1]),)))
    why = "or say after how long it is ready" if said else "it prints nothing: say after how long it is ready"
    return [*found, Change(why, ("ready_after_s = 30",))]


def _line_key(key: str, line: str) -> str:
    return f"{key} = {toml_string(pattern_of(line))}"


def pattern_of(line: str) -> str:
    """A pattern that finds that line again, whatever its numbers are."""
    escaped = _SPECIAL.sub(lambda match: f"\\{match[0]}", line.strip()[:80])
    return re.sub(r"[0-9]+", "[0-9]+", escaped)


def _nearest(awaited: str, said: Sequence[str]) -> str | None:
    """The line that a pattern was probably meant for."""
    loose = Pattern(f"(?i){awaited}")
    for line in said:
        if loose.search(line) is not None:
            return line
    ranked = sorted(((_likeness(awaited, line), line) for line in said[-2000:]), key=lambda pair: -pair[0])
    return ranked[0][1] if ranked and ranked[0][0] >= _NEAR else None


def _likeness(awaited: str, line: str) -> float:
    return SequenceMatcher(None, awaited.lower(), line.lower()[:200], autojunk=False).ratio()


def _score(said: Sequence[str]) -> list[Change]:
    """A pattern for the last line that holds a number."""
    line = next((line for line in reversed(said) if _NUMBER.search(line)), None)
    if line is None:
        return [
            Change(
                "its output holds no number: name the file that the score is written to",
                ('watch_file = "score.txt"',),
            )
        ]
    number = list(_NUMBER.finditer(line))[-1]
    before = line[: number.start()]
    blank = " " if before.endswith(" ") else ""
    pattern = f"{pattern_of(before)}{blank}([0-9.]+)"
    return [
        Change(f"the last line with a number is: {line[:120]}", (f"score_line = {toml_string(pattern)}",))
    ]


def _expected(cell: Cell, said: Sequence[str]) -> list[Change]:
    found = []
    for text in cell.title.expect_lines:
        if any(Pattern(text).search(line) is not None for line in said):
            continue
        near = _nearest(text, said)
        if near is not None:
            line = f"expect_lines = [{toml_string(pattern_of(near))}]"
            found.append(Change(f"nothing matches {text!r}; the nearest line is: {near[:120]}", (line,)))
    return found


def _log(cell: Cell, proposal: Proposal | None, path: str) -> list[Change]:
    if cell.title.frame_log is not None and cell.title.frame_log.reader == CAPTURE:
        return []  # the reason says which way works
    if proposal is None or not proposal.mapping:
        return [
            Change("nothing that was written in this run looks like a frame log: look where it is written")
        ]
    spec = cell.title.frame_log
    companion = {} if spec is None or spec.companion is None else {"companion": spec.companion}
    mapping: dict[str, Any] = {"path": path, **companion, **proposal.mapping}
    stated = {} if spec is None else {"path": spec.path, **companion, **spec.options}
    if all(stated.get(key) == value for key, value in mapping.items()):
        return []
    doubts = f" (not sure: {'; '.join(proposal.doubts)})" if proposal.doubts else ""
    lines = tuple(f"{key} = {toml_value(value)}" for key, value in mapping.items())
    rate = next((said for said in proposal.evidence if said.startswith("read so")), "")
    why = f"the numbers in {proposal.path.name} say how to read it{doubts}{'; ' if rate else ''}{rate}"
    return [Change(why, ("[titles.frame_log]", *lines))]
