"""Carries the state machine's instructions out: the only place where the engine touches the rig.

Every wait runs through :meth:`Driver._pulse`, which keeps the heartbeat, the safety limits, stop requests and
the title's life in view; so a wait ends for whatever comes first.
"""

from __future__ import annotations

import contextlib
import errno
from collections.abc import Callable, Mapping
from typing import TypeVar, cast

import structlog
import tenacity

from harness import inside
from harness.attempt_row import AttemptRow
from harness.boundary import READ_LOG_LIMIT_S, note_fault, told
from harness.checks.core import core_quantities
from harness.clock import StillRunning
from harness.engine.attempt import GateResult, Measured, Recording, Running
from harness.engine.earlier_night import recall
from harness.engine.gatekeeper import Gatekeeper
from harness.engine.heartbeat import Signs
from harness.engine.history import History
from harness.engine.ingest import ingest_and_judge, keep_evidence
from harness.engine.interruptions import Lookout
from harness.engine.machine import State, step
from harness.engine.messages import (
    ApplyProfile,
    AttemptBegun,
    BeginAttempt,
    Closed,
    CloseTitle,
    CommitAttempt,
    Committed,
    EndCampaign,
    Event,
    Failed,
    FetchSlot,
    GateOpened,
    GateTimedOut,
    HoldGate,
    IngestAndJudge,
    Instruction,
    Launched,
    LaunchTitle,
    MeasureWindow,
    ProfileInForce,
    Restored,
    RestoreFactory,
    SlotOffered,
    Start,
    StopRequested,
    WindowEnded,
)
from harness.engine.profiles import ProfileKeeper, restore_patiently
from harness.engine.progress import Observer
from harness.engine.readings_wait import ReadingsWait
from harness.engine.schedule import Schedule
from harness.engine.timekeeping import TimeWatch
from harness.errors import (
    ControlRefused,
    DiskFull,
    FrameLogError,
    HarnessError,
    NotRestored,
    SeamError,
    StoreError,
    WorkloadFailed,
)
from harness.guard.times import RESTORE_PAUSES_S
from harness.log import get_logger
from harness.plan.schema import Cell, Plan, Slot, rules_in_force
from harness.reasons import permanent_code
from harness.rig import Launch, Rig, Workload
from harness.stages import AnyStage, Rule
from harness.store.campaign import CampaignStore
from harness.tables import TELEMETRY
from harness.telemetry.sampler import Sampler

#: Longest time between two looks at limits, stop requests and the title, seconds.
PULSE_S = 0.25
#: The same between nights, when nothing runs, seconds.
WAIT_PULSE_S = 2.0
#: Time that a title is given to end by itself before its process tree is ended, seconds.
STOP_GRACE_S = 5.0
#: Longer stages in the title after an unsteady attempt of one without a window of its own, seconds.
UNSTEADY_EXTENSION_S = 60.0
#: Instructions whose failure is the attempt's; the others' is the store's.
_CAN_FAIL = (ApplyProfile, HoldGate, LaunchTitle, MeasureWindow, CloseTitle, IngestAndJudge)
_STOPPABLE = (FetchSlot, ApplyProfile, HoldGate, LaunchTitle, MeasureWindow)

#: Signs of life are given this long while a log is kept, read and judged, seconds.
INGEST_S = 2 * READ_LOG_LIMIT_S

T = TypeVar("T")

log = get_logger("levelrig.engine")


class _InDanger(Exception):
    """A limit ended a wait for something else."""

    def __init__(self, event: StopRequested | Failed) -> None:
        self.event = event
        super().__init__()


