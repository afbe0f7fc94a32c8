"""Time as a seam: monotonic seconds, wall clock, sleeping, periodic calls and calls with a time limit.

The engine and the sampler see only :class:`Clock`. :class:`SystemClock` is the real one; the simulated rig
brings a virtual one, under which a ten-hour night passes in seconds through the very same code. To that end
``every`` stands beside now and sleep: a thread answers it on the system clock, an event queue on a virtual
one.
"""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any, NamedTuple, Protocol, TypeVar

T = TypeVar("T")


class Ticker(Protocol):
    """A running periodic call."""

    def stop(self) -> None:
        """End the periodic call. When this returns, no call is running and none will follow."""


class StillRunning(Exception):
    """A call that was made aside has not returned within the caller's patience. It goes on by itself."""


class LateResult(NamedTuple):
    """What a call returned after its caller had gone on, and the clock time at which it did, s."""

    value: Any
    ended_s: float


class Aside(Protocol):
    """Makes calls beside the caller, one at a time, so that one that never returns holds nobody up.

    A call that hangs is left behind on a thread that nothing waits for, not even the end of the program.
    """

    @property
    def busy(self) -> bool:
        """A call is still under way."""

    def ask(self, call: Callable[[], T], patience_s: float) -> T:
        """Make a call and wait for it at most that long. Not while busy.

        Raises:
            StillRunning: It has not returned; look for it with :meth:`late`.
            Exception: What the call raised.
        """

    def late(self, patience_s: float = 0.0) -> LateResult | None:
        """What the call that was under way came to; None while it is, also after waiting that long.

        Raises what the call raised.
        """

    def abandon(self) -> None:
        """Give up the call that is under way and be ready for another; what it comes to is thrown away."""

    def close(self) -> None:
        """No call will follow. Never waits."""


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

    def aside(self, name: str) -> Aside:
        """For calls that may hang: a thread on the system clock, the caller itself on a virtual one."""


def clock_time(then: datetime, now: datetime) -> str:
    """A time of day, and its day if that is not today: ``20:21``, ``Thu 20:21``, ``Thu 2031-03-13 20:21``."""
    days = (then.date() - now.date()).days
    if days == 0:
        return f"{then:%H:%M}"
    return f"{then:%a %H:%M}" if 0 < days < 7 else f"{then:%a %Y-%m-%d %H:%M}"


def local_time(then: datetime) -> str:
    """``2031-03-13 20:21:07`` by this machine's zone; files keep UTC."""
    return f"{then.astimezone():%Y-%m-%d %H:%M:%S}"


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

    def aside(self, name: str) -> Aside:
        return _ThreadAside(name)


class _ThreadTicker:
    def __init__(self, period_s: float, call: Callable[[], None]) -> None:
        if period_s <= 0:
            raise ValueError(f"period_s must be positive, got {period_s}")
        self._period_s = period_s
        self._call = call
        self._stopped = False
        #: Held until the ticker is stopped: waiting for a lock is the cheapest wait that can be cut short.
        self._stop = threading.Lock()
        self._stop.acquire()
        self._thread = threading.Thread(target=self._run, name="levelrig-ticker", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        due_s = time.perf_counter()
        while not self._stopped:
            self._call()
            now_s = time.perf_counter()
            due_s += self._period_s * max(1, int((now_s - due_s) // self._period_s) + 1)
            self._stop.acquire(timeout=max(0.0, due_s - now_s))

    def stop(self) -> None:
        self._stopped = True
        with contextlib.suppress(RuntimeError):  # it was stopped before
            self._stop.release()
        if threading.current_thread() is not self._thread:
            self._thread.join()


class _ThreadAside:
    """A daemon thread and two queues; the thread is started by the first call."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._calls: queue.SimpleQueue[Callable[[], Any] | None] | None = None
        self._results: queue.SimpleQueue[tuple[Any, BaseException | None, float]] = queue.SimpleQueue()
        self._busy = False

    @property
    def busy(self) -> bool:
        return self._busy

    def ask(self, call: Callable[[], T], patience_s: float) -> T:
        if self._busy:
            raise RuntimeError(f"{self._name}: the call before is still under way")
        if self._calls is None:
            self._calls, self._results = queue.SimpleQueue(), queue.SimpleQueue()
            arguments = (self._calls, self._results)
            threading.Thread(target=_work, args=arguments, name=self._name, daemon=True).start()
        self._busy = True
        self._calls.put(call)
        try:
            value: T = self._take(patience_s).value
        except queue.Empty:
            raise StillRunning(self._name) from None
        return value

    def late(self, patience_s: float = 0.0) -> LateResult | None:
        try:
            return self._take(patience_s if patience_s > 0 else None)
        except queue.Empty:
            return None

    def _take(self, patience_s: float | None) -> LateResult:
        value, error, ended_s = self._results.get(patience_s is not None, patience_s)
        self._busy = False
        if error is not None:
            raise error
        return LateResult(value, ended_s)

    def abandon(self) -> None:
        self.close()
        self._busy = False

    def close(self) -> None:
        if self._calls is not None:
            self._calls.put(None)
            self._calls = None


def _work(
    calls: queue.SimpleQueue[Callable[[], Any] | None],
    results: queue.SimpleQueue[tuple[Any, BaseException | None, float]],
) -> None:
    while (call := calls.get()) is not None:
        value, failure = None, None
        try:
            value = call()
        except BaseException as error:
            failure = error
        results.put((value, failure, time.perf_counter()))
        del call, value, failure
