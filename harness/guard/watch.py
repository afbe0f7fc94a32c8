"""The watch: a process of its own that puts the hardware back when its program is killed or has hung.

It lives on a pipe from the program. Where the program is silent for long, the watch ends the commands that
it may be running and restores, but leaves the record as it is: a program that was stopped may go on, and
finds out by :meth:`RestoreRecord.acted`. Where the program is gone, the watch does not give up before the
card is back.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, Final, Literal

from harness.errors import StoreError
from harness.guard.lock import HardwareLock
from harness.guard.record import Content, RestoreRecord
from harness.guard.restore import OpenControl, Restored, restore_recorded
from harness.guard.times import CLOSING_S, SILENT_S
from harness.isolated import python_command

Sign = Literal["alive", "unchanged", "silent", "gone"]
#: What the program writes into the pipe as a sign of life.
CHANGED_BYTE: Final = b"."
UNCHANGED_BYTE: Final = b"-"


class Watch:
    """The watch process, as seen from the program that it watches.

    Args:
        record: The machine's record.
        lock: The hardware's lock, which the watch inherits.
        silent_s: Without a sign of life for this long the program counts as hung.
    Raises:
        StoreError: It can't be started.
    """

    def __init__(self, record: Path, lock: HardwareLock | None = None, silent_s: float = SILENT_S) -> None:
        options: dict[str, Any] = {}
        words = [str(record.absolute()), str(silent_s), "--watch"]
        if sys.platform == "win32":
            options["creationflags"] = subprocess.CREATE_NEW_PROCESS_GROUP
        else:
            options["start_new_session"] = True  # Ctrl-C in the terminal is not meant for it
            if lock is not None:
                options["pass_fds"] = (lock.descriptor,)
                words += ["--lock", str(lock.descriptor)]
        try:
            self._process = subprocess.Popen(
                python_command("harness.guard", *words),
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                cwd=record.absolute().parent,  # the campaign's folder may be on a disk that goes away
                **options,
            )
        except OSError as error:
            raise StoreError(
                f"the watch over the card can't be started ({error}), so nothing was changed; free processes "
                "or memory and start again"
            ) from error

    @property
    def pid(self) -> int:
        return self._process.pid

    def lives(self) -> bool:
        return self._process.poll() is None

    def beat(self, *, changed: bool = True) -> None:
        """Write a sign of life; a watch that is gone is no reason to end the night.

        Args:
            changed: Whether something is to be put back now.
        """
        with contextlib.suppress(OSError, ValueError):
            assert self._process.stdin is not None
            self._process.stdin.write(CHANGED_BYTE if changed else UNCHANGED_BYTE)
            self._process.stdin.flush()

    def close(self, wait_s: float = CLOSING_S) -> None:
        """Let go of the pipe and wait for the watch to end; it goes on while the card is not back."""
        with contextlib.suppress(OSError):
            assert self._process.stdin is not None
            self._process.stdin.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(wait_s)


def watch_over(
    record: RestoreRecord,
    wait: Callable[[], Sign],
    open_control: OpenControl,
    *,
    pauses_s: Iterable[float] = (),
    pause: Callable[[float], bool] = lambda seconds: False,
    take_over: Callable[[], None] = lambda: None,
) -> list[Restored]:
    """The watch's whole life.

    Args:
        record: The machine's record.
        wait: Returns ``alive`` after a sign of life, ``unchanged`` after one that says that nothing is to be
            put back, ``silent`` when none came in time, ``gone`` at the end.
        open_control: Opens a control by kind.
        pauses_s: Pauses between the tries to restore, once the program is gone.
        pause: Lets that time pass; returns whether the watch is asked to let go.
        take_over: Called once the program is gone, before the first try: makes the hardware's lock ours.
    """
    acted = False
    known = _learned(record, Content())
    while (sign := wait()) != "gone":
        if sign == "unchanged":
            known, acted = Content(), False
            continue
        known = _learned(record, known)
        if sign == "alive":
            acted = False
        elif not acted:
            record.note_act()
            acted = not _failures(_try(record, open_control, known, clear=False))
    known = _learned(record, known)
    if not known.states and not record.path.exists():
        return []
    take_over()
    done = _try(record, open_control, known, clear=True)
    for pause_s in pauses_s:
        if not _failures(done) or pause(pause_s):
            break
        done = _try(record, open_control, _learned(record, known), clear=True)
    return done


def _learned(record: RestoreRecord, known: Content) -> Content:
    """What the record tells; what it told before where it is gone, or can't be trusted any more."""
    try:
        found = record.content()
    except StoreError:
        return known
    return found if found.states else known


def _try(record: RestoreRecord, open_control: OpenControl, known: Content, *, clear: bool) -> list[Restored]:
    if clear and known.states:  # so that it holds what can't be put back now, for the next one to try
        with contextlib.suppress(StoreError):
            record.mend(known.states, known.owner)
    try:
        return restore_recorded(record, open_control, clear=clear, known=known if known.states else None)
    except StoreError as error:
        return [Restored("record", str(error))]


def _failures(done: list[Restored]) -> list[Restored]:
    return [item for item in done if item.failure]


def beats_of(descriptor: int) -> Iterable[bytes]:
    """What comes through a pipe, until its other end is closed."""
    while block := os.read(descriptor, 4096):
        yield block