class Driver:
    """Runs a campaign's slots on a rig. One use."""

    def __init__(
        self,
        *,
        plan: Plan,
        cells: Mapping[str, Cell],
        rig: Rig,
        store: CampaignStore,
        sampler: Sampler,
        keeper: ProfileKeeper,
        observer: Observer,
        lookout: Lookout,
        sign_of_life: Callable[[], None],
        boot_id: str,
        memory_total_mib: Mapping[str, float | None] | None = None,
        schedule: Schedule,
        typical_s: float,
    ) -> None:
        self._plan = plan
        self._cells = cells
        self._rig = rig
        self._clock = rig.clock
        self._store = store
        self._sampler = sampler
        self._keeper = keeper
        self._observer = observer
        self._lookout = lookout
        self._boot_id = boot_id
        self._schedule = schedule
        self._time = TimeWatch(self._clock)
        self._signs = Signs(
            rig.clock, store, sampler, observer, sign_of_life, schedule, typical_s, lookout.night.ends_in_s
        )
        self._state = State()
        self._running: Running | None = None
        self._origin_s = self._clock.now_s()
        self._history = History(store.attempts(), memory_total_mib)
        self._gatekeeper = Gatekeeper(plan, sampler, self._history)
        recall(store, plan, cells, self._gatekeeper.thermal, self._history)
        self._stopping = False

    # --- the loop -----------------------------------------------------------------------------------------

    def run(self) -> EndCampaign:
        """Run until the machine ends the campaign; returns how it ended.

        Raises:
            HarnessError: The store or a plugin failed; the factory state was restored as far as possible.
        """
        instructions: tuple[Instruction, ...] = self._step(Start())
        while True:
            (instruction,) = instructions
            if isinstance(instruction, EndCampaign):
                return instruction
            stop = self._stop_request() if isinstance(instruction, _STOPPABLE) else None
            if stop is not None:
                instructions = self._step(stop) or instructions
                continue
            instructions = self._step(self._try(instruction))

    def _step(self, event: Event) -> tuple[Instruction, ...]:
        before = self._state.phase
        self._state, instructions = step(self._state, event)
        if self._state.phase != before:
            now_s = self._clock.now_s()
            self._signs.phase_begins(now_s)
            self._sampler.set_phase(str(self._state.phase))
            if self._running is not None:
                self._store.mark_phase(
                    self._running.ref, str(self._state.phase), now_s - self._running.start_s
                )
        return instructions

    def _try(self, instruction: Instruction) -> Event:
        """Carry an instruction out; whatever it raises fails the attempt, and the night goes on.

        A full disk ends the night as well, resumable. The exceptions are an attempt's start and outcome, and
        the store: where nothing can be put down nothing more can be promised, and the error ends the run.
        """
        try:
            return self._carry_out(instruction)
        except _InDanger as danger:
            return danger.event
        except DiskFull as error:
            return self._disk_full(instruction, error)
        except NotRestored as error:
            return self._not_restored(error)
        except StoreError:
            raise
        except Exception as error:
            if not isinstance(instruction, _CAN_FAIL):
                raise
            if isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT):
                return self._disk_full(instruction, DiskFull(f"the disk is full ({error}); make room"))
            note_fault(f"{type(instruction).__name__} of an attempt", error)
            return Failed(_code_of(instruction, error), _reason_of(error))

    def _disk_full(self, instruction: Instruction, error: DiskFull) -> Event:
        if isinstance(instruction, BeginAttempt | CommitAttempt):
            raise error
        if isinstance(instruction, FetchSlot):  # no attempt runs that could fail
            self._step(StopRequested("storage", str(error)))
            return SlotOffered(None)
        self._lookout.stop.request("storage", str(error))
        return Failed("disk-full", str(error))

    def _not_restored(self, error: NotRestored) -> StopRequested:
        """A card that can't be put back is not measured any further: the night ends, resumable."""
        note_fault("putting the card back between two profiles", error)
        self._stopping = True
        reason = f"the card could not be put back between two profiles ({error.why})"
        self._observer.on_message("warning", f"stopping: {reason}; it is tried again")
        return StopRequested("restore-failed", reason)

    def _carry_out(self, instruction: Instruction) -> Event:
        match instruction:
            case FetchSlot():
                return self._offer()
            case BeginAttempt(slot):
                return self._begin(slot)
            case ApplyProfile():
                return self._apply()
            case HoldGate(gate):
                return self._hold(gate)
            case LaunchTitle():
                return self._launch()
            case MeasureWindow():
                return self._measure()
            case CloseTitle():
                return self._close()
            case IngestAndJudge():
                with self._signs.through(INGEST_S):
                    return ingest_and_judge(self._now, self._plan, self._rig, self._store, self._history)
            case CommitAttempt():
                return self._commit(instruction)
            case RestoreFactory():
                return self._restore()
            case EndCampaign():
                raise AssertionError("run() ends before this")

    @property
    def _now(self) -> Running:
        assert self._running is not None, "an attempt's instruction came between attempts"
        return self._running

    # --- watching -----------------------------------------------------------------------------------------

    def _stop_request(self) -> StopRequested | None:
        """A stop to act on now. A pause is noted in the machine's state and lets the attempt end first."""
        if self._stopping or (request := self._lookout.stop_request()) is None:
            return None
        self._observer.on_message("warning", f"stopping: {request.reason}")
        log.warning("stop requested", kind=request.kind, reason=request.reason)
        if request.kind == "pause":
            self._step(request)
            return None
        self._stopping = True
        return request

    def _pulse(self, detail: str = "", phase_left_s: float | None = None) -> Event | None:
        """One look around; the event that ends the present wait, if any."""
        self._signs.give(self._state, self._running, detail, phase_left_s)
        return (
            self._lookout.danger(self._state)
            or self._time_trouble()
            or self._stop_request()
            or self._lookout.night.interrupts()
            or self._lookout.title_trouble(self._now, self._state)
        )

    def _time_trouble(self) -> Failed | None:
        """The machine slept or its clock was set: what was measured meanwhile can't be trusted."""
        fault = self._time.look()
        if fault is None:
            return None
        self._store.note(fault.kind, fault.reason)
        return Failed(fault.kind, fault.reason)

    # --- the instructions ---------------------------------------------------------------------------------

    def _offer(self) -> Event:
        cause = self._store.standing().shared_cause
        if cause is not None and self._state.stop is None:
            self._stopping = True
            self._observer.on_message("error", f"the night pauses: {cause.sentence()}")
            self._store.note("shared-cause", cause.sentence())
            self._step(StopRequested("conditions", cause.sentence()))
            return SlotOffered(None)
        slot = self._schedule.next()
        while self._schedule.news:
            self._observer.on_message("info", self._schedule.news.pop(0))
        self._signs.count_repeats()
        if slot is not None and not self._wait_for_night():
            return SlotOffered(None)
        if slot is not None:
            self._await_readings()
        return SlotOffered(slot)

    def _await_readings(self) -> None:
        """Start no title while a limited quantity is not read. No try is used; at last the night ends."""
        wait = ReadingsWait(self._clock, self._plan.limits.wait_for_readings_s)
        told = False
        while self._state.stop is None and (missing := self._lookout.awaited()) is not None:
            if not told:
                told = True
                patience_s = self._plan.limits.wait_for_readings_s
                text = f"no title is started, up to {patience_s:.0f} s, while {missing}"
                self._observer.on_message("warning", text)
                self._store.note("waiting-for-readings", text)
            if (stop := wait.over(missing) or self._stop_request()) is not None:
                self._step(stop)
                return
            if wait.restore_due():
                try:
                    self._keeper.restore()
                except HarnessError as error:  # it is tried again at the end, whatever ends the night
                    self._observer.on_message("error", str(error))
            self._signs.give(self._state, None, f"waiting: {missing}", None)
            self._clock.sleep_s(PULSE_S)

    def _wait_for_night(self) -> bool:
        """Between nights: wait with the card in its factory state. False if a stop ends the campaign."""
        night = self._lookout.night
        until_utc = night.waits_until(self._signs.typical_s)
        if until_utc is None:
            return True
        try:
            with self._signs.through(self._keeper.longest_restore_s()):
                doubts = self._keeper.restore()
        except NotRestored as error:
            self._step(self._not_restored(error))
            return False
        card = "; ".join(doubts) or "nothing of the card is left changed"
        self._announce(f"{night.wait_words(until_utc)}; {card}")
        while until_utc is not None:
            self._signs.give(self._state, None, night.wait_words(until_utc), night.seconds_until(until_utc))
            stop = self._lookout.danger(self._state) or self._stop_request()
            if isinstance(stop, StopRequested):
                self._step(stop)
            if self._state.stop is not None:
                return False
            self._clock.sleep_s(max(PULSE_S, min(WAIT_PULSE_S, night.seconds_until(until_utc))))
            until_utc = night.waits_until(self._signs.typical_s)
        self._time.look()  # a machine that slept through the day has missed nothing
        self._announce("the night begins")
        return True

    def _announce(self, text: str) -> None:
        self._observer.on_message("info", text)
        self._store.note("night", text)

    def _begin(self, slot: Slot) -> Event:
        now_s, now_utc = self._clock.now_s(), self._clock.now_utc()
        ref = self._store.begin_attempt(
            slot, started_utc=now_utc, start_s=now_s - self._origin_s, boot_id=self._boot_id
        )
        self._running = Running(
            slot=slot,
            cell=self._cells[slot.cell_id],
            ref=ref,
            started_utc=now_utc,
            start_s=now_s,
            campaign_start_s=self._origin_s,
            boot_id=self._boot_id,
            temperature_quantity=self._gatekeeper.temperature,
            stages=self._stages(slot),
        )
        self._running.recording = Recording(self._store.table_writer(ref, "telemetry", TELEMETRY))
        self._sampler.record_to(self._running.recording)
        structlog.contextvars.bind_contextvars(
            cell=slot.cell_id, repeat=slot.repeat_index, attempt=ref.attempt_index
        )
        log.info("attempt begins", position=slot.position, block=slot.block)
        stages = [stage for stage, _ in self._running.stages.values()]
        return AttemptBegun(
            before_launch=tuple(stage.key for stage in stages if stage.place == "before-launch"),
            in_title=tuple(stage.key for stage in stages if stage.place == "in-title"),
        )

    def _stages(self, slot: Slot) -> dict[str, tuple[AnyStage, Rule]]:
        """Key -> stage and rule of this attempt; longer by one window for each unsteady attempt at this
        repeat, where the plan says to extend."""
        title = self._cells[slot.cell_id].title
        more_s = 0.0
        if self._plan.checks.unsteady == "extend":
            tries = self._history.unsteady_tries(slot.cell_id, slot.repeat_index)
            more_s = (title.measure_s or UNSTEADY_EXTENSION_S) * tries
        return {
            stage.key: (stage, stage.stretched(rule, more_s) if more_s else rule)
            for stage, rule in rules_in_force(self._plan.conditions, title)
        }

    def _apply(self) -> Event:
        profile = self._now.cell.profile
        try:
            with self._signs.through(self._keeper.longest_s(profile), self._interrupt_apply):
                self._now.read_back = self._keeper.apply(profile)
        except Exception:
            self._keeper.forget()
            if (stop := self._stop_request()) is not None:
                return stop
            raise
        return ProfileInForce()

    def _interrupt_apply(self) -> None:
        """A command may take ten minutes: who asks for a stop is not kept waiting for it."""
        if self._lookout.stop.pending:
            self._keeper.interrupt()

    def _hold(self, name: str) -> Event:
        running = self._now
        stage, rule = running.stages[name]
        gate = self._gatekeeper.gate(stage, rule, running)
        looks_at = stage.looks_at(rule)
        start_s = self._clock.now_s()
        while True:
            readings = self._gatekeeper.readings(running, looks_at)
            state = gate.update(self._clock.now_s() - start_s, readings)
            waited_s = self._clock.now_s() - start_s
            if state.open or state.timed_out:
                break
            if event := self._pulse(state.detail, state.expected_remaining_s):
                return event
            left_s = state.expected_remaining_s
            self._clock.sleep_s(PULSE_S if left_s is None else max(0.01, min(PULSE_S, left_s)))
        running.gates[name] = GateResult(waited_s, state.ended_by or "timeout")
        for warning in state.warnings:
            log.warning("cooling has changed", detail=warning)
            running.mark(warning)
        if stage.place == "before-launch":
            self._gatekeeper.note_start(running)
        if stage.loads_card:
            running.not_in_force = self._verify_profile()
        if state.timed_out:
            unread = self._gatekeeper.readings(running).temp_missing is not None
            remedy = "mend its sensor" if unread else "improve the cooling"
            remedy += f", or ease conditions.{name} in the plan"
            detail = f"{name}: {state.detail} after {waited_s:.0f} s; {remedy}"
            if rule.then == "mark":
                running.mark(f"{name}-timeout")
            return GateTimedOut(name, rule.then, detail)
        return GateOpened(name)

    def _verify_profile(self) -> list[str]:
        running = self._now
        if running.launch_s is None or running.workload is None:
            return []
        since_s = running.launch_s
        readings = {q: self._sampler.history(q, since_s)[1].tolist() for q in self._sampler.quantities}
        control = self._rig.open_control(running.cell.profile.control)
        process_id = running.workload.process_id()
        return self._under_watch(
            lambda: control.verify_under_load(running.cell.profile, readings, process_id)
        )

    def _launch(self) -> Event:
        running = self._now
        inside.make_folders(self._store.folder, running.work_folder)
        control = self._rig.open_control(running.cell.profile.control)
        launch = control.adapt_launch(
            running.cell.profile,
            Launch(cell=running.cell, work_folder=running.work_folder, output_path=running.output_path),
        )
        retrying = tenacity.Retrying(
            stop=tenacity.stop_after_attempt(self._plan.retries.launch_tries),
            wait=tenacity.wait_fixed(2.0),
            retry=tenacity.retry_if_exception(_may_pass),
            sleep=self._clock.sleep_s,
            before_sleep=_note_launch,
            reraise=True,
        )
        running.workload = retrying(self._start_title, running.cell, launch)
        running.launch_s = self._clock.now_s()
        self._gatekeeper.warmed_by = running.cell.cell_id
        while not running.workload.poll().ready:
            if event := self._pulse("title starts"):
                return event
            self._clock.sleep_s(PULSE_S)
        return Launched()

    def _start_title(self, cell: Cell, launch: Launch) -> Workload:
        workload = self._rig.open_workload(cell)
        try:
            workload.start(launch)
        except BaseException:  # what was started of it must not run on
            with contextlib.suppress(WorkloadFailed):
                workload.stop(0.0)
            raise
        return workload

    def _measure(self) -> Event:
        running = self._now
        assert running.workload is not None
        if running.window_start_s is None:
            running.window_start_s = self._clock.now_s()
        measure_s = running.cell.title.measure_s
        while True:
            now_s = self._clock.now_s()
            left_s = None if measure_s is None else running.window_start_s + measure_s - now_s
            over = left_s is not None and left_s <= 0
            if not over and (event := self._pulse("", left_s)):
                return event
            if over or running.workload.poll().finished:
                running.window_end_s = self._clock.now_s()
                running.lost_hold = self._lost_hold(running)
                return WindowEnded()
            self._clock.sleep_s(PULSE_S if left_s is None else min(PULSE_S, left_s))

    def _lost_hold(self, running: Running) -> str:
        """Read the profile back once more: what was measured counts only if it held to the window's end."""
        profile = running.cell.profile
        with self._signs.through(self._keeper.longest_s(profile)):
            return self._under_watch(lambda: self._keeper.lost_hold(profile))

    def _under_watch(self, call: Callable[[], T]) -> T:
        """Make a call that may take its time while a title heats the card; the limits are watched meanwhile.

        Raises:
            _InDanger: A limit ends the wait; the call goes on by itself.
        """
        aside = self._clock.aside("levelrig-under-watch")
        try:
            return aside.ask(call, PULSE_S)
        except StillRunning:
            while (result := aside.late()) is None:
                if (event := self._lookout.danger(self._state)) is not None:
                    raise _InDanger(event) from None
                self._clock.sleep_s(PULSE_S)
            return cast(T, result.value)
        finally:
            aside.close()

    def _close(self) -> Event:
        running = self._now
        self._sampler.stop_recording()
        running.fresh_for_s = self._sampler.expected()
        running.core = core_quantities(self._plan, self._gatekeeper.temperature, self._sampler.quantities)
        if running.workload is not None:
            running.workload.stop(STOP_GRACE_S)
            running.ended_s = self._clock.now_s()
            if running.exit_code is None:
                running.exit_code = running.workload.poll().exit_code
        return Closed()

    def _commit(self, instruction: CommitAttempt) -> Event:
        running = self._now
        self._sampler.stop_recording()
        try:
            keep_evidence(running, self._store)
        except DiskFull as error:  # the outcome matters more than its last evidence
            running.mark("evidence-incomplete: the disk was full")
            self._lookout.stop.request("storage", str(error))
        except StoreError:
            raise
        except Exception as error:
            note_fault("keeping what an attempt left", error)
            running.mark(f"evidence-incomplete: {told(error)}")
        inside.remove_tree(self._store.folder, running.work_folder)
        if instruction.verdict == "failed":
            self._keeper.forget()  # a driver reset may have undone the profile
        for text in self._sampler.troubles(running.start_s):
            running.mark(text)
        if (stop := self._lookout.attempt_ended(instruction.reason_code)) is not None:
            self._lookout.stop.request(stop.kind, stop.reason)
        now_s = self._clock.now_s()
        row = self._put_down(running, instruction, now_s)
        self._history.add(row)
        self._signs.attempt_took(now_s - running.start_s)
        log.info(
            "attempt ends",
            verdict=instruction.verdict,
            reason=instruction.reason,
            seconds=round(now_s - running.start_s, 1),
        )
        self._observer.on_attempt(
            running.cell.cell_id,
            running.slot.repeat_index,
            running.ref.attempt_index,
            instruction.verdict,
            instruction.reason,
        )
        structlog.contextvars.unbind_contextvars("cell", "repeat", "attempt")
        self._running = None
        return Committed()

    def _put_down(self, running: Running, instruction: CommitAttempt, now_s: float) -> AttemptRow:
        """Commit the attempt; where its figures can't be put down it counts as failed, without them."""
        verdict, code, reason = instruction.verdict, instruction.reason_code, instruction.reason
        try:
            row = running.row(now_s=now_s, verdict=verdict, reason_code=code, reason=reason)
            self._store.commit_attempt(running.ref, row)
        except StoreError:
            raise
        except Exception as error:
            note_fault("an attempt's figures", error)
            running.measured = Measured()
            running.read_back = {}
            verdict, code, reason = "failed", "program-fault", _reason_of(error)
            row = running.row(now_s=now_s, verdict=verdict, reason_code=code, reason=reason)
            self._store.commit_attempt(running.ref, row)
        return row

    def _restore(self) -> Event:
        def tell(text: str) -> None:
            self._observer.on_message("warning", text)
            log.warning("restore failed", detail=text)

        try:
            with self._signs.through(self._keeper.longest_restore_s() * len(RESTORE_PAUSES_S)):
                doubts = restore_patiently(self._keeper, self._clock, tell)
        except HarnessError as error:
            note_fault("putting the card back", error)
            self._observer.on_message("error", str(error))
            self._store.note("unrestored", str(error))
            return Restored(str(error))
        return Restored(doubt="; ".join(doubts) or None)

    def abandon(self) -> None:
        """After an exception: end the title and close the recording. Never raises; the keeper restores."""
        running = self._running
        workload = None if running is None else running.workload
        if workload is not None:
            self._quietly("ending the title", lambda: workload.stop(STOP_GRACE_S))
        self._quietly("ending the recording", self._sampler.stop_recording)
        if running is not None and running.recording is not None:
            self._quietly("closing the recording", running.recording.partial.close)

    @staticmethod
    def _quietly(what: str, call: Callable[[], object]) -> None:
        try:
            call()
        except Exception as error:
            note_fault(what, error)


def _may_pass(error: BaseException) -> bool:
    """Whether another try can turn out better."""
    return isinstance(error, WorkloadFailed) and not error.permanent


def _code_of(instruction: Instruction, error: Exception) -> str:
    """The reason code of an attempt that this error fails."""
    match error:
        case ControlRefused():
            code = "profile-refused"
        case WorkloadFailed():
            code = "launch-failed" if isinstance(instruction, LaunchTitle) else "workload-failed"
        case FrameLogError():
            code = "frame-log"
        case _:
            code = "program-fault"
    return permanent_code(code) if isinstance(error, SeamError) and error.permanent else code


def _reason_of(error: Exception) -> str:
    """Its sentence."""
    if isinstance(error, HarnessError):
        return told(error)
    return f"levelrig could not go on with it: {told(error)}; log.jsonl has the traceback, please report it"


def _note_launch(call: tenacity.RetryCallState) -> None:
    error = call.outcome.exception() if call.outcome is not None else None
    if error is not None:
        note_fault("a launch, which is tried again", error)
