"""Runs a campaign as a process of its own, ends it when it hangs, restores, and starts it again.

The campaign's sign of life is its journal: as long as anything in it changes, it lives. The supervisor never
touches the card or the plan: ending, restoring and starting are processes of their own, so that a driver
that hangs can't hang the supervisor.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType
from typing import Any, Final, Protocol

from harness.clock import Clock, SystemClock
from harness.errors import HarnessError
from harness.guard import RestoreRecord
from harness.processes import end_orphans
from harness.store.campaign import CampaignStore
from harness.store.opening import put_event

#: Exit codes after which there is nothing to start again (see DESIGN: done, plan, conditions, missing…).
FINAL_CODES: Final = frozenset({0, 2, 3, 4, 5, 130})
#: Marks the child, which must not supervise itself.
SUPERVISED: Final = "LEVELRIG_SUPERVISED"


@dataclass(frozen=True)
class Patience:
    """How long the supervisor waits, and how often it tries.

    Attributes:
        hang_s: Without any change in the journal for this long, the campaign counts as hung.
        closing_s: The same once the campaign closed the folder: what follows is analysis and report.
        poll_s: Time between looks.
        restore_s: The restore may take this long.
        starts_without_progress: Starts in a row that end no attempt before the supervisor gives up.
    """

    hang_s: float = 180.0
    closing_s: float = 1800.0
    poll_s: float = 2.0
    restore_s: float = 120.0
    starts_without_progress: int = 3


@dataclass(frozen=True)
class Pulse:
    """What of a campaign shows that it lives."""

    ended_attempts: int
    transitions: int
    heartbeat_utc: datetime | None
    closed: bool


class Child(Protocol):
    """The part of ``subprocess.Popen`` that the supervisor needs."""

    pid: int

    def poll(self) -> int | None: ...

    def kill(self) -> None: ...

    def wait(self, timeout: float | None = None) -> int: ...

    def send_signal(self, sig: int) -> None: ...


class Supervisor:
    """Keeps one campaign going until it ends by itself.

    Args:
        command: Starts or resumes the campaign.
        folder: Its folder; need not exist yet.
        patience: How long to wait, and how often to try.
        clock: Monotonic time and sleeping.
        start: Starts the command.
        restore: Puts changed hardware back; called after a hang and after a crash.
        tell: Called with (kind, sentence) for what a person should know.
    """

    def __init__(
        self,
        command: Sequence[str],
        folder: Path,
        *,
        patience: Patience | None = None,
        clock: Clock | None = None,
        start: Callable[[Sequence[str]], Child] | None = None,
        restore: Callable[[float], None] | None = None,
        tell: Callable[[str, str], None] | None = None,
    ) -> None:
        self._command = tuple(command)
        self._folder = folder
        self._patience = patience or Patience()
        self._clock = clock or SystemClock()
        self._start = start or start_child
        self._restore = restore or restore_recorded_hardware
        self._tell = tell or _print
        self._child: Child | None = None

    def run(self) -> int:
        """Run to the campaign's own end; returns its exit code.

        A campaign that ends otherwise, or hangs, is started again, unless it got nowhere several times.
        """
        fruitless = 0
        ended = self._ended_attempts()
        with self._passing_signals_on():
            while True:
                self._child = self._start(self._command)
                code, hung = self._watch(self._child)
                if not hung and code in FINAL_CODES:
                    return code
                what = "hung and was ended" if hung else f"ended with exit code {code}"
                end_orphans()
                self._restore(self._patience.restore_s)
                now_ended = self._ended_attempts()
                fruitless = fruitless + 1 if now_ended == ended else 1
                ended = now_ended
                if fruitless >= self._patience.starts_without_progress:
                    self._say(
                        "gave-up",
                        f"the campaign {what} {fruitless} times in a row without ending an attempt; "
                        f"see {self._folder / 'log.jsonl'}, then run the same command to go on",
                    )
                    return code if code > 0 else 1
                self._say("restarted", f"the campaign {what}; it is started again")

    def _watch(self, child: Child) -> tuple[int, bool]:
        """(exit code, whether it was ended because it hung)."""
        last = self._pulse()
        changed_s = self._clock.now_s()
        while True:
            code = child.poll()
            if code is not None:
                return code, False
            self._clock.sleep_s(self._patience.poll_s)
            pulse = self._pulse()
            now_s = self._clock.now_s()
            if pulse != last:
                last, changed_s = pulse, now_s
            closed = pulse is not None and pulse.closed
            if now_s - changed_s > (self._patience.closing_s if closed else self._patience.hang_s):
                child.kill()
                return child.wait(), True

    def _pulse(self) -> Pulse | None:
        try:
            with contextlib.closing(CampaignStore.read(self._folder)) as store:
                return Pulse(*store.activity())
        except (HarnessError, OSError):
            return None

    def _ended_attempts(self) -> int:
        pulse = self._pulse()
        return pulse.ended_attempts if pulse else 0

    def _say(self, kind: str, sentence: str) -> None:
        self._tell(kind, sentence)
        with contextlib.suppress(HarnessError, OSError):
            put_event(self._folder, datetime.now(UTC), f"supervisor-{kind}", sentence)

    @contextlib.contextmanager
    def _passing_signals_on(self) -> Iterator[None]:
        """A stop is the campaign's to carry out: it restores and ends; so the supervisor outlives it.

        Ctrl-C reaches the campaign from the terminal itself; other stops are passed on.
        """

        def pass_on(number: int, frame: FrameType | None) -> None:
            if self._child is not None and number != signal.SIGINT:
                with contextlib.suppress(OSError):
                    self._child.send_signal(number)

        names = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
        numbers = [getattr(signal, name) for name in names if hasattr(signal, name)]
        before = {number: signal.signal(number, pass_on) for number in numbers}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)


def start_child(command: Sequence[str]) -> Child:
    """Start the campaign on this terminal, marked as supervised."""
    return subprocess.Popen(command, env={**os.environ, SUPERVISED: str(os.getpid())})


def restore_recorded_hardware(timeout_s: float) -> None:
    """Put back what the machine's record says was changed, in a process that may hang by itself."""
    record = RestoreRecord()
    if not record.path.exists():
        return
    # The watch of harness.guard restores as soon as the pipe that it listens to ends: here at once.
    command = [sys.executable, "-m", "harness.guard", str(record.path), str(timeout_s)]
    with contextlib.suppress(subprocess.TimeoutExpired):
        subprocess.run(command, stdin=subprocess.DEVNULL, timeout=timeout_s, check=False)


def supervise(arguments: Sequence[str], folder: Path, **options: Any) -> int:
    """Run ``levelrig ARGUMENTS`` (a ``run`` into ``folder``) under a supervisor; returns its exit code."""
    return Supervisor([sys.executable, "-m", "harness.cli", *arguments], folder, **options).run()


def _print(kind: str, sentence: str) -> None:
    print(f"supervisor: {sentence}", file=sys.stderr)
