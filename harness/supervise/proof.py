"""Folders are proved writable before the first attempt: by writing, not by asking for rights."""

from __future__ import annotations

import contextlib
import errno
import os
import sys
from pathlib import Path
from typing import Final

from harness import inside
from harness.errors import DiskFull, NotWritable

#: More than a file system keeps inside its own tables, so that a full disk is noticed.
_PROOF_BYTES: Final = 65536
#: Signs of a path that every system takes, and of a part of one.
_SHORT_ENOUGH: Final = 240
_PART: Final = 100


def prove_writable(folder: Path, what_for: str, remedy: str) -> None:
    """Write, sync and replace a small file there, and take it away again.

    Where the folder does not exist yet, the nearest one above it that does is tried.

    Args:
        folder: The folder.
        what_for: What is kept there, for the message.
        remedy: What to do where it can't be written.
    Raises:
        NotWritable: It can't be written; the message has the reason and the remedy.
        DiskFull: There is no room.
    """
    place = _nearest(folder)
    proof, other = (place / f".levelrig-proof-{os.getpid()}{end}" for end in ("", ".new"))
    try:
        with os.fdopen(inside.create(place, proof), "wb") as file:
            file.write(b"before")
        with os.fdopen(inside.create(place, other), "wb") as file:
            file.write(os.urandom(_PROOF_BYTES))
            file.flush()
            os.fsync(file.fileno())
        inside.replace(place, other, proof)
        if inside.size_bytes(place, proof) != _PROOF_BYTES:
            raise OSError(errno.EIO, "a file that was replaced still shows the one before")
    except OSError as error:
        full = error.errno in (errno.ENOSPC, errno.EDQUOT)
        raise (DiskFull if full else NotWritable)(
            f"{folder}: {what_for} can't be written there ({error.strerror or error}), so nothing was "
            f"started and nothing was changed; {'make room' if full else remedy}"
        ) from error
    finally:
        for path in (proof, other):
            with contextlib.suppress(OSError):
                inside.remove(place, path)


def prove_long_paths(folder: Path, longest_below: int) -> None:
    """Make, and take away, a path as long as the campaign's longest: Windows takes 259 signs as a rule.

    Args:
        folder: The campaign's folder.
        longest_below: Signs of the longest path below it.
    Raises:
        NotWritable: The system takes no such path.
    """
    place = _nearest(folder)
    signs = len(str(folder.absolute())) + 1 + longest_below
    left = signs - len(str(place)) - 1
    if signs <= _SHORT_ENOUGH or left < 1:
        return
    text = f".levelrig-proof-{os.getpid()}".ljust(left, "x")[:left]
    path = place.joinpath(*(text[at : at + _PART] for at in range(0, left, _PART + 1)))
    try:
        path.mkdir(parents=True)
    except OSError as error:
        raise NotWritable(
            f"{folder}: paths in this campaign reach {signs} characters, which this system does not take "
            f"({error.strerror or error}); name a shorter folder with --into"
            + (", or allow long paths (LongPathsEnabled)" if sys.platform == "win32" else "")
        ) from error
    finally:
        while path != place:
            with contextlib.suppress(OSError):
                path.rmdir()
            path = path.parent


def _nearest(folder: Path) -> Path:
    """The folder, or the nearest one above it that is there."""
    place = folder.absolute()
    while not place.exists() and place != place.parent:
        place = place.parent
    return place
