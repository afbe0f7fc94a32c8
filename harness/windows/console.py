"""Windows: the console that a run was started from must neither stop it nor end it without a word.

A click into a classic console selects text and holds every program that prints to it, so quick edit is off
while a run lasts ("SetConsoleMode function": ENABLE_QUICK_EDIT_MODE counts only with ENABLE_EXTENDED_FLAGS).

When the console is closed, the user logs off or the machine shuts down, the system calls the handlers of
"SetConsoleCtrlHandler", newest first, each time in a new thread, and ends the process as soon as one returns
true, at the latest after about 5 s (close, log off) or 20 s (shutdown; "HandlerRoutine callback function").
So ours keeps its thread until the run is done. A program that has loaded user32 hears of the close only.
Windows has no other word for it: C programs get SIGBREAK and are ended at once, Python among them.
"""

from __future__ import annotations

import contextlib
import ctypes
from collections.abc import Callable, Iterator
from typing import Any, Final

from harness.windows.calls import ConsoleHandler, WindowsCalls

_STD_INPUT: Final = 0xFFFFFFF6  # (DWORD)-10
_QUICK_EDIT: Final = 0x0040
_EXTENDED_FLAGS: Final = 0x0080
_INVALID_HANDLE: Final = 0xFFFFFFFFFFFFFFFF
#: Event of the system -> its name, of those that end the process.
ENDING: Final = {2: "CTRL_CLOSE_EVENT", 5: "CTRL_LOGOFF_EVENT", 6: "CTRL_SHUTDOWN_EVENT"}
#: Ended first are programs with a high level; 0x280 is what all have, 0x100 to 0x1FF is the application range
#: that is ended last ("SetProcessShutdownParameters function").
_LAST: Final = 0x100


@contextlib.contextmanager
def no_quick_edit(calls: WindowsCalls) -> Iterator[bool]:
    """While inside a click does not hold what prints here; gives whether anything had to be switched off."""
    console = calls("GetStdHandle", _STD_INPUT)
    mode = ctypes.c_uint32()
    if (
        console in (None, 0, _INVALID_HANDLE)
        or not calls("GetConsoleMode", console, ctypes.addressof(mode))
        or not mode.value & _QUICK_EDIT
    ):
        yield False
        return
    before = mode.value
    changed = bool(calls("SetConsoleMode", console, before & ~_QUICK_EDIT | _EXTENDED_FLAGS))
    try:
        yield changed
    finally:
        calls("SetConsoleMode", console, before | _EXTENDED_FLAGS)


@contextlib.contextmanager
def heard_endings(
    calls: WindowsCalls, asked: Callable[[str], None], wait: Callable[[], Any]
) -> Iterator[None]:
    """While inside, an end that the system announces is passed on, and held up until the program is done.

    Args:
        calls: The system's calls.
        asked: Called with the event's name, in a thread of the system's.
        wait: Returns once the program is done; the system does not wait longer than it wants to.
    """

    def handle(event: int) -> int:
        name = ENDING.get(event)
        if name is None:
            return 0  # Ctrl-C and Ctrl-Break: Python's own handler is next
        asked(name)
        wait()
        return 1

    handler = ConsoleHandler(handle)  # the system keeps its address, so it must live as long
    added = calls("SetConsoleCtrlHandler", handler, 1)
    try:
        yield
    finally:
        if added:
            calls("SetConsoleCtrlHandler", handler, 0)


def end_last(calls: WindowsCalls) -> bool:
    """At log off and shutdown this process is ended after the others; whether the system took it."""
    return bool(calls("SetProcessShutdownParameters", _LAST, 0))
