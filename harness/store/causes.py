"""Failures that are not the title's fault, told from the order of attempts alone. Pure.

Two kinds are known. A *permanent* failure (no such program, no such column) can't change by itself: its cell
is set aside for as long as this run lasts, as is one whose first repeat failed alike in all its tries. A
*shared cause* (a wrong working folder, a missing privilege, a sensor that is gone) fails one cell after the
other in the same way: the night pauses. Neither uses up a try, so the same command, once the cause is put
right, measures what was left. A cell at which levelrig itself is ended over and over is set aside too.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

from harness.numerals import counted, times
from harness.reasons import is_permanent, kind_of

#: A control refused, or what it applied did not read back: a shared cause where one control does it.
REFUSED: Final = "profile-refused"
#: Kinds of failure that may have one cause outside the titles. Crashes are not among them: they speak of
#: profiles; nor is what a check finds of the measurement itself.
SHARED_KINDS: Final = frozenset(
    {
        REFUSED,
        "launch-failed",
        "workload-failed",
        "companion-failed",
        "telemetry",
        "telemetry-gap",
        "readings-missing",
        "limit-unwatched",
        "check-failed",
        "program-fault",
    }
)
#: What a person may have put right between two runs: a later run tries again what failed so.
FIXABLE_KINDS: Final = SHARED_KINDS | {
    "frame-log",
    "frame-log-missing",
    "frame-log-unit",
    "score",
    "expected-line",
    "step-failed",
}
#: Of these, what the tries at one repeat tell of its cell. Lost readings are the sensors' doing: they may
#: come back by themselves, and where they don't, cells of several titles fail alike.
_OF_THE_CELL: Final = FIXABLE_KINDS - {"telemetry", "telemetry-gap", "readings-missing", "limit-unwatched"}
#: What is read of a log: it is the same for every run of a title and setting.
_OF_THE_LOG: Final = frozenset({"frame-log", "frame-log-missing", "frame-log-unit"})
#: What a title does whatever the profile: one run speaks for all cells of that title and setting.
_OF_THE_TITLE: Final = _OF_THE_LOG | {"launch-failed", "companion-failed", "score", "expected-line"}
#: Fewer tries than a repeat has that tell enough: a whole output in which the pattern found nothing, twice.
_TRIES_THAT_TELL: Final = {"score": 2}
#: So many cells that fail alike, with no accepted repeat between, have one cause.
CELLS_IN_A_ROW: Final = 3
#: levelrig itself ended during the attempt, on a machine that stayed up.
PROGRAM_LOST: Final = "program-lost"
#: So often may levelrig end while one cell's title runs, with no repeat of that cell accepted between.
LOSSES_AT_MOST: Final = 3
#: And so many titles, where a title could be the cause; in a plan of two titles both.
TITLES_IN_A_ROW: Final = 3


@dataclass(frozen=True)
class AttemptFact:
    """What the rules need to know of one attempt. ``verdict`` is None while it runs.

    Attributes:
        reason: Why it was not accepted, in a sentence.
        session: The run that made it.
        round: How many runs before that one came to an orderly end: what a person may have put right since.
        launched: Its title was started, or was about to be.
    """

    cell_id: str
    title: str
    profile: str
    definition_hash: str
    repeat_index: int
    sentinel: bool
    verdict: str | None
    reason_code: str | None
    remeasurement: bool = False
    reason: str | None = None
    session: int = 0
    round: int = 0
    launched: bool = False


@dataclass(frozen=True)
class CellSetAside:
    """A cell that can't be measured until somebody fixes the cause.

    Attributes:
        cell_id: The cell.
        reason_code: What its last attempt failed by.
        reason: The same in a sentence.
    """

    cell_id: str
    reason_code: str
    reason: str


@dataclass
class SharedCause:
    """Attempts at several cells that failed alike, with no accepted repeat between.

    Attributes:
        kind: How they failed.
        places: Their places in the list of attempts.
        reason: The last one's sentence.
        last_session: Session of the last one.
        titles_needed: So many titles must have failed so.
    """

    kind: str
    titles_needed: int = TITLES_IN_A_ROW
    places: list[int] = field(default_factory=list)
    cells: set[str] = field(default_factory=set)
    titles: set[str] = field(default_factory=set)
    reason: str = ""
    last_session: int = 0

    @property
    def established(self) -> bool:
        """These are too many to be chance, or the fault of one title."""
        enough = len(self.titles) >= self.titles_needed or self.kind == REFUSED
        return enough and len(self.cells) >= CELLS_IN_A_ROW

    def take(self, place: int, attempt: AttemptFact) -> None:
        """Add an attempt that failed so."""
        self.places.append(place)
        self.cells.add(attempt.cell_id)
        self.titles.add(attempt.title)
        self.reason = attempt.reason or ""
        self.last_session = attempt.session

    def sentence(self) -> str:
        """What to tell a person."""
        return (
            f"{len(self.cells)} cells failed alike with no accepted repeat between "
            f"({self.kind}: {self.reason}); these tries are not used up: fix the cause, then the same "
            "command goes on"
        )


def shared_causes(
    attempts: Sequence[AttemptFact], controls: Mapping[str, str], title_count: int
) -> tuple[tuple[SharedCause, ...], tuple[SharedCause, ...]]:
    """Find shared causes.

    An accepted repeat ends a row; a row of refusals only where the same control was in force, for a profile
    of another control proves nothing. An orderly end of the run ends every row: what comes after may have
    been put right.

    Args:
        attempts: Attempts at present definitions, in their order.
        controls: cell_id -> kind of its profile's control.
        title_count: Titles of the plan.
    Returns:
        All that were established, and those of them that nothing has ended yet.
    """
    ended: list[SharedCause] = []
    rows: dict[tuple[str, str], SharedCause] = {}
    needed = max(2, min(TITLES_IN_A_ROW, title_count))
    in_round = 0
    for place, attempt in enumerate(attempts):
        control = controls.get(attempt.cell_id, "")
        if attempt.round != in_round:
            in_round = attempt.round
            ended += rows.values()
            rows.clear()
        if attempt.verdict == "accepted":
            for key in [key for key in rows if key[1] in ("", control)]:
                ended.append(rows.pop(key))
        elif attempt.verdict in ("failed", "rejected") and attempt.reason_code is not None:
            kind = kind_of(attempt.reason_code)
            if kind in SHARED_KINDS:
                key = (kind, control if kind == REFUSED else "")
                rows.setdefault(key, SharedCause(kind, needed)).take(place, attempt)
    alive = tuple(row for row in rows.values() if row.established)
    return (*(row for row in ended if row.established), *alive), alive


def lasting_failures(attempts: Sequence[AttemptFact], kin: Mapping[str, str]) -> frozenset[int]:
    """Places of the attempts that failed in a way that can't change by itself: one try is enough.

    A log that can't be read although logs of that title and setting were read before is none of these: the
    mapping fits, and this one log was damaged.

    Args:
        attempts: Attempts at present definitions, in their order.
        kin: cell_id -> what cells have in common that run the same, whatever the profile.
    """
    measured = {kin.get(a.cell_id, a.cell_id) for a in attempts if a.verdict == "accepted"}
    return frozenset(
        place
        for place, a in enumerate(attempts)
        if a.reason_code is not None
        and is_permanent(a.reason_code)
        and not (kind_of(a.reason_code) in _OF_THE_LOG and kin.get(a.cell_id, a.cell_id) in measured)
    )


def cells_set_aside(
    attempts: Sequence[AttemptFact],
    session: int,
    attempts_per_repeat: int,
    kin: Mapping[str, str] = MappingProxyType({}),
) -> dict[str, CellSetAside]:
    """Cells that nothing more is tried with in that session.

    One failed in a way that can't change by itself; where that is the title's doing and not the profile's,
    all cells of that title and setting are set aside with it. Or all tries failed alike, by what somebody may
    put right, and nothing of that kind was ever measured: further ones would end the same.

    Args:
        attempts: Attempts at present definitions, in their order.
        session: The run that is under way, or was the last.
        attempts_per_repeat: Tries that a repeat has.
        kin: cell_id -> what cells have in common that run the same, whatever the profile.
    """
    lasting = lasting_failures(attempts, kin)
    cells: dict[str, list[str]] = {}
    for cell_id in dict.fromkeys((*kin, *(a.cell_id for a in attempts))):
        cells.setdefault(kin.get(cell_id, cell_id), []).append(cell_id)
    measured = {a.cell_id for a in attempts if a.verdict == "accepted"}
    alike: dict[str, tuple[str, int, int]] = {}
    found: dict[str, CellSetAside] = {}
    for place, a in enumerate(attempts):
        if a.verdict not in ("failed", "rejected") or a.reason_code is None:
            continue
        kind = kind_of(a.reason_code)
        key = kin.get(a.cell_id, a.cell_id)
        family = cells[key] if kind in _OF_THE_TITLE else [a.cell_id]
        if kind not in _OF_THE_TITLE:  # it may be the profile's doing
            key = f"{a.cell_id} {a.repeat_index} {a.sentinel} {a.remeasurement}"
        before, in_round, count = alike.get(key, ("", -1, 0))
        count = count + 1 if (before, in_round) == (kind, a.round) else 1
        alike[key] = (kind, a.round, count)
        enough = min(attempts_per_repeat, _TRIES_THAT_TELL.get(kind, attempts_per_repeat))
        hopeless = kind in _OF_THE_CELL and count >= enough and not measured & set(family)
        if a.session == session and (hopeless or place in lasting):
            found |= {
                cell_id: CellSetAside(cell_id, a.reason_code, a.reason or "")
                for cell_id in family
                if cell_id not in found or cell_id == a.cell_id
            }
    return found


def cells_that_end_levelrig(attempts: Sequence[AttemptFact], in_round: int) -> dict[str, CellSetAside]:
    """Cells at which levelrig itself ended again and again: each new start would end there too.

    Args:
        attempts: Attempts at present definitions, in their order.
        in_round: Only of runs after so many orderly ends: a person who starts it again may have put it right.
    """
    losses: Counter[str] = Counter()
    last: dict[str, AttemptFact] = {}
    for a in attempts:
        if a.verdict == "accepted":
            losses.pop(a.cell_id, None)
        elif a.reason_code == PROGRAM_LOST and a.launched and a.round == in_round:
            losses[a.cell_id] += 1
            last[a.cell_id] = a
    return {
        cell_id: CellSetAside(
            cell_id,
            PROGRAM_LOST,
            f"levelrig itself was ended {times(count)} after this title was started, the last time: "
            f"{last[cell_id].reason}; look whether the title ends other programs or takes all memory",
        )
        for cell_id, count in losses.items()
        if count >= LOSSES_AT_MOST
    }


def grouped(cells: Sequence[CellSetAside], most: int = 3) -> list[str]:
    """One sentence for each reason: its cells, then the reason."""
    by_reason: dict[str, list[str]] = {}
    for cell in cells:
        by_reason.setdefault(cell.reason, []).append(cell.cell_id)
    return [f"{', '.join(ids[:most])}{_more(len(ids) - most)}: {reason}" for reason, ids in by_reason.items()]


def _more(count: int) -> str:
    return f" and {counted(count, 'more cell')}" if count > 0 else ""
