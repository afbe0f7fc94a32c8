"""What the driver gives of itself while it waits: heartbeat, sign of life, progress."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from harness.clock import Clock
from harness.engine.attempt import Running
from harness.engine.machine import State
from harness.engine.progress import EndEstimate, Observer, Progress
from harness.engine.schedule import Schedule
from harness.errors import HarnessError
from harness.store.campaign import CampaignStore
from harness.telemetry.sampler import Sampler

HEARTBEAT_S = 5.0
#: Time between two reports of progress within a phase, seconds.
PROGRESS_S = 1.0


class Signs:
    """Gives signs when they are due.

    Args:
        clock: The rig's clock.
        store: Takes the heartbeat.
        sampler: Has the latest readings.
        observer: Hears of progress.
        sign_of_life: Called with each heartbeat.
        schedule: Knows what is left.
        typical_s: Length of an attempt by the plan's forecast.
        ends_in_s: Seconds until that much work is done, nights considered.
    """

    def __init__(
        self,
        clock: Clock,
        store: CampaignStore,
        sampler: Sampler,
        observer: Observer,
        sign_of_life: Callable[[], None],
        schedule: Schedule,
        typical_s: float,
        ends_in_s: Callable[[float], float] = lambda work_s: work_s,
    ) -> None:
        self._clock = clock
        self._store = store
        self._sampler = sampler
        self._observer = observer
        self._sign_of_life = sign_of_life
        self._schedule = schedule
        self._estimate = EndEstimate(typical_s)
        self._ends_in_s = ends_in_s
        self._phase_start_s = self._heartbeat_due_s = self._progress_due_s = clock.now_s()
        self.count_repeats()

    def phase_begins(self, now_s: float) -> None:
        """Another phase began; progress is told at once."""
        self._phase_start_s = self._progress_due_s = now_s

    @property
    def typical_s(self) -> float:
        """How long an attempt takes."""
        return self._estimate.typical_s

    def attempt_took(self, duration_s: float) -> None:
        """An attempt ended after that long."""
        self._estimate.attempt_took(duration_s)
        self.count_repeats()

    def count_repeats(self) -> None:
        """Look at the schedule again."""
        self._counts = self._schedule.counts()
        self._estimate.left = self._counts.left

    @contextmanager
    def through(self, longest_s: float, meanwhile: Callable[[], None] = lambda: None) -> Iterator[None]:
        """Give signs of life from a thread of their own while a call is made that takes its time.

        They end after ``longest_s``: a call that takes longer hangs, and whoever watches must find out.
        ``meanwhile`` is called with each of them.
        """
        end_s = self._clock.now_s() + longest_s

        def sign() -> None:
            if self._clock.now_s() <= end_s:
                with suppress(HarnessError):  # the next heartbeat of the main thread tells
                    self._store.heartbeat(self._clock.now_utc())
                    self._sign_of_life()
                    meanwhile()

        ticker = self._clock.every(HEARTBEAT_S, sign)
        try:
            yield
        finally:
            ticker.stop()

    def give(self, state: State, running: Running | None, detail: str, phase_left_s: float | None) -> None:
        """Give what is due; called several times a second."""
        now_s = self._clock.now_s()
        if now_s >= self._heartbeat_due_s:
            self._heartbeat_due_s = now_s + HEARTBEAT_S
            self._store.heartbeat(self._clock.now_utc())
            self._sign_of_life()
        if now_s >= self._progress_due_s:
            self._progress_due_s = now_s + PROGRESS_S
            self._observer.on_progress(self._progress(now_s, state, running, detail, phase_left_s))

    def _progress(
        self, now_s: float, state: State, running: Running | None, detail: str, phase_left_s: float | None
    ) -> Progress:
        readings = {
            quantity: sample.value
            for quantity in self._sampler.quantities
            if (sample := self._sampler.latest(quantity)) is not None
        }
        return Progress(
            phase=str(state.phase),
            cell_id=running.cell.cell_id if running else None,
            repeat_index=running.slot.repeat_index if running else None,
            attempt_index=running.ref.attempt_index if running else None,
            accepted=self._counts.accepted,
            wanted=self._counts.wanted,
            phase_s=now_s - self._phase_start_s,
            phase_left_s=phase_left_s,
            ends_in_s=self._ends_in_s(self._estimate.ends_in_s(now_s - running.start_s if running else 0.0)),
            readings=readings,
            detail=detail,
            which=running.which if running else "",
            frame_log=running.growing_log(now_s) if running and state.title_may_run else None,
        )
