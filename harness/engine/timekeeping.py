"""Was the wall clock set, or did the machine sleep? Told from pairs of readings. Pure but for one reader."""

from __future__ import annotations

import ctypes
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

from harness.clock import Clock, SystemClock

#: A clock that is being disciplined drifts by far less than this between two looks; a step is more.
STEP_AT_LEAST_S: Final = 2.0


@dataclass(frozen=True)
class TimeReading:
    """Clocks read at one moment.

    Attributes:
        wall_utc: Wall-clock time.
        awake_s: Monotonic seconds that stand still while the machine sleeps.
        elapsed_s: Monotonic seconds that go on while it sleeps; None where the system has none.
    """

    wall_utc: datetime
    awake_s: float
    elapsed_s: float | None = None


@dataclass(frozen=True)
class TimeFault:
    """Time did not pass evenly.

    Attributes:
        kind: ``suspended`` (the machine slept) or ``clock-stepped`` (the wall clock was set).
        seconds: How long it slept, or by how much the clock was set (negative: back).
        reason: The same in a sentence.
    """

    kind: Literal["suspended", "clock-stepped"]
    seconds: float
    reason: str


def time_fault(
    before: TimeReading, after: TimeReading, at_least_s: float = STEP_AT_LEAST_S
) -> TimeFault | None:
    """What happened to time between two readings, if anything.

    Without a clock that goes on during sleep, a machine that slept and a clock set forward look alike; both
    are then told as a clock set forward, and either way the attempt is measured again.
    """
    awake_s = after.awake_s - before.awake_s
    passed_s = awake_s
    if before.elapsed_s is not None and after.elapsed_s is not None:
        passed_s = after.elapsed_s - before.elapsed_s
        slept_s = passed_s - awake_s
        if slept_s >= at_least_s:
            return TimeFault("suspended", slept_s, f"the machine slept for {slept_s:.0f} s")
    step_s = (after.wall_utc - before.wall_utc).total_seconds() - passed_s
    if abs(step_s) >= at_least_s:
        way = "forward" if step_s > 0 else "back"
        return TimeFault("clock-stepped", step_s, f"the wall clock was set {way} by {abs(step_s):.0f} s")
    return None


class TimeWatch:
    """Looks at the clocks again and again; each look is compared with the one before.

    Args:
        clock: The rig's clock. A real one is read together with the system's sleep-aware clock.
    """

    def __init__(self, clock: Clock) -> None:
        self._read = _reader(clock)
        self._last = self._read()

    def look(self) -> TimeFault | None:
        """What happened to time since the last look."""
        before, self._last = self._last, self._read()
        return time_fault(before, self._last)


def _reader(clock: Clock) -> Callable[[], TimeReading]:
    if not isinstance(clock, SystemClock):
        return lambda: TimeReading(clock.now_utc(), clock.now_s())
    return lambda: TimeReading(clock.now_utc(), *_system_seconds())


if sys.platform == "win32":

    def _system_seconds() -> tuple[float, float | None]:
        """Unbiased interrupt time stands still in sleep, the performance counter goes on (not tried here)."""
        ticks = ctypes.c_ulonglong()
        if not ctypes.windll.kernel32.QueryUnbiasedInterruptTime(ctypes.byref(ticks)):
            return time.perf_counter(), None
        return ticks.value / 1e7, time.perf_counter()

else:

    def _system_seconds() -> tuple[float, float | None]:
        """CLOCK_MONOTONIC stands still in sleep, CLOCK_BOOTTIME goes on (Linux, clock_gettime(2))."""
        if not hasattr(time, "CLOCK_BOOTTIME"):
            return time.monotonic(), None
        return time.clock_gettime(time.CLOCK_MONOTONIC), time.clock_gettime(time.CLOCK_BOOTTIME)
