"""A campaign from plan to dataset: open the folder, run what is left, restore, export.

Resuming is the same call: what the folder already holds is kept, the rest is measured.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Protocol

from harness import log as harness_log
from harness.boots import ended_in_order
from harness.boundary import behind_boundary
from harness.boundary.wrappers import GuardedRig
from harness.checks.blind import blind_checks
from harness.engine.driver import Driver
from harness.engine.history import memory_sizes_mib
from harness.engine.identify import facts_with_card
from harness.engine.interruptions import Lookout
from harness.engine.messages import EndCampaign, StopKind
from harness.engine.night import NightWatch
from harness.engine.profiles import ProfileKeeper, SnapshotStore, restore_patiently
from harness.engine.progress import GuardedObserver, Listener, Observer, StopSignal
from harness.engine.readings_wait import require_readings
from harness.engine.recompute import recompute_metrics
from harness.engine.requests import drop_stale_request
from harness.engine.reread import reread_frame_logs
from harness.engine.schedule import Schedule, WantedCells
from harness.errors import HarnessError, NotRestored, PlanError, Problem
from harness.frames.defined import Definitions
from harness.log import get_logger
from harness.numerals import out_of
from harness.plan.cells import expand
from harness.plan.forecast import forecast
from harness.plan.night_tables import Night
from harness.plan.order import arrange
from harness.plan.schema import Cell, Plan
from harness.power_sensor.of_window import model_in
from harness.rig import Rig, RigFacts
from harness.store.campaign import CampaignStore
from harness.store.causes import grouped
from harness.store.files import UnsyncedFileSystem
from harness.store.space import plan_attempt_bytes
from harness.telemetry.sampler import Sampler
from harness.titlefiles import TitleFiles

log = get_logger("levelrig.campaign")

_EXIT_OF_STOP: dict[StopKind | None, int] = {
    None: 0,
    "interrupt": 130,
    "stop": 130,
    "pause": 130,
    "safety": 5,
    "conditions": 3,
    "restore-failed": 0,  # it counts how the card is in the end, and what is measured
    "storage": 3,
}
EXIT_INCOMPLETE = 4
_NIGHT_BEGINS = "night-begins"
#: Also of a night that is complete: the card is not proven to be back.
EXIT_UNRESTORED = NotRestored.exit_code


class Guarded(SnapshotStore, Protocol):
    """Saved states, watched over while the campaign runs (:class:`harness.guard.Guard` on a real rig)."""

    def beat(self) -> None:
        """A sign of life."""

    def close(self) -> None:
        """End the watch."""


class Unguarded:
    """Keeps states in memory: for rigs that no crash can leave changed.

    Never in the campaign's folder: what lies there may come from anywhere.
    """

    def __init__(self) -> None:
        self._states: dict[str, Mapping[str, Any]] = {}

    def save_snapshot(self, control_kind: str, snapshot: Mapping[str, Any]) -> None:
        self._states.setdefault(control_kind, snapshot)

    def open_snapshots(self) -> Mapping[str, Mapping[str, Any]]:
        return dict(self._states)

    def clear_snapshot(self, control_kind: str) -> None:
        self._states.pop(control_kind, None)

    def settle(self) -> list[str]:
        return []

    def undisturbed(self) -> bool:
        return True

    def beat(self) -> None:
        pass

    def close(self) -> None:
        pass


@dataclass(frozen=True)
class RunOptions:
    """What the user allows beyond the plan.

    Attributes:
        discard_changed: Go on with a changed plan although measured work would be set aside.
        other_rig: Go on in a folder that was begun on another machine.
        night_elapsed_s: Seconds that this night has been going already; None: what the folder knows of it.
        notices: What a person should hear as it begins.
        lasting: What is acknowledged outlasts a power cut; a rehearsal, made again at will, need not.
    """

    discard_changed: bool = False
    other_rig: bool = False
    night_elapsed_s: float | None = 0.0
    notices: tuple[str, ...] = ()
    lasting: bool = True


@dataclass(frozen=True)
class CampaignResult:
    """How a run ended.

    Attributes:
        folder: The campaign folder; complete and closed.
        exit_code: 0 done, 3 conditions, 4 some repeats are missing, 5 safety (also: the card is not back),
            130 resumable.
        reason: Why it ended, in a sentence.
        accepted: Repeats accepted in the whole campaign.
        wanted: Repeats wanted in the whole campaign.
        unrestored: The card could not be put back.
    """

    folder: Path
    exit_code: int
    reason: str
    accepted: int
    wanted: int
    unrestored: bool = False


def preflight(plan: Plan, rig: Rig, source: str) -> None:
    """Ask each control whether this device can take its profiles. Reads only.

    Raises:
        PlanError: With every problem of every profile.
    """
    problems: list[Problem] = []
    for profile in plan.profiles:
        try:
            problems += rig.open_control(profile.control).check(profile)
        except HarnessError as error:
            problems.append(Problem(f"profiles.{profile.name}.control", str(error), "see `levelrig doctor`"))
    if problems:
        raise PlanError(source, problems)


def run_campaign(
    *,
    plan: Plan,
    plan_text: str,
    plan_source: str,
    rig: Rig,
    folder: Path,
    observer: Observer,
    stop: StopSignal,
    options: RunOptions = RunOptions(),
    guard: Guarded | None = None,
    wanted_cells: WantedCells | None = None,
    listener: Listener | None = None,
) -> CampaignResult:
    """Start or resume a campaign and run it to its end.

    Args:
        plan: The plan, validated.
        plan_text: Its file's text, kept in the folder.
        plan_source: Its file's name, for messages.
        rig: The machine under test.
        folder: The campaign folder; made if it is not there.
        observer: Hears of progress.
        stop: Asks for a stop.
        options: What the user allows beyond the plan.
        guard: Keeps the way back of changed hardware; default: in memory only. Closed at the end.
        wanted_cells: Which cells an adaptive plan still wants repeats of; None measures the whole order.
        listener: Hears of each act of the attempts.
    Raises:
        PlanError: The device can't take a profile. Nothing was changed.
        NotRestored: What an earlier run left changed can't be put back; or this run ended by an error and
            the card is not back.
        StoreError: The folder can't be used, or can't be written any more.
    """
    rig = behind_boundary(rig)
    observer = GuardedObserver(observer)
    cells = expand(plan)
    slots = arrange(plan, cells)
    guard = guard or Unguarded()
    keeper = ProfileKeeper(rig.open_control, guard, allow_hardware_changes=plan.plan.allow_hardware_changes)
    with contextlib.closing(guard), contextlib.ExitStack() as stack:
        if guard.open_snapshots():
            observer.on_message(
                "warning", "the last run did not restore what it had changed; restoring it first"
            )
            restore_patiently(keeper, rig.clock, lambda text: observer.on_message("warning", text))
        facts = facts_with_card(rig, folder, observer, stop)
        preflight(plan, rig, plan_source)
        store = stack.enter_context(
            CampaignStore.open(
                folder,
                plan_text=plan_text,
                plan_source=plan_source,
                cells=cells,
                slots=slots,
                facts=facts,
                now_utc=rig.clock.now_utc(),
                retries=plan.retries,
                accept_plan_change=options.discard_changed,
                accept_other_rig=options.other_rig,
                now=rig.clock.now_utc,
                file_system=None if options.lasting else UnsyncedFileSystem(),
                boot_ended=None if facts.simulated else ended_in_order,
            )
        )
        harness_log.write_to(folder / "log.jsonl")
        try:
            return _run(
                plan,
                plan_source,
                cells,
                rig,
                facts,
                store,
                guard,
                keeper,
                observer,
                stop,
                wanted_cells,
                options,
                listener,
            )
        finally:
            harness_log.write_to(None)


def _run(
    plan: Plan,
    plan_source: str,
    cells: tuple[Cell, ...],
    rig: GuardedRig,
    facts: RigFacts,
    store: CampaignStore,
    guard: Guarded,
    keeper: ProfileKeeper,
    observer: Observer,
    stop: StopSignal,
    wanted_cells: WantedCells | None,
    options: RunOptions,
    listener: Listener | None,
) -> CampaignResult:
    folder = store.folder
    for notice in options.notices:
        observer.on_message("warning", notice)
        store.note("notice", notice)
    for message in _opening_messages(store):
        observer.on_message("info", message)
    for message in recompute_metrics(store, Definitions.of(plan)):
        observer.on_message("info", message)
    for message in reread_frame_logs(store, plan, cells, rig, measure_unreadable=options.discard_changed):
        observer.on_message("info", message)
    stale = drop_stale_request(folder)
    if stale is not None:
        observer.on_message("warning", stale)
    shortage = _space_shortage(store, plan)
    if shortage is not None:
        observer.on_message("warning", shortage)
        store.note("disk-short", shortage)
    sensors = rig.open_sensors()
    while rig.news:
        _sensor_event(store, observer, "plugin-failed", rig.news.pop(0))
    sampler = Sampler(
        sensors,
        rig.clock,
        plan.sampling.period_s,
        sensor_tries=plan.retries.sensor_tries,
        on_event=lambda kind, text: _sensor_event(store, observer, kind, text),
    )
    elapsed_s = _night_so_far_s(store, plan, options, rig.clock.now_utc())
    lookout = Lookout(plan, rig.clock, sampler, folder, stop, NightWatch(plan, rig.clock, elapsed_s))
    with contextlib.closing(sampler):
        sampler.start()
        resumed = store.attempts_table().num_rows > 0
        for message in require_readings(lookout, sampler, rig.clock, plan_source, resumed=resumed):
            observer.on_message("warning", message)
            store.note("limit-unwatched", message)
        for message in blind_checks(sampler.quantities, plan.checks):
            observer.on_message("warning", message)
            store.note("check-blind", message)
        schedule = Schedule(store, wanted_cells, plan.checks)
        driver = Driver(
            plan=plan,
            cells={cell.cell_id: cell for cell in cells},
            rig=rig,
            store=store,
            sampler=sampler,
            keeper=keeper,
            observer=observer,
            lookout=lookout,
            sign_of_life=guard.beat,
            boot_id=facts.boot_id,
            memory_total_mib=memory_sizes_mib(facts),
            power_sensor=model_in(facts.facts),
            files=None if facts.simulated else TitleFiles(plan, guard),
            schedule=schedule,
            typical_s=forecast(plan).expected_s / max(len(arrange(plan, cells)), 1),
            listener=listener,
        )
        log.info("campaign begins", rig=facts.rig_id, cells=len(cells), left=schedule.counts().left)
        try:
            end = driver.run()
        except (Exception, KeyboardInterrupt, SystemExit) as error:
            driver.abandon()
            try:
                keeper.restore()
            except HarnessError as failure:  # the watch goes on trying
                store.note("unrestored", str(failure))
                raise NotRestored(f"{error or type(error).__name__}; and: {failure}") from error
            raise
    return _finish(store, schedule, end)


def _night_so_far_s(store: CampaignStore, plan: Plan, options: RunOptions, now_utc: datetime) -> float:
    """How long the night has been going; the start of one that begins now is put down."""
    if options.night_elapsed_s is not None:
        if not options.night_elapsed_s and (plan.limits.night_ends_after_s or plan.night != Night()):
            store.note(_NIGHT_BEGINS, "the run was started")
        return options.night_elapsed_s
    begun = [event["utc"] for event in store.events() if event["kind"] == _NIGHT_BEGINS]
    return max(0.0, (now_utc - datetime.fromisoformat(begun[-1])).total_seconds()) if begun else 0.0


def _finish(store: CampaignStore, schedule: Schedule, end: EndCampaign) -> CampaignResult:
    counts = schedule.counts()
    accepted, wanted = counts.accepted, counts.wanted
    exit_code = _EXIT_OF_STOP[end.stop]
    reason = end.reason
    if end.stop is None and accepted < wanted:
        exit_code = EXIT_INCOMPLETE
        reason = f"{out_of(wanted - accepted, wanted, 'repeat')} could not be measured; the report says why"
        standing = store.standing()
        if at_fault := {e.title: None for e in standing.set_aside if e.title_at_fault and e.title}:
            names = ", ".join(at_fault)
            reason += f"; {names}: crashed under every profile; fix that and run the same command again"
        if any(repeat.exhausted and not repeat.blocked for repeat in standing.missing):
            reason += "; where no try is left: raise attempts_per_repeat under [retries], then run it again"
        if aside := grouped(standing.cells_set_aside):
            reason += f"; set aside: {'; '.join(aside)}; fix that and run the same command again"
    if end.stop == "restore-failed" and accepted < wanted:
        exit_code = EXIT_INCOMPLETE
    if end.unrestored:
        exit_code = EXIT_UNRESTORED
    log.info("campaign ends", reason=reason, accepted=accepted, wanted=wanted, exit_code=exit_code)
    store.finish(
        "unrestored" if end.unrestored else end.stop or ("done" if exit_code == 0 else "missing"), reason
    )
    store.export_dataset()
    return CampaignResult(store.folder, exit_code, reason, accepted, wanted, end.unrestored)


def _sensor_event(store: CampaignStore, observer: Observer, kind: str, text: str) -> None:
    log.warning("sensor", event_kind=kind, text=text)
    observer.on_message("warning", text)
    store.note(kind, text)


def _space_shortage(store: CampaignStore, plan: Plan) -> str | None:
    """What to tell if the night's files will not fit on the disk; None if they will."""
    assumed_bytes = plan_attempt_bytes(plan, forecast(plan))
    return store.space_needed(assumed_bytes).shortage(store.free_bytes())


def _opening_messages(store: CampaignStore) -> list[str]:
    """What a person should know of the folder that is gone on with."""
    standing = store.standing()
    messages = [
        f"tried again, as the cause may be fixed by now: {line}" for line in grouped(standing.offered_again)
    ]
    if store.stale_pid is not None:
        messages.append(f"the last run (process {store.stale_pid}) ended without closing the folder")
    if store.rig_note:
        messages.append(f"continues on rig {store.rig_id}: {store.rig_note}")
    messages += [
        f"{attempt_id} was interrupted; it is kept as evidence and measured again"
        for attempt_id in store.closed_attempts
    ]
    if store.plan_change is not None and store.plan_change.changed:
        messages += store.plan_change.lines()
    messages += [entry.reason for entry in standing.set_aside]
    messages += [f"set aside for this run: {line}" for line in grouped(standing.cells_set_aside)]
    if standing.accepted_count:
        messages.append(
            f"resuming: {out_of(standing.accepted_count, standing.wanted_count, 'repeat', 'is')} measured"
        )
    return messages
