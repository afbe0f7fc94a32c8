"""Runs a campaign as a process of its own, ends it when it hangs, restores, and starts it again.

The campaign's sign of life is its journal: as long as anything in it changes, it lives. The supervisor never
touches the card or the plan: ending, restoring and starting are processes of their own, so that a driver
that hangs can't hang the supervisor. It gives up after a bounded number of starts without a newly accepted
repeat (or a cell newly set aside because it ends the campaign), and never answers a stop that was asked for
by a start.
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
from typing import Any, Final, Literal, Protocol, TypeVar

from harness.clock import Clock, SystemClock
from harness.engine.requests import SUPERVISED, drop_request, waiting_request
from harness.errors import HarnessError
from harness.guard import RestoreRecord
from harness.guard.times import HANDOVER_S, SILENT_S
from harness.isolated import python_command
from harness.plaintext import plain
from harness.processes import end_dead_runs_titles
from harness.store.campaign import CampaignStore
from harness.store.causes import PROGRAM_LOST
from harness.store.opening import put_event
from harness.supervise.runners import name_supervisor, unname_supervisor

#: Exit codes after which there is nothing to start again (see DESIGN: done, plan, conditions, missing…).
FINAL_CODES: Final = frozenset({0, 2, 3, 4, 5, 130})
#: Exit code: given up, as the campaign failed again and again; the card is back.
GAVE_UP: Final = 6
#: Exit code: the card could not be put back.
NOT_RESTORED: Final = 5
INTERRUPTED: Final = 130
#: Windows' exit code of a program that Ctrl-C, Ctrl-Break, a closed console or a log-off ended
#: (``STATUS_CONTROL_C_EXIT``, "NTSTATUS Values", from memory).
_CONTROL_C_EXIT: Final = 0xC000013A
#: Exit codes of a child that a signal ended which asks for an end.
_ASKED_TO_END: Final = frozenset(
    {
        _CONTROL_C_EXIT,
        *(-n for name in ("SIGTERM", "SIGINT", "SIGHUP", "SIGBREAK") if (n := getattr(signal, name, None))),
    }
)
T = TypeVar("T")
Kind = Literal["restarted", "gave-up", "stopped", "stuck"]


@dataclass(frozen=True)
class Patience:
    """How long the supervisor waits, and how often it tries.

    Attributes:
        hang_s: Without any change in the journal for this long while an attempt only waits, the campaign
            counts as hung.
        blocking_s: The same where one call may take long: the card is changed or put back, a log is read.
        closing_s: The same once the campaign closed the folder: what follows is analysis and report.
        poll_s: Time between looks.
        end_s: A child that was killed must be gone within this time, or it hangs in the system.
        restore_s: The restore may take this long.
        stuck_s: A child that can't be ended: the restore is tried again for this long.
        starts_without_accepted: Starts in a row without a newly accepted repeat; then it gives up.
        first_pause_s: Pause before the second start; each further one is twice as long.
        longest_pause_s: No pause is longer.
    """

    hang_s: float = 180.0
    blocking_s: float = 1900.0
    closing_s: float = 1800.0
    poll_s: float = 2.0
    end_s: float = 30.0
    restore_s: float = 700.0
    stuck_s: float = SILENT_S + 60.0
    starts_without_accepted: int = 6
    first_pause_s: float = 5.0
    longest_pause_s: float = 300.0

    def pause_s(self, fruitless: int) -> float:
        """Pause before the next start, after that many starts in a row that brought nothing."""
        return min(self.first_pause_s * 2.0 ** max(0, fruitless - 1), self.longest_pause_s)


@dataclass(frozen=True)
class Pulse:
    """What of a campaign shows that it lives."""

    ended_attempts: int
    transitions: int
    heartbeat_utc: datetime | None
    closed: bool
    waiting: bool


@dataclass(frozen=True)
class ChildEnd:
    """How a child ended: by itself with a code, or killed as it hung; ``stuck``: it could not be killed."""

    code: int
    hung: bool = False
    stuck: bool = False

    @property
    def words(self) -> str:
        if self.stuck:
            return "hung and can't be ended"
        return "hung and was ended" if self.hung else f"ended with exit code {self.code}"


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
        goes_on: Added to the command at each further start, with the seconds since the first.
        elapsed_s: How long the night has been going already.
        patience: How long to wait, and how often to try.
        clock: Monotonic time and sleeping.
        start: Starts the command.
        restore: Puts changed hardware back; called after a hang and after a crash. Returns what went wrong.
        tell: Called with (kind, sentence) for what a person should know.
    """

    def __init__(
        self,
        command: Sequence[str],
        folder: Path,
        *,
        goes_on: Sequence[str] = (),
        elapsed_s: float = 0.0,
        patience: Patience | None = None,
        clock: Clock | None = None,
        start: Callable[[Sequence[str]], Child] | None = None,
        restore: Callable[[float], str | None] | None = None,
        tell: Callable[[Kind, str], None] | None = None,
    ) -> None:
        self._command = tuple(command)
        self._folder = folder
        self._goes_on = tuple(goes_on)
        self._patience = patience or Patience()
        self._clock = clock or SystemClock()
        self._start = start or start_child
        self._restore = restore or restore_recorded_hardware
        self._tell = tell or _print
        self._child: Child | None = None
        self._stop_asked = False
        self._named = False
        self._began_s = self._clock.now_s() - elapsed_s

    def run(self) -> int:
        """Run to the campaign's own end; returns its exit code, or :data:`GAVE_UP`."""
        fruitless = 0
        first = True
        (accepted, aside), sessions = self._progress(), self._sessions()
        with self._passing_signals_on(), self._naming_itself():
            while True:
                self._child = self._start(self._command if first else self._command_to_go_on())
                end = self._watch(self._child)
                if not end.hung and (end.code in FINAL_CODES or self._refused_at_once(first, end, sessions)):
                    return end.code
                asked = self._was_asked_to_stop(end)
                unrestored = self._make_safe(stuck=end.stuck)
                if end.stuck or asked:
                    return self._leave(end, unrestored)
                now_accepted, now_aside = self._progress()
                fruitless = 1 if now_accepted > accepted or now_aside > aside else fruitless + 1
                accepted, aside, first = now_accepted, now_aside, False
                if fruitless >= self._patience.starts_without_accepted:
                    self._say(
                        "gave-up",
                        f"the campaign {end.words}; {fruitless} starts in a row brought no newly accepted "
                        f"repeat, so it is given up; {unrestored or 'nothing is left changed'}; see "
                        f"{self._folder / 'log.jsonl'}, then run the same command to go on",
                    )
                    return NOT_RESTORED if unrestored else GAVE_UP
                pause_s = self._patience.pause_s(fruitless)
                trouble = f"; {unrestored}" if unrestored else ""
                self._say(
                    "restarted",
                    f"the campaign {end.words}{trouble}; it is started again in {pause_s:.0f} s "
                    f"(start {fruitless + 1} of {self._patience.starts_without_accepted} without a newly "
                    "accepted repeat)",
                )
                if not self._pause(pause_s):
                    return self._leave(end, unrestored)

    # --- one start ----------------------------------------------------------------------------------------

    def _command_to_go_on(self) -> tuple[str, ...]:
        if not self._goes_on:
            return self._command
        return (*self._command, *self._goes_on, f"{self._clock.now_s() - self._began_s:.0f}")

    def _watch(self, child: Child) -> ChildEnd:
        """Wait for the child's end, and bring it about when it hangs."""
        first = last = self._pulse()
        changed_s = self._clock.now_s()
        while True:
            code = child.poll()
            if code is not None:
                return ChildEnd(code)
            self._clock.sleep_s(self._patience.poll_s)
            self._named = self._named or name_supervisor(self._folder)
            pulse = self._pulse()
            now_s = self._clock.now_s()
            if pulse != last:
                last, changed_s = pulse, now_s
            if now_s - changed_s > self._longest_silence_s(pulse if pulse != first else None):
                child.kill()
                try:
                    return ChildEnd(child.wait(self._patience.end_s), hung=True)
                except subprocess.TimeoutExpired:
                    return ChildEnd(1, hung=True, stuck=True)

    def _longest_silence_s(self, pulse: Pulse | None) -> float:
        """``pulse`` is None until the child did something: it puts the card back, or waits for it."""
        if pulse is not None and pulse.closed:
            return self._patience.closing_s
        if pulse is None or not pulse.waiting:
            return max(self._patience.blocking_s, self._patience.hang_s)
        return self._patience.hang_s

    def _refused_at_once(self, first: bool, end: ChildEnd, sessions: int) -> bool:
        """It ended with an error before it ever began to work on the folder: that won't change by itself."""
        return first and end.code > 0 and self._sessions() == sessions

    def _was_asked_to_stop(self, end: ChildEnd) -> bool:
        return self._stop_asked or end.code in _ASKED_TO_END or waiting_request(self._folder) is not None

    def _make_safe(self, *, stuck: bool) -> str | None:
        """End what the child left running and put the card back; returns what of that failed."""
        try:
            end_dead_runs_titles()
        finally:
            failed = self._restore(self._patience.restore_s)
            # A child that can't be ended holds the hardware; its watch acts once it was silent long enough.
            end_s = self._clock.now_s() + (self._patience.stuck_s if stuck else 0.0)
            while failed and self._clock.now_s() < end_s:
                self._clock.sleep_s(self._patience.poll_s)
                failed = self._restore(self._patience.restore_s)
        return failed

    def _leave(self, end: ChildEnd, unrestored: str | None) -> int:
        """No further start: the child is stuck, or a stop was asked for."""
        drop_request(self._folder)
        pid = self._child.pid if self._child is not None else 0
        if end.stuck:
            self._say(
                "stuck",
                f"process {pid} hangs in a call into the system or the driver and can't be ended; nothing is "
                f"started while it holds the card; {unrestored or 'what was changed is put back'}; restart "
                "the machine, then run `levelrig restore` and the same command",
            )
            return NOT_RESTORED if unrestored else GAVE_UP
        self._say(
            "stopped",
            f"the campaign {end.words}, and a stop was asked for, so it is not started again; "
            f"{unrestored or 'nothing is left changed'}; the same command goes on",
        )
        return NOT_RESTORED if unrestored else INTERRUPTED

    def _pause(self, seconds: float) -> bool:
        """Wait; False as soon as a stop is asked for."""
        end_s = self._clock.now_s() + seconds
        while (left_s := end_s - self._clock.now_s()) > 0:
            if self._stop_asked or waiting_request(self._folder) is not None:
                return False
            self._clock.sleep_s(min(left_s, self._patience.poll_s))
        return not self._stop_asked

    # --- looking ------------------------------------------------------------------------------------------

    def _pulse(self) -> Pulse | None:
        return self._read(lambda store: Pulse(*store.activity()), None)

    def _progress(self) -> tuple[int, int]:
        """Accepted repeats, and cells that are set aside since they ended the campaign: the rest goes on."""

        def look(store: CampaignStore) -> tuple[int, int]:
            standing = store.standing()
            return standing.accepted_count, sum(
                cell.reason_code == PROGRAM_LOST for cell in standing.cells_set_aside
            )

        return self._read(look, (0, 0))

    def _sessions(self) -> int:
        return self._read(lambda store: len(store.sessions()), 0)

    def _read(self, look: Callable[[CampaignStore], T], otherwise: T) -> T:
        try:
            with contextlib.closing(CampaignStore.read(self._folder)) as store:
                return look(store)
        except (HarnessError, OSError):
            return otherwise

    # --- telling, signals ---------------------------------------------------------------------------------

    def _say(self, kind: Kind, sentence: str) -> None:
        self._tell(kind, sentence)
        with contextlib.suppress(HarnessError, OSError):
            put_event(self._folder, datetime.now(UTC), f"supervisor-{kind}", sentence)

    @contextlib.contextmanager
    def _naming_itself(self) -> Iterator[None]:
        try:
            yield
        finally:
            unname_supervisor(self._folder)

    @contextlib.contextmanager
    def _passing_signals_on(self) -> Iterator[None]:
        """A stop is the campaign's to carry out: it restores and ends; so the supervisor outlives it.

        Ctrl-C reaches the campaign from the terminal itself; other stops are passed on. A terminal that goes
        away stops nothing: that is what a supervised run is for.
        """

        def pass_on(number: int, frame: FrameType | None) -> None:
            if number == getattr(signal, "SIGHUP", None):
                return
            self._stop_asked = True
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


