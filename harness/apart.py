"""Starts a process of ours that outlives this one and the terminal or console that it was started from.

Linux: a session of its own. Windows: no window (a console that nobody sees, so that what it starts opens none
either), a group of its own, and out of the job that a terminal or a scheduler put this one in, where that job
lets it ("Process Creation Flags", learn.microsoft.com, from memory: CREATE_NO_WINDOW,
CREATE_NEW_PROCESS_GROUP, CREATE_BREAKAWAY_FROM_JOB, which is refused with error 5 where the job forbids it).
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Sequence
from typing import Any, Final

NO_WINDOW: Final = 0x08000000
NEW_GROUP: Final = 0x00000200
BREAKAWAY: Final = 0x01000000


def start_apart(command: Sequence[str], **options: Any) -> subprocess.Popen[bytes]:
    """Start a command so. ``options`` are those of ``subprocess.Popen``. Raises OSError."""
    if sys.platform == "win32":
        started: subprocess.Popen[bytes] = start_on_windows(command, subprocess.Popen, **options)
        return started
    return subprocess.Popen(command, start_new_session=True, **options)


def start_on_windows(command: Sequence[str], start: Callable[..., Any], **options: Any) -> Any:
    """The same with Windows' flags, by ``start``."""
    apart = NO_WINDOW | NEW_GROUP
    try:
        return start(command, creationflags=apart | BREAKAWAY, **options)
    except PermissionError:
        return start(command, creationflags=apart, **options)
