"""When a run may measure: the plan's hours, and the longest night, from the night's start over restarts."""

from __future__ import annotations

from datetime import datetime, timedelta, tzinfo
from typing import Final

from harness.clock import Clock
from harness.engine.messages import NightOver, StopRequested
from harness.plan.hours import Closed, NightHours, Open, Over
from harness.plan.schema import Plan

#: Time between two forecasts of the end over several nights, seconds.
_END_EVERY_S: Final = 60.0


class NightWatch:
    """Knows whether the night has begun, and whether it is over.

    Wall-clock time decides about times of day, so that a clock that is set right counts; monotonic time about
    how long a night without hours has been going.

    Args:
        plan: States the hours and the longest night.
        clock: The rig's clock.
        elapsed_s: How long the night has been going already, before this process began.
        zone: Whose local time; None: the system's.
    """

    def __init__(self, plan: Plan, clock: Clock, elapsed_s: float = 0.0, zone: tzinfo | None = None) -> None:
        self.hours = NightHours.of(plan.night, zone)
        self._limit_s = plan.limits.night_ends_after_s
        self._clock = clock
        self._origin_s = clock.now_s() - elapsed_s
        self._begun_utc = clock.now_utc() - timedelta(seconds=elapsed_s)
        self._known: tuple[datetime, datetime | None, Open | Closed | Over | None]
        self._known = (self._begun_utc, None, None)
        self._end_due_s = clock.now_s()
        self._end_utc = self._begun_utc

    def ends_run(self) -> StopRequested | None:
        """The run is to end in order, and goes on only when it is started again."""
        match self._state():
            case Over():
                return StopRequested("stop", f"the plan ends the night at {self.hours.ends_at:%H:%M}")
            case Open(since_utc, _) if not self.hours.several_nights and self._too_long(since_utc):
                return StopRequested("stop", f"the plan ends the night after {self._limit_s:.0f} s")
        return None

    def interrupts(self) -> NightOver | None:
        """A night is over and another follows: the running attempt ends now and is measured again then."""
        until_utc = self.waits_until()
        if until_utc is None:
            return None
        return NightOver(f"the night is over; it goes on at {self._words(until_utc)}")

    def waits_until(self, needs_s: float = 0.0) -> datetime | None:
        """When the next attempt may begin; None if it may begin now.

        Args:
            needs_s: How long it takes; one that does not fit is not begun, unless it fits into no night.
        """
        now_utc = self._clock.now_utc()
        match self._state():
            case Closed(until_utc):
                return until_utc
            case Open(since_utc, until_utc) if self.hours.several_nights and until_utc is not None:
                left_s = (until_utc - now_utc).total_seconds()
                fits = left_s >= needs_s or needs_s >= (until_utc - since_utc).total_seconds() / 2
                if not fits or self._too_long(since_utc):
                    return self._next_start(until_utc)
        return None

    def wait_words(self, until_utc: datetime) -> str:
        """What is waited for, in a few words."""
        return f"waits until {self._words(until_utc)}"

    def ends_in_s(self, work_s: float) -> float:
        """Seconds until that much work is done, the days between included; worked out once a minute."""
        if not self.hours.stated:
            return work_s
        now_s = self._clock.now_s()
        if now_s >= self._end_due_s:
            self._end_due_s = now_s + _END_EVERY_S
            self._end_utc, _ = self.hours.end_of_work(work_s, self._clock.now_utc(), self._begun_utc)
        return max(0.0, self.seconds_until(self._end_utc))

    def seconds_until(self, instant_utc: datetime) -> float:
        """From now, by the wall clock."""
        return (instant_utc - self._clock.now_utc()).total_seconds()

    def _state(self) -> Open | Closed | Over:
        """What may be done now. Kept until it changes, or the clock was set back before it was worked out."""
        now_utc = self._clock.now_utc()
        from_utc, until_utc, state = self._known
        if state is None or now_utc < from_utc or (until_utc is not None and now_utc >= until_utc):
            state = self.hours.at(now_utc, self._begun_utc)
            until_utc = None if isinstance(state, Over) else state.until_utc
            self._known = (now_utc, until_utc, state)
        return state

    def _next_start(self, after_utc: datetime) -> datetime:
        match self.hours.at(after_utc, self._begun_utc):
            case Closed(until_utc):
                return until_utc
        return after_utc  # one night ends as the next begins

    def _too_long(self, since_utc: datetime) -> bool:
        if self._limit_s is None:
            return False
        if self.hours.starts_at is None:
            return self._clock.now_s() - self._origin_s > self._limit_s
        start_utc = max(since_utc, self._begun_utc)
        return (self._clock.now_utc() - start_utc).total_seconds() > self._limit_s

    def _words(self, instant_utc: datetime) -> str:
        return f"{self.hours.local(instant_utc):%a %H:%M}"
