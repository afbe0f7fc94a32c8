"""Carries the state machine's instructions out: the only place where the engine touches the rig.

Every wait runs through :meth:`Driver.pulse`, which keeps the heartbeat, the safety limits, stop requests and
the title's life in view; so a wait ends for whatever comes first.
"""

from __future__ import annotations

import errno
from collections.abc import Callable, Mapping

from harness.boundary import READ_LOG_LIMIT_S, note_fault
from harness.engine.attempt_acts import PULSE_S, STOP_GRACE_S, AttemptActs, InDanger, reason_of
from harness.engine.earlier_night import recall
from harness.engine.heartbeat import Signs
from harness.engine.history import History
from harness.engine.ingest import ingest_and_judge
from harness.engine.interruptions import Lookout
from harness.engine.machine import step
from harness.engine.messages import (
    ApplyProfile,
    BeginAttempt,
    CloseTitle,
    CommitAttempt,
    EndCampaign,
    Event,
    Failed,
    FetchSlot,
    HoldGate,
    IngestAndJudge,
    Instruction,
    LaunchTitle,
    MeasureWindow,
    Restored,
    RestoreFactory,
    SlotOffered,
    Start,
    StopRequested,
)
from harness.engine.profiles import ProfileKeeper, restore_patiently
from harness.engine.progress import GuardedListener, Listener, Observer
from harness.engine.readings_wait import ReadingsWait
from harness.engine.schedule import Schedule
from harness.engine.timekeeping import TimeWatch
from harness.errors import (
    CompanionFailed,
    ControlRefused,
    DiskFull,
    FrameLogError,
    HarnessError,
    NotRestored,
    SeamError,
    StepFailed,
    StoreError,
    WorkloadFailed,
)
from harness.guard.times import RESTORE_PAUSES_S
from harness.log import get_logger
from harness.plan.schema import Cell, Plan
from harness.power_sensor.model import PowerSensorModel
from harness.reasons import permanent_code
from harness.rig import Rig
from harness.store.campaign import CampaignStore
from harness.telemetry.sampler import Sampler
from harness.titlefiles import TitleFiles

#: Longest time between two looks between nights, when nothing runs, seconds.
WAIT_PULSE_S = 2.0
#: Instructions whose failure is the attempt's; the others' is the store's.
_CAN_FAIL = (ApplyProfile, HoldGate, LaunchTitle, MeasureWindow, CloseTitle, IngestAndJudge)
_STOPPABLE = (FetchSlot, ApplyProfile, HoldGate, LaunchTitle, MeasureWindow)

#: Signs of life are given this long while a log is kept, read and judged, seconds.
INGEST_S = 2 * READ_LOG_LIMIT_S


log = get_logger("levelrig.engine")


class Driver(AttemptActs):
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
        power_sensor: PowerSensorModel | None = None,
        files: TitleFiles | None = None,
        schedule: Schedule,
        typical_s: float,
        listener: Listener | None = None,
    ) -> None:
        super().__init__(
            plan=plan,
            cells=cells,
            rig=rig,
            store=store,
            sampler=sampler,
            keeper=keeper,
            observer=observer,
            lookout=lookout,
            signs=Signs(
                rig.clock,
                store,
                sampler,
                observer,
                sign_of_life,
                schedule,
                typical_s,
                lookout.night.ends_in_s,
            ),
            boot_id=boot_id,
            history=History(store.attempts(), memory_total_mib, power_sensor),
        )
        self._files = files
        self._schedule = schedule
        self._listener = GuardedListener(listener)
        self._time = TimeWatch(self._clock)
        recall(store, plan, cells, self._gatekeeper.thermal, self._history)
        self._stopping = False

    # --- the loop -----------------------------------------------------------------------------------------

    def run(self) -> EndCampaign:
        """Run until the machine ends the campaign; returns how it ended.

        Raises:
            HarnessError: The store or a plugin failed; the card was put back as far as possible.
        """
        instructions: tuple[Instruction, ...] = self._step(Start())
        while True:
            (instruction,) = instructions
            if isinstance(instruction, EndCampaign):
                return instruction
            stop = self.stop_request() if isinstance(instruction, _STOPPABLE) else None
            if stop is not None:
                instructions = self._step(stop) or instructions
                continue
            running = self._running
            self._listener.begins(instruction, running)
            event = self._try(instruction)
            self._listener.ended(instruction, event, running or self._running)
            instructions = self._step(event)

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
        except InDanger as danger:
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
            return Failed(_code_of(instruction, error), reason_of(error))

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
                return self.begin(slot)
            case ApplyProfile():
                return self.apply()
            case HoldGate(gate):
                return self.hold(gate)
            case LaunchTitle():
                return self.launch()
            case MeasureWindow():
                return self.measure()
            case CloseTitle():
                return self.close()
            case IngestAndJudge():
                with self._signs.through(INGEST_S):
                    return ingest_and_judge(self._now, self._plan, self._rig, self._store, self._history)
            case CommitAttempt():
                return self.commit(instruction)
            case RestoreFactory():
                return self._restore()
            case EndCampaign():
                raise AssertionError("run() ends before this")

    # --- watching -----------------------------------------------------------------------------------------

    def stop_request(self) -> StopRequested | None:
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

    def pulse(self, detail: str = "", phase_left_s: float | None = None) -> Event | None:
        """One look around; the event that ends the present wait, if any."""
        self._signs.give(self._state, self._running, detail, phase_left_s)
        return (
            self._lookout.danger(self._state)
            or self._time_trouble()
            or self.stop_request()
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
            if (stop := wait.over(missing) or self.stop_request()) is not None:
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
        """Between nights: wait with the card as it was found. False if a stop ends the campaign."""
        night = self._lookout.night
        until_utc = night.waits_until(self._signs.typical_s)
        if until_utc is None:
            return True
        try:
            doubts = self._put_back()
        except NotRestored as error:
            self._step(self._not_restored(error))
            return False
        card = "; ".join(doubts) or "nothing of the card is left changed"
        self._announce(f"{night.wait_words(until_utc)}; {card}")
        while until_utc is not None:
            self._signs.give(self._state, None, night.wait_words(until_utc), night.seconds_until(until_utc))
            stop = self._lookout.danger(self._state) or self.stop_request()
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

    def _restore(self) -> Event:
        try:
            doubts = self._put_back()
        except HarnessError as error:
            note_fault("putting the card back", error)
            self._observer.on_message("error", str(error))
            self._store.note("unrestored", str(error))
            return Restored(str(error))
        return Restored(doubt="; ".join(doubts) or None)

    def _put_back(self) -> list[str]:
        """Restore with growing pauses between the tries; what can't be proven. Raises HarnessError."""

        def tell(text: str) -> None:
            self._observer.on_message("warning", text)
            log.warning("restore failed", detail=text)

        with self._signs.through(self._keeper.longest_restore_s() * len(RESTORE_PAUSES_S)):
            return restore_patiently(self._keeper, self._clock, tell)

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


def _code_of(instruction: Instruction, error: Exception) -> str:
    """The reason code of an attempt that this error fails."""
    match error:
        case ControlRefused():
            code = "profile-refused"
        case CompanionFailed():
            code = "companion-failed"
        case StepFailed():
            code = "step-failed"
        case WorkloadFailed():
            code = "launch-failed" if isinstance(instruction, LaunchTitle) else "workload-failed"
        case FrameLogError():
            code = "frame-log"
        case _:
            code = "program-fault"
    return permanent_code(code) if isinstance(error, SeamError) and error.permanent else code
