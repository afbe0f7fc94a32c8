"""The watch: a process of its own that puts the hardware back when its program is killed or has hung.

It lives on a pipe from the program. What is to be put back is told there too, and outranks the record: the
pipe holds it although the program is killed before the watch has read it, and nobody else can write there.
Where the program is silent for long, the watch ends the commands that it may be running and restores, but
leaves the record as it is: a program that was stopped may go on, and finds out by
:meth:`RestoreRecord.acted`. Where the program is gone, the watch does not give up before the card is back.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, Final, Literal

from harness.apart import start_apart
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
        if sys.platform != "win32" and lock is not None:
            options["pass_fds"] = (lock.descriptor,)
            words += ["--lock", str(lock.descriptor)]
        try:
            self._process = start_apart(  # a closed terminal and Ctrl-C in it are not meant for it
                python_command("harness.guard", *words),
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                cwd=record.absolute().anchor,  # any other folder may go away
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

    def tell(self, content: Content) -> None:
        """Say what is to be put back from now on; it is in the pipe when the call returns."""
        self._write(json.dumps(content._asdict()).encode("ascii") + b"\n")

    def beat(self, *, changed: bool = True) -> None:
        """Write a sign of life; a watch that is gone is no reason to end the night, nor one that is stopped.

        Args:
            changed: Whether something is to be put back now.
        """
        if not changed or self._has_room():
            self._write(CHANGED_BYTE if changed else UNCHANGED_BYTE)

    def _write(self, message: bytes) -> None:
        with contextlib.suppress(OSError, ValueError):
            assert self._process.stdin is not None
            self._process.stdin.write(message)
            self._process.stdin.flush()

    def _has_room(self) -> bool:
        """Whether the pipe takes something without waiting. Windows can't tell."""
        if sys.platform == "win32":
            return True
        import select

        assert self._process.stdin is not None
        with contextlib.suppress(OSError, ValueError):
            return bool(select.select([], [self._process.stdin], [], 0)[1])
        return False

    def close(self, wait_s: float = CLOSING_S) -> None:
        """Let go of the pipe and wait for the watch to end; it goes on while the card is not back."""
        with contextlib.suppress(OSError):
            assert self._process.stdin is not None
            self._process.stdin.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(wait_s)


def watch_over(
    record: RestoreRecord,
    wait: Callable[[], Sign | Content],
    open_control: OpenControl,
    *,
    pauses_s: Iterable[float] = (),
    pause: Callable[[float], bool] = lambda seconds: False,
    take_over: Callable[[], None] = lambda: None,
) -> list[Restored]:
    """The watch's whole life.

    Args:
        record: The machine's record.
        wait: Returns ``alive`` after a sign of life, what is to be put back after one that tells it,
            ``unchanged`` after one that says that nothing is, ``silent`` when none came in time, ``gone`` at
            the end.
        open_control: Opens a control by kind.
        pauses_s: Pauses between the tries to restore, once the program is gone.
        pause: Lets that time pass; returns whether the watch is asked to let go.
        take_over: Called once the program is gone, before the first try: makes the hardware's lock ours.
    """
    acted = False
    told = Content()
    known = _learned(record, told)
    while (sign := wait()) != "gone":
        if isinstance(sign, Content):
            told = known = sign
        elif sign == "unchanged":
            told = known = Content()
            acted = False
            continue
        known = told if told.states else _learned(record, known)
        if sign != "silent":
            acted = False
        elif not acted:
            record.note_act()
            acted = not _failures(_try(record, open_control, known, clear=False))
    known = told if told.states else _learned(record, known)
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
            record.repair(known.states, known.owner)
    try:
        return restore_recorded(record, open_control, clear=clear, known=known if known.states else None)
    except StoreError as error:
        return [Restored("record", str(error))]


def _failures(done: list[Restored]) -> list[Restored]:
    return [item for item in done if item.failure]


def signs_of(blocks: Iterable[bytes]) -> Iterator[Sign | Content]:
    """Signs of life in what comes through the pipe; a spoilt line is one as well."""
    line = b""
    for block in blocks:
        for byte in (block[at : at + 1] for at in range(len(block))):
            if line or byte == b"{":
                line += byte
                if byte == b"\n":
                    yield _content_of(line)
                    line = b""
            else:
                yield "unchanged" if byte == UNCHANGED_BYTE else "alive"


def _content_of(line: bytes) -> Sign | Content:
    try:
        found = json.loads(line)
        states: Mapping[str, Any] = found["states"]
        return Content({str(kind): dict(state) for kind, state in states.items()}, str(found["owner"]))
    except (ValueError, TypeError, KeyError, AttributeError):
        return "alive"


def blocks_of(descriptor: int) -> Iterator[bytes]:
    """What comes through a pipe, until its other end is closed."""
    while block := os.read(descriptor, 4096):
        yield block
