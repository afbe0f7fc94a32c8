"""What is done in one attempt, act by act, and what each of them comes to."""

from __future__ import annotations

import contextlib
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from typing import TypeVar, cast

import structlog
import tenacity

from harness import inside
from harness.attempt_row import AttemptRow
from harness.boundary import note_fault, told
from harness.checks.core import core_quantities
from harness.clock import StillRunning
from harness.engine.attempt import GateResult, Measured, Recording, Running
from harness.engine.gatekeeper import Gatekeeper
from harness.engine.heartbeat import Signs
from harness.engine.history import History
from harness.engine.ingest import keep_evidence
from harness.engine.interruptions import Lookout
from harness.engine.machine import State
from harness.engine.messages import (
    AttemptBegun,
    Closed,
    CommitAttempt,
    Committed,
    Event,
    Failed,
    GateOpened,
    GateTimedOut,
    Launched,
    ProfileInForce,
    StopRequested,
    WindowEnded,
)
from harness.engine.profiles import LostHold, ProfileKeeper
from harness.engine.progress import Observer
from harness.errors import (
    DiskFull,
    HarnessError,
    NotRestored,
    StoreError,
    WorkloadFailed,
)
from harness.guard.times import RESTORE_PAUSES_S
from harness.log import get_logger
from harness.plan.schema import Cell, Plan, Slot, rules_in_force
from harness.rig import Launch, Rig, Workload, stages_over
from harness.stages import AnyStage, Rule
from harness.store.campaign import CampaignStore
from harness.tables import TELEMETRY
from harness.telemetry.sampler import Sampler
from harness.titlefiles import TitleFiles, home_environment

#: Longest time between two looks at limits, stop requests and the title, seconds.
PULSE_S = 0.25
#: Time that a title is given to end by itself before its process tree is ended, seconds.
STOP_GRACE_S = 5.0
#: Reasons that say that the profile was not in force: the next attempt applies all of it again.
NOT_IN_FORCE = frozenset({"profile-not-in-force", "profile-lost", "profile-changed"})
#: Longer stages in the title after an unsteady attempt of one without a window of its own, seconds.
UNSTEADY_EXTENSION_S = 60.0

T = TypeVar("T")

log = get_logger("levelrig.engine")


class InDanger(Exception):
    """A limit ended a wait for something else."""

    def __init__(self, event: StopRequested | Failed) -> None:
        self.event = event
        super().__init__()


