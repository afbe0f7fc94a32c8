"""What the engine tells whoever watches: the terminal, a page, a test. And how a stop is asked for."""

from __future__ import annotations

import statistics
import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from harness.boundary.crossing import note_fault
from harness.engine.messages import Event, Instruction, StopKind, StopRequested
from harness.rig import FrameLogSource

if TYPE_CHECKING:
    from harness.engine.attempt import Running


@dataclass(frozen=True)
class Progress:
    """A glance at the night.

    Attributes:
        phase: Where the running attempt stands.
        cell_id: The running cell; None between attempts.
        repeat_index: The running repeat, from 1; None between attempts.
        attempt_index: The running try, from 1; None between attempts.
        accepted: Repeats accepted so far, in the whole campaign.
        wanted: Repeats wanted in the whole campaign.
        phase_s: Seconds since the phase began.
        phase_left_s: Expected seconds to its end; None where unknown.
        ends_in_s: Expected seconds to the end of the night; None where unknown.
        readings: Latest readings by quantity, those that the rig has.
        detail: What the phase waits for, in a few words.
        which: The running repeat in words, as ``repeat 2`` or ``sentinel 1``; empty between attempts.
        frame_log: The log that the running title writes its frames to; None where there is none to look at.
    """

    phase: str
    cell_id: str | None
    repeat_index: int | None
    attempt_index: int | None
    accepted: int
    wanted: int
    phase_s: float
    phase_left_s: float | None
    ends_in_s: float | None
    readings: dict[str, float]
    detail: str = ""
    which: str = ""
    frame_log: FrameLogSource | None = None


class Observer(Protocol):
    """Hears of progress; must be quick. What it raises is logged and costs nothing else."""

    def on_progress(self, progress: Progress) -> None:
        """Called several times a second while something is awaited."""

    def on_attempt(
        self, cell_id: str, which: str, attempt_index: int, verdict: str, reason: str | None
    ) -> None:
        """An attempt's outcome is durable; ``which`` is ``repeat 2``, ``sentinel 1`` and so on."""

    def on_message(self, level: str, message: str) -> None:
        """Something a person should know; ``level`` is info, warning or error."""


class Listener(Protocol):
    """Hears of each act of an attempt, from the driver's own thread: for an account step by step.

    What it raises is logged and costs nothing else. It only looks, and must be quick.
    """

    def begins(self, act: Instruction, running: Running | None) -> None:
        """The act is about to be carried out; ``running`` is the attempt, None between attempts."""

    def ended(self, act: Instruction, event: Event, running: Running | None) -> None:
        """It was, and came to ``event``; of a commit ``running`` is the attempt that was committed."""


class Silent:
    """An observer that hears nothing."""

    def on_progress(self, progress: Progress) -> None:
        pass

    def on_attempt(
        self, cell_id: str, which: str, attempt_index: int, verdict: str, reason: str | None
    ) -> None:
        pass

    def on_message(self, level: str, message: str) -> None:
        pass


class GuardedObserver:
    """An observer whose failures cost its own share of the telling, and nothing of the night.

    A fault of one call is logged the first time.
    """

    def __init__(self, observer: Observer) -> None:
        self._observer = observer
        self._complained: set[str] = set()

    def on_progress(self, progress: Progress) -> None:
        self._tell("on_progress", progress)

    def on_attempt(
        self, cell_id: str, which: str, attempt_index: int, verdict: str, reason: str | None
    ) -> None:
        self._tell("on_attempt", cell_id, which, attempt_index, verdict, reason)

    def on_message(self, level: str, message: str) -> None:
        self._tell("on_message", level, message)

    def _tell(self, name: str, *arguments: object) -> None:
        try:
            getattr(self._observer, name)(*arguments)
        except Exception as error:
            if name not in self._complained:
                self._complained.add(name)
                note_fault(f"telling of progress ({name})", error)


class GuardedListener:
    """A listener, or none, whose failures are logged and cost nothing else."""

    def __init__(self, listener: Listener | None) -> None:
        self._listener = listener

    def begins(self, act: Instruction, running: Running | None) -> None:
        if self._listener is not None:
            try:
                self._listener.begins(act, running)
            except Exception as error:
                note_fault("an account of an attempt", error)

    def ended(self, act: Instruction, event: Event, running: Running | None) -> None:
        if self._listener is not None:
            try:
                self._listener.ended(act, event, running)
            except Exception as error:
                note_fault("an account of an attempt", error)


class StopSignal:
    """A stop asked for from outside the engine: a signal handler, a page, a test. Thread-safe."""

    def __init__(self) -> None:
        self._lock = threading.RLock()  # a signal may come while this thread holds it
        self._request: StopRequested | None = None

    def request(self, kind: StopKind, reason: str) -> None:
        """Ask for a stop. A second request of the same kind changes nothing."""
        with self._lock:
            if self._request is None or self._request.kind == "pause":
                self._request = StopRequested(kind, reason)

    @property
    def pending(self) -> bool:
        """Whether a stop waits to be taken that does not wait for the running attempt's end."""
        with self._lock:
            return self._request is not None and self._request.kind != "pause"

    def take(self) -> StopRequested | None:
        """The request that was not taken yet, once."""
        with self._lock:
            request, self._request = self._request, None
            return request


class EndEstimate:
    """How long the night still takes: attempts left times the typical length of one.

    Args:
        forecast_s: Length of one attempt by the plan's forecast; used until three are done.

    Attributes:
        typical_s: Length of one attempt.
    """

    def __init__(self, forecast_s: float) -> None:
        self._forecast_s = forecast_s
        self._durations_s: list[float] = []
        self.typical_s = forecast_s
        self.left = 0

    def attempt_took(self, duration_s: float) -> None:
        """Learn from an attempt that ended."""
        self._durations_s.append(duration_s)
        if len(self._durations_s) >= 3:
            self.typical_s = statistics.median(self._durations_s)

    def ends_in_s(self, running_s: float) -> float:
        """Seconds left, when the running attempt has been under way for ``running_s``."""
        return max(0.0, self.left * self.typical_s - min(running_s, self.typical_s))
