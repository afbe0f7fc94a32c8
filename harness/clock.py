"""Time as a seam: monotonic seconds, wall clock, sleeping and periodic calls.

The engine and the sampler see only :class:`Clock`. :class:`SystemClock` is the real one; the simulated
rig brings a virtual one, under which a ten-hour night passes in seconds through the very same code.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Protocol


class Ticker(Protocol):
    """A running periodic call."""

    def stop(self) -> None:
        """End the periodic call. When this returns, no call is running and none will follow."""


class Clock(Protocol):
    """What the program may know of time."""

    def now_s(self) -> float:
        """Monotonic seconds. Comparable with other readings of the same clock only."""

    def now_utc(self) -> datetime:
        """Wall-clock time, timezone-aware UTC. May step; never used for durations."""

    def sleep_s(self, seconds: float) -> None:
        """Let that much time pass. Zero or less returns at once."""

    def every(self, period_s: float, call: Callable[[], None]) -> Ticker:
        """Call ``call`` at absolute deadlines, ``period_s`` apart, until the ticker is stopped.

        Drift-free: deadlines are multiples of the period from the start. A deadline that was missed
        because the last call took too long is skipped, not made up for. ``call`` must not raise.
        """


class SystemClock:
    """The machine's own clock; ``every`` runs on a daemon thread."""

    def now_s(self) -> float:
        return time.perf_counter()

    def now_utc(self) -> datetime:
        return datetime.now(UTC)

    def sleep_s(self, seconds: float) -> None:
        if seconds > 0:
            time.sleep(seconds)

    def every(self, period_s: float, call: Callable[[], None]) -> Ticker:
        return _ThreadTicker(period_s, call)


class _ThreadTicker:
    def __init__(self, period_s: float, call: Callable[[], None]) -> None:
        if period_s <= 0:
            raise ValueError(f"period_s must be positive, got {period_s}")
        self._period_s = period_s
        self._call = call
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._run, name="levelrig-ticker", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        due_s = time.perf_counter()
        while not self._stopped.is_set():
            self._call()
            now_s = time.perf_counter()
            due_s += self._period_s * max(1, int((now_s - due_s) // self._period_s) + 1)
            self._stopped.wait(max(0.0, due_s - now_s))

    def stop(self) -> None:
        self._stopped.set()
        if threading.current_thread() is not self._thread:
            self._thread.join()
