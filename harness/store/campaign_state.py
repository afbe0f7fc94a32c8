"""Where a campaign stands: pure functions on what the journal holds. No file, no clock."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, field, replace
from functools import cached_property
from types import MappingProxyType
from typing import Final

from harness.numerals import times
from harness.plan.night_tables import Retries
from harness.plan.schema import Slot
from harness.reasons import is_permanent, kind_of
from harness.store import causes
from harness.store.causes import PROGRAM_LOST, AttemptFact, CellSetAside, SharedCause

#: Reason codes of attempts in which the driver reported an error or was reset.
DRIVER_CODES: Final = frozenset({"driver-error", "driver-reset"})
#: Reason codes that speak of a profile's instability: the title crashed or hung, or the driver failed.
CRASH_CODES: Final = frozenset({"title-crashed", "title-hung", "title-failed"}) | DRIVER_CODES
#: The whole machine went down during the attempt: its boot identity changed.
MACHINE_DOWN: Final = "rig-lost"
#: The same where the system ended in order, as for an update: nobody's fault.
MACHINE_RESTARTED: Final = "rig-restarted"
#: The disk was full during the attempt.
DISK_FULL: Final = "disk-full"
#: A quantity that the plan limits was not read any more, so the title was ended.
UNWATCHED: Final = "limit-unwatched"
#: The journal was lost and built again, and with it the outcome of this attempt.
JOURNAL_LOST: Final = "journal-lost"
#: Interruptions that say nothing about the profile and so don't use up a try at the repeat.
BLAMELESS_CODES: Final = frozenset(
    {
        PROGRAM_LOST,
        MACHINE_RESTARTED,
        DISK_FULL,
        UNWATCHED,
        JOURNAL_LOST,
        "interrupt",
        "stop",
        "night-over",
        "pause",
        "storage",
        "restore-failed",
    }
)

#: Outcomes of a run that offered all that was wanted.
NIGHT_OVER: Final = frozenset({"done", "missing"})

SlotKey = tuple[str, int, bool, bool]


def key_of(repeat: Slot | AttemptFact) -> SlotKey:
    """What makes a planned repeat itself: cell, repeat, sentinel or not, re-measurement or not."""
    return (repeat.cell_id, repeat.repeat_index, repeat.sentinel, repeat.remeasurement)


@dataclass(frozen=True)
class SetAside:
    """A profile found unstable: a result of the campaign, not missing data.

    Attributes:
        profile: Its name.
        title: The title under which it was set aside; None for all titles.
        crash_count: Crashes (of one title) or crashes of the machine that led to it.
        reason: The same in a sentence.
        title_at_fault: The title crashed so under every profile that it was tried with, so this says
            something about the title rather than about the profile.
    """

    profile: str
    title: str | None
    crash_count: int
    reason: str
    title_at_fault: bool = False

    def covers(self, title: str, profile: str) -> bool:
        return profile == self.profile and self.title in (None, title)


@dataclass(frozen=True)
class RepeatStanding:
    """One planned repeat.

    Attributes:
        slot: The planned repeat.
        accepted: It is measured.
        tries: Attempts that used up a try.
        attempts: All attempts, those that use up no try included.
        set_aside: Its profile is set aside, for its title or altogether.
        exhausted: Not accepted, and no try is left.
        blocked: Its cell is set aside for a failure that can't be expected to change by itself.
    """

    slot: Slot
    accepted: bool
    tries: int
    attempts: int
    set_aside: bool
    exhausted: bool
    blocked: bool = False

    @property
    def open(self) -> bool:
        """It is still to be measured."""
        return not (self.accepted or self.set_aside or self.exhausted or self.blocked)


@dataclass(frozen=True)
class Standing:
    """Where the campaign stands.

    Attributes:
        repeats: The planned repeats in the order of the night.
        set_aside: Profiles found unstable.
        crash_counts: (title, profile) -> crashes of the title, driver errors among them.
        machine_crashes: profile -> crashes or reboots of the machine.
        cells_set_aside: Cells that can't be measured until somebody fixes the cause.
        offered_again: Cells that were given up in an earlier run for a cause that may have been put right.
        shared_cause: What fails one cell after the other in this run; the night must pause.
    """

    repeats: tuple[RepeatStanding, ...]
    set_aside: tuple[SetAside, ...] = ()
    crash_counts: Mapping[tuple[str, str], int] = field(default_factory=dict)
    machine_crashes: Mapping[str, int] = field(default_factory=dict)
    cells_set_aside: tuple[CellSetAside, ...] = ()
    offered_again: tuple[CellSetAside, ...] = ()
    shared_cause: SharedCause | None = None

    @cached_property
    def wanted_count(self) -> int:
        return len(self.repeats)

    @cached_property
    def accepted_count(self) -> int:
        return sum(r.accepted for r in self.repeats)

    @cached_property
    def missing(self) -> tuple[RepeatStanding, ...]:
        """Wanted, given up, and not because of an unstable profile."""
        return tuple(r for r in self.repeats if (r.exhausted or r.blocked) and not r.set_aside)

    @cached_property
    def remaining(self) -> tuple[Slot, ...]:
        """What is still to be measured, in the order of the night."""
        return tuple(r.slot for r in self.repeats if r.open)

    @property
    def complete(self) -> bool:
        """Nothing is left to measure."""
        return not self.remaining

    def after(self, outcome: str | None) -> Standing:
        """The same once a run ended with ``outcome``.

        A run that came to the end of the night (:data:`NIGHT_OVER`) offered every repeat that was wanted;
        what is open then is what the rule of an adaptive plan wanted no more, so it is not wanted any more.
        """
        if outcome not in NIGHT_OVER:
            return self
        return replace(self, repeats=tuple(repeat for repeat in self.repeats if not repeat.open))


def unstable_profiles(attempts: Sequence[AttemptFact], retries: Retries) -> tuple[SetAside, ...]:
    """Which profiles are to be set aside, for a title or altogether.

    Args:
        attempts: Attempts at present definitions only: a profile that was changed starts again.
        retries: The plan's bounds.
    """
    crashes = crash_counts(attempts)
    losses = machine_crashes(attempts)
    found: list[SetAside] = []
    for profile, count in sorted(losses.items()):
        if count >= retries.set_aside_after_machine_crashes:
            reason = (
                f"the machine crashed or rebooted {times(count)} under profile {profile}; "
                "set aside as unstable"
            )
            found.append(SetAside(profile, None, count, reason))
    whole = {entry.profile for entry in found}
    tried: dict[str, set[str]] = {}
    for attempt in attempts:
        tried.setdefault(attempt.title, set()).add(attempt.profile)
    for (title, profile), count in sorted(crashes.items()):
        if count >= retries.set_aside_after_crashes and profile not in whole:
            others = tried[title] - {profile}
            at_fault = bool(others) and all(
                crashes.get((title, other), 0) >= retries.set_aside_after_crashes for other in others
            )
            driver = any(
                a.reason_code in DRIVER_CODES and (a.title, a.profile) == (title, profile) for a in attempts
            )
            what = "crashed or met a driver error" if driver else "crashed"
            reason = f"{title} {what} {times(count)} under profile {profile}; set aside for this title"
            if at_fault:
                reason += ", which crashes under every profile tried: look at the title first"
            found.append(SetAside(profile, title, count, reason, at_fault))
    return tuple(found)


def titles_at_fault_before(attempts: Sequence[AttemptFact], retries: Retries, orderly_ends: int) -> set[int]:
    """Places of crashes that spoke of a title, not of a profile, in a run that came to an orderly end.

    The title crashed under every profile tried, so a person may have put it right since: it is tried again,
    and what counts from then on is how it does now.
    """
    forgiven: set[int] = set()
    for ended in range(orderly_ends):
        so_far = [(n, a) for n, a in enumerate(attempts) if a.round <= ended and n not in forgiven]
        titles = {e.title for e in unstable_profiles([a for _, a in so_far], retries) if e.title_at_fault}
        forgiven |= {n for n, a in so_far if a.title in titles and a.reason_code in CRASH_CODES}
    return forgiven


def unstable_in_the_end(attempts: Sequence[AttemptFact], retries: Retries) -> tuple[SetAside, ...]:
    """:func:`unstable_profiles` of attempts whose runs are not known, as of a dataset.

    What was set aside is not tried again in its run. So where a title at fault was, it was put right and
    offered again, and its crashes before don't count.
    """
    counted: list[AttemptFact] = []
    for attempt in attempts:
        if crash_counts(counted).get((attempt.title, attempt.profile), 0) >= retries.set_aside_after_crashes:
            entries = unstable_profiles(counted, retries)
            if any(e.title_at_fault and e.covers(attempt.title, attempt.profile) for e in entries):
                counted = [a for a in counted if a.title != attempt.title or a.reason_code not in CRASH_CODES]
        counted.append(attempt)
    return unstable_profiles(counted, retries)


def crash_counts(attempts: Sequence[AttemptFact]) -> Mapping[tuple[str, str], int]:
    """(title, profile) -> attempts in which the title crashed or hung, or the driver failed."""
    return Counter((a.title, a.profile) for a in attempts if a.reason_code in CRASH_CODES)


def machine_crashes(attempts: Sequence[AttemptFact]) -> Mapping[str, int]:
    """profile -> attempts in which the whole rig went down."""
    return Counter(a.profile for a in attempts if a.reason_code == MACHINE_DOWN)


def standing(
    slots: Sequence[Slot],
    definitions: Mapping[str, str],
    names: Mapping[str, tuple[str, str]],
    attempts: Sequence[AttemptFact],
    retries: Retries,
    *,
    controls: Mapping[str, str] = MappingProxyType({}),
    kin: Mapping[str, str] = MappingProxyType({}),
    session: int = 0,
    orderly_ends: int = 0,
) -> Standing:
    """Judge every planned repeat.

    Args:
        slots: Planned repeats in the order of the night.
        definitions: cell_id -> present definition hash.
        names: cell_id -> (title, profile).
        attempts: All attempts ever made in this campaign.
        retries: The plan's bounds.
        controls: cell_id -> kind of the control of its profile.
        kin: cell_id -> what cells have in common that run the same, whatever the profile.
        session: The run that is under way, or was the last.
        orderly_ends: How many runs before it came to an orderly end.
    """
    present = [a for a in attempts if definitions.get(a.cell_id) == a.definition_hash]
    repaired = titles_at_fault_before(present, retries, orderly_ends)
    aside = unstable_profiles([a for place, a in enumerate(present) if place not in repaired], retries)
    accepted = {key_of(a) for a in present if a.verdict == "accepted"}
    made = Counter(key_of(a) for a in present)
    shared, alive = causes.shared_causes(present, controls, len({title for title, _ in names.values()}))
    lasting = causes.lasting_failures(present, kin)
    in_common = {place for cause in shared for place in cause.places}
    forgiven = (
        in_common
        | repaired
        | {place for place, a in enumerate(present) if _is_past(a, orderly_ends) or place in lasting}
    )
    tries = Counter(
        key_of(a)
        for place, a in enumerate(present)
        if place not in forgiven and a.reason_code not in BLAMELESS_CODES
    )
    own = [a for place, a in enumerate(present) if place not in in_common]
    blocked = causes.cells_set_aside(own, session, retries.attempts_per_repeat, kin)
    blocked |= causes.cells_that_end_levelrig(present, orderly_ends)
    judged: list[RepeatStanding] = []
    for slot in slots:
        key = key_of(slot)
        done = key in accepted
        title, profile = names[slot.cell_id]
        judged.append(
            RepeatStanding(
                slot=slot,
                accepted=done,
                tries=tries[key],
                attempts=made[key],
                set_aside=not done and any(entry.covers(title, profile) for entry in aside),
                exhausted=not done and tries[key] >= retries.attempts_per_repeat,
                blocked=not done and slot.cell_id in blocked,
            )
        )
    open_keys = {key_of(repeat.slot) for repeat in judged if repeat.open}
    given_up = _given_up(present, forgiven, open_keys, session, retries)
    open_cells = {cell_id for cell_id, *_ in open_keys}
    ended_levelrig = causes.cells_that_end_levelrig(present, orderly_ends - 1).values()
    given_up += tuple(cell for cell in ended_levelrig if cell.cell_id in open_cells)
    return Standing(
        tuple(judged),
        aside,
        crash_counts([a for place, a in enumerate(present) if place not in repaired]),
        machine_crashes(present),
        tuple(blocked.values()),
        given_up,
        next((cause for cause in alive if cause.last_session == session), None),
    )


def _is_past(attempt: AttemptFact, orderly_ends: int) -> bool:
    """It failed before an orderly end of a run, by what may have been put right since."""
    code = attempt.reason_code
    return code is not None and attempt.round < orderly_ends and kind_of(code) in causes.FIXABLE_KINDS


def _given_up(
    attempts: Sequence[AttemptFact],
    forgiven: Set[int],
    open_keys: Set[SlotKey],
    session: int,
    retries: Retries,
) -> tuple[CellSetAside, ...]:
    """Cells with open repeats that would be given up, were their failures in earlier runs not forgiven."""
    earlier = [
        a
        for place, a in enumerate(attempts)
        if place in forgiven and a.session < session and key_of(a) in open_keys
    ]
    counts = Counter(key_of(a) for a in earlier)
    return tuple(
        {
            a.cell_id: CellSetAside(a.cell_id, a.reason_code or "", a.reason or "")
            for a in earlier
            if is_permanent(a.reason_code)
            or a.reason_code in CRASH_CODES
            or counts[key_of(a)] >= retries.attempts_per_repeat
        }.values()
    )
