"""The system's own lock on an open file: one holder at a time, let go of with the process. A leaf module."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import sys
from collections.abc import Mapping
from typing import Any, Final

_LOCKED_BYTE: Final = 4096  # beyond the text: Windows locks keep others from reading the locked bytes
_HELD: Final = (errno.EACCES, errno.EAGAIN, errno.EDEADLK)


def lock(descriptor: int) -> bool:
    """Lock an open file for this process, and for those that inherit it (not on Windows).

    Returns:
        False where another process holds it.
    Raises:
        OSError: Files can't be locked there.
    """
    try:
        _lock(descriptor)
    except OSError as error:
        if error.errno in _HELD:
            return False
        raise
    return True


def say(descriptor: int, content: Mapping[str, Any]) -> None:
    """Put a JSON text into a locked file, for others to read.

    Not synced: after a crash of the machine nobody holds the lock anyway. On a full disk the lock still
    holds; only its text is missing.
    """
    with contextlib.suppress(OSError):
        os.ftruncate(descriptor, 0)
        os.lseek(descriptor, 0, os.SEEK_SET)
        os.write(descriptor, json.dumps(content).encode())


if sys.platform == "win32":
    import msvcrt

    def _lock(descriptor: int) -> None:
        os.lseek(descriptor, _LOCKED_BYTE, os.SEEK_SET)
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