class AttemptActs(ABC):
    """The acts of an attempt on a rig. Every wait looks around through :meth:`pulse`, which may end it."""

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
        signs: Signs,
        boot_id: str,
        history: History,
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
        self._signs = signs
        self._boot_id = boot_id
        self._history = history
        self._gatekeeper = Gatekeeper(plan, sampler, history)
        self._state = State()
        self._files: TitleFiles | None = None
        self._running: Running | None = None
        self._origin_s = self._clock.now_s()

    @abstractmethod
    def pulse(self, detail: str = "", phase_left_s: float | None = None) -> Event | None:
        """One look around; the event that ends the present wait, if any."""

    @abstractmethod
    def stop_request(self) -> StopRequested | None:
        """A stop to act on now."""

    @property
    def _now(self) -> Running:
        assert self._running is not None, "an attempt's instruction came between attempts"
        return self._running

    def begin(self, slot: Slot) -> Event:
        """Put the attempt down as begun, and record from now on."""
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
            which=slot.said(self._plan.plan.repeats_at_most),
            temperature_quantity=self._gatekeeper.temperature,
            stages=self._stages(slot),
            channels=self._sampler.channels,
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

    def apply(self) -> Event:
        """Bring the profile into force; a stop may interrupt the call.

        Where the profile before it can't be taken back, that is tried again with growing pauses.
        """
        profile = self._now.cell.profile
        for pause_s in (*RESTORE_PAUSES_S, None):
            try:
                with self._signs.through(self._keeper.longest_s(profile), self._interrupt_apply):
                    self._now.read_back = self._keeper.apply(profile)
                break
            except Exception as error:
                self._keeper.forget()
                if (stop := self.stop_request()) is not None:
                    return stop
                if pause_s is None or not isinstance(error, NotRestored):
                    raise
                self._observer.on_message("warning", f"{error}. It is tried again in {pause_s:.0f} s")
                self._store.note("restore-tried-again", str(error))
                if (event := self._pause(pause_s, "to put the card back once more")) is not None:
                    return event
        for text in self._keeper.take_noticed():
            self._now.mark(text)
            self._store.note("profile-changed", text)
            self._observer.on_message("warning", text)
        return ProfileInForce()

    def _pause(self, seconds: float, what: str) -> Event | None:
        """Wait, looking around; the event that ends it early, if any."""
        end_s = self._clock.now_s() + seconds
        while (left_s := end_s - self._clock.now_s()) > 0:
            if (event := self.pulse(f"waiting {what}", left_s)) is not None:
                return event
            self._clock.sleep_s(min(PULSE_S, left_s))
        return None

    def _interrupt_apply(self) -> None:
        """A command may take ten minutes: who asks for a stop is not kept waiting for it."""
        if self._lookout.stop.pending:
            self._keeper.interrupt()

    def hold(self, name: str) -> Event:
        """Wait at the gate of a stage."""
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
            if event := self.pulse(state.detail, state.expected_remaining_s):
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
            remedy = "fix its sensor" if unread else "improve the cooling"
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

    def launch(self) -> Event:
        """Start the title and wait until it is ready."""
        running = self._now
        inside.make_folders(self._store.folder, running.work_folder)
        title, environment = running.cell.title, {}
        if self._files is not None:
            if title.private_home:
                inside.make_folders(self._store.folder, running.home)
                environment = home_environment(running.home.absolute())
            self._files.put(title, running.home.absolute() if title.private_home else None)
        control = self._rig.open_control(running.cell.profile.control)
        launch = control.adapt_launch(
            running.cell.profile,
            Launch(
                cell=running.cell,
                work_folder=running.work_folder,
                output_path=running.output_path,
                environment=environment,
                latest=self._latest,
            ),
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
        while not (state := running.workload.poll()).ready:
            if event := self.pulse(state.doing or "title starts"):
                return event
            self._clock.sleep_s(PULSE_S)
        return Launched()

    def _latest(self, quantity: str) -> float | None:
        """The present reading of a quantity, for whoever runs the title."""
        sample = self._sampler.latest(quantity)
        return None if sample is None else float(sample.value)

    def _start_title(self, cell: Cell, launch: Launch) -> Workload:
        workload = self._rig.open_workload(cell)
        try:
            workload.start(launch)
        except BaseException:  # what was started of it must not run on
            with contextlib.suppress(WorkloadFailed):
                workload.stop(0.0)
            raise
        return workload

    def measure(self) -> Event:
        """Let the window pass."""
        running = self._now
        assert running.workload is not None
        if (event := self._await_begin(running.workload)) is not None:
            return event
        if running.window_start_s is None:
            running.window_start_s = running.workload.poll().begin_s or self._clock.now_s()
            self._sampler.programs()  # what was seen before is not this window's
        measure_s = running.cell.title.measure_s
        while True:
            now_s = self._clock.now_s()
            left_s = None if measure_s is None else running.window_start_s + measure_s - now_s
            over = left_s is not None and left_s <= 0
            if not over and (event := self.pulse("", left_s)):
                return event
            if over or running.workload.poll().finished:
                running.window_end_s = running.workload.poll().end_s or self._clock.now_s()
                running.gpu_programs = self._sampler.programs()
                running.lost_hold = self._lost_hold(running)
                return WindowEnded()
            self._clock.sleep_s(PULSE_S if left_s is None else min(PULSE_S, left_s))

    def _await_begin(self, workload: Workload) -> Event | None:
        """Let a title's steps go on to its window; the event that ends the wait, if any."""
        if not workload.poll().steps:
            return None
        stages_over(workload)
        while (state := workload.poll()).begin_s is None:
            if (event := self.pulse(state.doing)) is not None:
                return event
            self._clock.sleep_s(PULSE_S)
        return None

    def _lost_hold(self, running: Running) -> LostHold | None:
        """Read the profile back once more: what was measured counts only if it held to the window's end."""
        profile = running.cell.profile
        with self._signs.through(self._keeper.longest_s(profile)):
            return self._under_watch(lambda: self._keeper.lost_hold(profile))

    def _under_watch(self, call: Callable[[], T]) -> T:
        """Make a call that may take its time while a title heats the card; the limits are watched meanwhile.

        Raises:
            InDanger: A limit ends the wait; the call goes on by itself.
        """
        aside = self._clock.aside("levelrig-under-watch")
        try:
            return aside.ask(call, PULSE_S)
        except StillRunning:
            while (result := aside.late()) is None:
                if (event := self._lookout.danger(self._state)) is not None:
                    raise InDanger(event) from None
                self._clock.sleep_s(PULSE_S)
            return cast(T, result.value)
        finally:
            aside.close()

    def close(self) -> Event:
        """End the recording and the title."""
        running = self._now
        self._sampler.stop_recording()
        running.fresh_for_s = self._sampler.expected()
        running.core = core_quantities(self._plan, self._gatekeeper.temperature, self._sampler.quantities)
        if running.workload is not None:
            self._end_title(running.workload)
            running.ended_s = self._clock.now_s()
            state = running.workload.poll()
            if running.exit_code is None:
                running.exit_code = state.exit_code
            for remark in state.remarks:
                running.mark(remark)
        return Closed()

    def _end_title(self, workload: Workload) -> None:
        """End it. Steps that leave a title take their time: limits are looked at meanwhile, and where one is
        exceeded it is ended at once."""
        if not self._now.cell.title.steps:
            workload.stop(STOP_GRACE_S)
            return

        def look() -> None:
            event = self._lookout.danger(self._state)
            if isinstance(event, StopRequested):
                self._lookout.stop.request(event.kind, event.reason)
                with contextlib.suppress(WorkloadFailed):
                    workload.stop(0.0)

        ticker = self._clock.every(PULSE_S, look)
        try:
            workload.stop(STOP_GRACE_S)
        finally:
            ticker.stop()

    def commit(self, instruction: CommitAttempt) -> Event:
        """Put down what the attempt came to."""
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
        if instruction.verdict == "failed" or instruction.reason_code in NOT_IN_FORCE:
            self._keeper.forget()  # a driver reset may have undone the profile, or it never took hold
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
            running.which,
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
            verdict, code, reason = "failed", "program-fault", reason_of(error)
            row = running.row(now_s=now_s, verdict=verdict, reason_code=code, reason=reason)
            self._store.commit_attempt(running.ref, row)
        return row


def _may_pass(error: BaseException) -> bool:
    """Whether another try can turn out better."""
    return isinstance(error, WorkloadFailed) and not error.permanent


def _note_launch(call: tenacity.RetryCallState) -> None:
    error = call.outcome.exception() if call.outcome is not None else None
    if error is not None:
        note_fault("a launch, which is tried again", error)


def reason_of(error: Exception) -> str:
    """Why an attempt failed by this error, in a sentence."""
    if isinstance(error, HarnessError):
        return told(error)
    return f"levelrig could not go on with it: {told(error)}; log.jsonl has the traceback, please report it"
