"""Windows: programs are asked to end as a person asks them: their windows are closed, their console breaks.

Source: learn.microsoft.com, "EnumWindows", "GetWindowThreadProcessId", "PostMessageW" (posting to a window of
a program with higher rights is refused with error 5), "GetConsoleProcessList", "GenerateConsoleCtrlEvent"
functions.
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Any, Final

from harness.windows.calls import ACCESS_DENIED, WindowsCalls, WindowVisitor

_WM_CLOSE: Final = 0x0010
_CTRL_BREAK_EVENT: Final = 1


@dataclass(frozen=True)
class Asked:
    """What came of asking windows to close.

    Attributes:
        windows: So many were asked.
        refused: Processes that have higher rights than this one, so that they can't be asked.
    """

    windows: int
    refused: frozenset[int]


def windows_of(calls: WindowsCalls, pids: Collection[int]) -> list[tuple[int, int]]:
    """Visible top windows of these processes, in front first: (window, process)."""
    found: list[tuple[int, int]] = []

    def visit(window: Any, parameter: Any) -> int:
        pid = ctypes.c_uint32()
        calls("GetWindowThreadProcessId", window, ctypes.addressof(pid))
        if pid.value in pids and calls("IsWindowVisible", window):
            found.append((int(window), pid.value))
        return 1

    calls("EnumWindows", WindowVisitor(visit), None)
    return found


def ask_windows_to_close(calls: WindowsCalls, pids: Collection[int]) -> Asked:
    """Ask each visible top window of these processes to close, as by its close button."""
    count, refused = 0, set()
    for window, pid in windows_of(calls, pids):
        if calls("PostMessageW", window, _WM_CLOSE, None, None):
            count += 1
        elif calls.last_error() == ACCESS_DENIED:
            refused.add(pid)
    return Asked(count, frozenset(refused))


def ask_to_end(
    calls: WindowsCalls,
    leader: int | None,
    pids: Collection[int],
    grace_s: float,
    wait: Callable[[float], bool],
) -> Asked:
    """Ask in the order in which a person would: windows first, then the console; waits in between.

    Args:
        calls: The system's calls.
        leader: Process that leads a group of its own and still lives; None where there is none.
        pids: The tree.
        grace_s: Longest wait altogether.
        wait: Waits so long at most; returns whether all of the tree is gone.
    """
    asked = ask_windows_to_close(calls, pids)
    if asked.windows and wait(grace_s / 2):
        return asked
    if leader is not None:
        break_group(calls, leader)
    wait(grace_s / 2 if asked.windows else grace_s)
    return asked


def break_group(calls: WindowsCalls, leader: int) -> bool:
    """Send Ctrl-Break to the group that a process leads, where it is on our own console; whether it was sent.

    Only for a process that was started as the leader of a new group and still lives: the event goes to every
    program of this console otherwise.
    """
    return leader in _on_our_console(calls) and bool(
        calls("GenerateConsoleCtrlEvent", _CTRL_BREAK_EVENT, leader)
    )


def in_front(calls: WindowsCalls) -> int | None:
    """Process of the window that a person looks at; None while there is none."""
    window = calls("GetForegroundWindow")
    if not window:
        return None
    pid = ctypes.c_uint32()
    calls("GetWindowThreadProcessId", window, ctypes.addressof(pid))
    return pid.value or None


def _on_our_console(calls: WindowsCalls) -> frozenset[int]:
    """Processes attached to this one's console; none where it has no console."""
    size = 64
    while True:
        pids = (ctypes.c_uint32 * size)()
        count = int(calls("GetConsoleProcessList", ctypes.addressof(pids), size))
        if count <= size:
            return frozenset(pids[:count])
        size = count
