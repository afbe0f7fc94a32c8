"""A file that another program holds open: tried again for a while, then named, with who holds it.

Windows refuses to replace, rename, remove or open a file that a reader, an indexer, a virus scanner or a
spreadsheet has open ("Creating and Opening Files", learn.microsoft.com, from memory); most let go of it
within a moment. Every such act of levelrig goes through here. Linux never refuses so: nothing is tried twice.
"""

from __future__ import annotations

import errno
import os
import shutil
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final, TypeVar

#: Pauses between tries, s: 2.6 s together. An indexer is done within a second; common practice, no source.
PAUSES_S: Final = (0.02, 0.04, 0.08, 0.16, 0.3, 0.5, 0.5, 1.0)
#: ``ERROR_SHARING_VIOLATION``, ``ERROR_LOCK_VIOLATION``: nothing else is meant by them.
_SHARING: Final = (32, 33)
#: ``ERROR_ACCESS_DENIED``: a missing right, or a target that is open elsewhere.
_DENIED: Final = 5
T = TypeVar("T")


def may_pass(error: OSError) -> bool:
    """Whether a refusal may be that of a file which another program holds open.

    Opening tells no code of the system's own, only that it was denied; so it does for a folder.
    """
    code = getattr(error, "winerror", None)
    if sys.platform == "win32" and code is None and error.errno == errno.EACCES:
        return error.filename is not None and os.path.isfile(error.filename)  # noqa: PTH113
    return code in (*_SHARING, _DENIED)


def when_let(
    act: Callable[[], T],
    path: str | os.PathLike[str],
    *,
    pause: Callable[[float], object] | None = None,
    holders: Callable[[Path], list[str]] | None = None,
) -> T:
    """Do something with a file; where another program holds it open, again until it lets go.

    Args:
        act: The act; raises OSError.
        path: The file, for the message.
        pause: Waits so many seconds; default: the system's clock.
        holders: Names the programs that hold a file; default: the system's own answer.
    Returns:
        What the act returns.
    Raises:
        OSError: As the act did at the last try; a held file is named together with who holds it.
    """
    for pause_s in PAUSES_S:
        try:
            return act()
        except OSError as error:
            if not may_pass(error):
                raise
        (pause or time.sleep)(pause_s)
    try:
        return act()
    except OSError as error:
        if may_pass(error):
            raise _named(error, Path(path), holders or _holders) from error
        raise


def tells_itself(error: OSError) -> bool:
    """Whether an error names the file that is held and what to do, so that no other remedy belongs to it."""
    return may_pass(error) and "open" in (error.strerror or "")


def replace(source: str | os.PathLike[str], target: str | os.PathLike[str]) -> None:
    """``os.replace`` that waits for whoever holds one of the two."""
    when_let(lambda: os.replace(source, target), target)  # noqa: PTH105


def rename(source: str | os.PathLike[str], target: str | os.PathLike[str]) -> None:
    """``os.rename`` that waits for whoever holds the file."""
    when_let(lambda: os.rename(source, target), source)  # noqa: PTH104


def remove(path: str | os.PathLike[str], *, missing_ok: bool = False) -> None:
    """``os.unlink`` that waits for whoever holds the file."""
    try:
        when_let(lambda: os.unlink(path), path)  # noqa: PTH108
    except FileNotFoundError:
        if not missing_ok:
            raise


def remove_tree(path: str | os.PathLike[str]) -> None:
    """Remove a folder with all that is in it, as far as the system lets; never raises."""

    def again(_: Callable[..., object], left: str, why: object) -> None:
        error = why[1] if isinstance(why, tuple) else why
        if isinstance(error, OSError) and may_pass(error):
            try:
                when_let(lambda: os.rmdir(left) if os.path.isdir(left) else os.unlink(left), left)  # noqa: PTH106, PTH108, PTH112
            except OSError:
                return

    if sys.version_info >= (3, 12):
        shutil.rmtree(path, onexc=again)
    else:
        shutil.rmtree(path, onerror=again)


def _named(error: OSError, path: Path, holders: Callable[[Path], list[str]]) -> OSError:
    """The same error with the file and who holds it in its text, so that every message has both."""
    code = getattr(error, "winerror", None)
    files = dict.fromkeys(Path(os.fsdecode(n)) for n in (error.filename, error.filename2, path) if n)
    held = next(iter(files))
    for file in files:
        if who := holders(file):
            why = f"{', '.join(who)} holds {file.name} open; close it there"
            break
    else:
        if code in _SHARING:
            why = f"another program holds {held.name} open; close it there"
        else:
            why = f"{error.strerror}: another program may hold {held.name} open, or a right is missing"
    named = PermissionError(error.errno, why, str(path))
    setattr(named, "winerror", code)  # noqa: B010 - which Python has on Windows only
    return named


def _holders(path: Path) -> list[str]:
    """Programs that hold a file, by name; empty where the system does not tell."""
    from harness.windows.calls import windows_calls

    calls = windows_calls()
    if calls is None:
        return []
    from harness.windows.holders import holders_of

    return holders_of(calls, path)
