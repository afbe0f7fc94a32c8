"""Why nothing was recorded, as far as that is known: a capture without a frame is an error."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Final

import psutil

from harness.numerals import counted, times

#: How a program file of 32 bit begins on Linux.
_ELF_32: Final = b"\x7fELF\x01"
#: What a process leaves as the name of a file (``native/``) -> words.
_FAILURES: Final = {
    "open": "its ring could not be made",
    "space": "there is no memory for its ring in /dev/shm",
    "limit": "its limit on the size of files (ulimit -f) leaves no room for its ring",
    "instances": "it uses more Vulkan instances than are followed",
    "devices": "it uses more Vulkan devices than are followed",
    "display-times-not-offered": "this device tells no times of display: set frames = 'capture'",
    "display-times-refused": "the device refused to tell times of display: set frames = 'capture'",
    "ids-taken": "it numbers its presents itself, so times of display can't be asked for: "
    "set frames = 'capture'",
    "thread": "no thread for times of display could be started",
    "slots": "it brings more libraries with the same swap call than are followed",
}


def why_nothing(small: str | None, failures: Iterable[str], seen_outside: int = 0) -> str:
    """The reason, and what to do.

    Args:
        small: A program of 32 bit that was seen.
        failures: What processes left, as ``space-28``.
        seen_outside: Updates of its windows that were seen from outside.
    """
    if seen_outside:
        why = "" if small is None else f" ({small} is a program of 32 bit, for which there is none)"
        return (
            f"no call of the title could be captured{why}; its windows, watched from outside, changed "
            f"{times(seen_outside)}: set frames = 'capture-window'"
        )
    if small is not None:
        return (
            f"{small} is a program of 32 bit, for which there is no capture; use its version of 64 bit, a "
            "frame log of its own, or a companion that writes one"
        )
    said = [told_failure(name) for name in sorted(failures)]
    if said:
        return f"nothing could be captured: {'; '.join(said)}"
    return (
        "the title presented nothing that could be captured; usual reasons: it draws by other means than "
        "Vulkan, GLX or EGL, it lacks the variables of the capture (it is started by a program that ran "
        "before, that clears the environment, or that sets LD_PRELOAD itself), or it runs in a container; "
        "where it has a window of X, frames = 'capture-window' watches that; else let it, or a companion, "
        "write a frame log"
    )


def nothing_seen(windows: int) -> str:
    """The same where its windows were watched from outside.

    Args:
        windows: How many of its windows were found.
    """
    if windows:
        return (
            f"the title has {counted(windows, 'window')}, and the window system reported no new content in "
            "them; it may draw where X does not see it: set frames = 'capture'"
        )
    return (
        "no window of the title was found on its display; it may draw through Wayland, on another display, "
        "or in a process that levelrig did not start: set frames = 'capture'"
    )


def told_failure(name: str) -> str:
    """What a process left as the name of a file, in words."""
    what, _, number = name.rpartition("-")
    reason = os.strerror(int(number)) if number.isdigit() and int(number) else ""
    words = _FAILURES.get(what, what)
    return f"{words} ({reason})" if reason else words


def small_program(process_id: int | None) -> str | None:
    """A program of 32 bit in a tree of processes, on Linux; None where there is none."""
    if process_id is None:
        return None
    with contextlib.suppress(psutil.Error, OSError):
        process = psutil.Process(process_id)
        for one in (process, *process.children(recursive=True)):
            path = Path(f"/proc/{one.pid}/exe")
            with contextlib.suppress(OSError), path.open("rb") as file:
                if file.read(5) == _ELF_32:
                    return str(path.readlink())
    return None
