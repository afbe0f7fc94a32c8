"""Who runs a campaign: the process that holds its folder, and its supervisor."""

from __future__ import annotations

import contextlib
import json
import os
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import psutil

from harness import inside
from harness.store.journal import JOURNAL_NAME
from harness.store.lock import LOCK_NAME

SUPERVISOR_NAME: Final = "supervisor.json"
_LARGEST_BYTES: Final = 4096
#: A process may be this much younger than what it wrote, as clocks are read in steps, seconds.
_TOLERANCE_S: Final = 2.0


@dataclass(frozen=True)
class Runners:
    """Processes that work on a campaign now.

    Attributes:
        run: Process that holds the folder; None if none does.
        supervisor: Process that starts it again when it fails; None if none does.
    """

    run: int | None
    supervisor: int | None

    @property
    def pids(self) -> frozenset[int]:
        return frozenset(pid for pid in (self.run, self.supervisor) if pid is not None)


def find_runners(folder: Path) -> Runners:
    """Who works on that folder. Reads two small files; locks nothing."""
    return Runners(_alive(folder, LOCK_NAME), _alive(folder, SUPERVISOR_NAME))


def name_supervisor(folder: Path) -> bool:
    """Let the folder name this process as its supervisor; False where there is no campaign yet."""
    if not inside.is_there(folder, folder / JOURNAL_NAME):
        return False
    since = datetime.fromtimestamp(psutil.Process().create_time() + _TOLERANCE_S).astimezone()
    try:
        text = json.dumps({"pid": os.getpid(), "since_utc": since.isoformat()}) + "\n"
        inside.write_whole(folder, folder / SUPERVISOR_NAME, text.encode())
    except OSError:
        return False
    return True


def unname_supervisor(folder: Path) -> None:
    """This process supervises no longer."""
    if _alive(folder, SUPERVISOR_NAME) == os.getpid():
        with contextlib.suppress(OSError):
            inside.remove(folder, folder / SUPERVISOR_NAME)


def _alive(folder: Path, name: str) -> int | None:
    """The process that the file names, if it still lives."""
    try:
        found: Any = json.loads(inside.read_text(folder, folder / name, _LARGEST_BYTES))
        pid, since = found["pid"], datetime.fromisoformat(found["since_utc"])
        process = psutil.Process(pid)
        if process.status() == psutil.STATUS_ZOMBIE:
            return None
        if process.create_time() <= since.timestamp() + _TOLERANCE_S or _is_levelrig(process):
            return int(pid)
    except (OSError, ValueError, KeyError, TypeError, psutil.Error):
        return None
    return None


def _is_levelrig(process: psutil.Process) -> bool:
    """Where the clock was set meanwhile a process looks younger than it is; then its command line decides."""
    return any("levelrig" in word or word == "harness.cli" for word in process.cmdline())
