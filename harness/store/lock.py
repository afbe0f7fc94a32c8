"""One process at a time on a campaign folder. The system's own file lock decides; the text only informs."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import sys
from datetime import datetime
from pathlib import Path
from typing import Final

from harness import filelock, inside
from harness.errors import CampaignBusy, StoreError, UnsafePath

LOCK_NAME: Final = "lock"


class FolderLock:
    """Held from construction to :meth:`release`, or to the end of the process, however it ends.

    Attributes:
        stale_pid: Process that left its name here without releasing the lock; None if the last one did.
    """

    def __init__(self, folder: Path, now_utc: datetime) -> None:
        """Raises CampaignBusy with the holder's process id, or StoreError where locks don't work."""
        self._path = folder / LOCK_NAME
        self._descriptor = _open(folder, self._path)
        holder, since = self._holder()
        try:
            locked = filelock.lock(self._descriptor)
        except OSError as error:
            os.close(self._descriptor)
            raise StoreError(
                f"{folder}: files can't be locked here ({error.strerror}); use a folder on a local disk"
            ) from error
        if not locked:
            os.close(self._descriptor)
            raise CampaignBusy(
                f"{folder}: process {holder or 'unknown'} works on this folder{since}; "
                "`levelrig status` shows it, `levelrig stop` ends it"
            )
        self.stale_pid = holder
        filelock.say(self._descriptor, {"pid": os.getpid(), "since_utc": now_utc.isoformat()})

    def release(self) -> None:
        """Let the next process in. Safe to call twice."""
        if self._descriptor >= 0:
            filelock.say(self._descriptor, {})
            os.close(self._descriptor)
            self._descriptor = -1

    def _holder(self) -> tuple[int | None, str]:
        """Process id of whoever wrote its name here last, and since when, in words; it may be wrong."""
        try:
            os.lseek(self._descriptor, 0, os.SEEK_SET)
            said = json.loads(os.read(self._descriptor, 1024))
            pid, since_utc = said["pid"], datetime.fromisoformat(said["since_utc"])
        except (OSError, ValueError, KeyError, TypeError):
            return None, ""
        return pid if isinstance(pid, int) else None, f" since {since_utc.astimezone():%Y-%m-%d %H:%M}"


def _open(folder: Path, path: Path) -> int:
    """The lock's file, for its owner's eyes only: whoever may read a file may lock it as well."""
    try:
        descriptor = inside.open_file(folder, path, os.O_RDWR | os.O_CREAT, 0o600)
    except UnsafePath:
        raise
    except PermissionError as error:
        if error.errno == errno.EPERM:  # root too: the file or its folder is immutable
            raise StoreError(
                f"{path}: can't be written ({error.strerror}): it is immutable; allow changes to it first"
            ) from error
        raise CampaignBusy(
            f"{path}: belongs to another user, who began this campaign; run as that user, or use a new folder"
        ) from error
    except OSError as error:
        raise StoreError(
            f"{path}: can't be opened ({error.strerror}); check the folder's permissions"
        ) from error
    if sys.platform != "win32":
        with contextlib.suppress(OSError):
            os.fchmod(descriptor, 0o600)
    return descriptor