def restore_recorded_hardware(timeout_s: float) -> str | None:
    """Put back what the machine's record says was changed, in a process that may hang by itself.

    Returns:
        What is not put back and what to do, or None.
    """
    record = RestoreRecord()
    if not record.path.exists():
        return None
    # harness.guard restores as soon as its standard input ends: here at once.
    command = python_command("harness.guard", str(record.path), str(HANDOVER_S))
    try:
        process = subprocess.Popen(command, stdin=subprocess.DEVNULL)
    except OSError as error:
        return f"the card may still be changed: no restore can be started ({error}); run `levelrig restore`"
    try:
        process.wait(timeout_s)
    except subprocess.TimeoutExpired:
        process.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(5.0)
        return (
            f"the card may still be changed: the restore did not end within {timeout_s:.0f} s; "
            "restart the machine, then run `levelrig restore`"
        )
    try:
        left = ", ".join(record.open_snapshots())
    except HarnessError as error:
        return f"the card may still be changed: {error}"
    return f"still changed, the restore failed: {left}; run `levelrig restore`" if left else None


def supervise(arguments: Sequence[str], folder: Path, **options: Any) -> int:
    """Run ``levelrig ARGUMENTS`` (a ``run`` into ``folder``) under a supervisor; returns its exit code."""
    return Supervisor(python_command("harness.cli", *arguments), folder, **options).run()


def _print(kind: str, sentence: str) -> None:
    print(plain(f"supervisor: {sentence}"), file=sys.stderr)
