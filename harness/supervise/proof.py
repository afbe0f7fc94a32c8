"""Folders are proved writable before the first attempt: by writing, not by asking for rights."""

from __future__ import annotations

import contextlib
import errno
import os
from pathlib import Path
from typing import Final

from harness import inside
from harness.errors import DiskFull, NotWritable

#: More than a file system keeps inside its own tables, so that a full disk is noticed.
_PROOF_BYTES: Final = 65536


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
    place = folder.absolute()
    while not place.exists() and place != place.parent:
        place = place.parent
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
