"""The variables that switch the capture on for one process tree, and the folder that its rings lie in.

Nothing is written where other programs would find it: no layer is registered, no file of the system changed.
With the processes of that tree the capture is gone. The folder lies in memory (``/dev/shm``); one that a
killed run left behind is removed by the next capture.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from harness import filelock
from harness.capture.build import LAYER, MANIFEST

#: Of the title's environment: where rings are made; whether times of display are wanted.
FOLDER_VARIABLE: Final = "LEVELRIG_CAPTURE"
DISPLAY_VARIABLE: Final = "LEVELRIG_CAPTURE_DISPLAY"
#: Variables that other things may use as well; what they hold stays in force beside ours.
SHARED_VARIABLES: Final = ("LD_PRELOAD", "VK_INSTANCE_LAYERS", "VK_ADD_LAYER_PATH", "VK_LAYER_PATH")
_NAME: Final = "levelrig-capture-"
_LOCK: Final = "owner.lock"
#: A folder without a lock is given this long to get one, seconds.
_UNLOCKED_S: Final = 60.0
#: What the variables can't hold in a path: they end it there, or put something in its place.
_PARTING: Final = frozenset(" \t\n:;$")
_MEMORY: Final = Path("/dev/shm")


def variables(
    library: Path, rings: Path, before: Mapping[str, str], *, display_times: bool
) -> dict[str, str]:
    """What to add to the title's environment.

    Args:
        library: The native part; its layer's manifest lies beside it.
        rings: Folder of this run's rings.
        before: The environment that the title gets otherwise.
        display_times: Whether times of display are wanted.
    """
    path = "VK_LAYER_PATH" if before.get("VK_LAYER_PATH") else "VK_ADD_LAYER_PATH"
    found = {
        FOLDER_VARIABLE: str(rings),
        "LD_PRELOAD": _joined(str(library), before.get("LD_PRELOAD", ""), ":"),
        "VK_INSTANCE_LAYERS": _joined(before.get("VK_INSTANCE_LAYERS", ""), LAYER, ":"),
        path: _joined(str(library.parent), before.get(path, ""), ":"),
    }
    if display_times:
        found[DISPLAY_VARIABLE] = "1"
    return found


def _joined(first: str, second: str, by: str) -> str:
    return by.join(part for part in (first, second) if part)


class RingFolder:
    """A folder for the rings of one run, in memory where the system offers that.

    It is locked for as long as its maker lives, so that the next one finds what a killed one left behind,
    also from another namespace of processes.

    Attributes:
        path: The folder.

    Raises:
        OSError: It can't be made.
    """

    def __init__(self, base: Path | None = None) -> None:
        if base is None:
            base = _MEMORY if os.access(_MEMORY, os.W_OK) else Path(tempfile.gettempdir())
        remove_left_behind(base)
        self.path = Path(tempfile.mkdtemp(prefix=_NAME, dir=base))
        self._lock = os.open(self.path / _LOCK, os.O_CREAT | os.O_RDWR | getattr(os, "O_CLOEXEC", 0), 0o600)
        filelock.lock(self._lock)

    def reachable(self, library: Path) -> Path:
        """The library by a path that the variables can hold: its own, or that of a link in here.

        Raises:
            OSError: No link can be made.
        """
        if not _PARTING & set(str(library)):
            return library
        for name in (library.name, MANIFEST):
            (self.path / name).symlink_to(library.parent / name)
        return self.path / library.name

    def remove(self) -> None:
        """Remove it with all that is in it. Safe to call twice."""
        shutil.rmtree(self.path, ignore_errors=True)
        if self._lock >= 0:
            os.close(self._lock)
        self._lock = -1


def remove_left_behind(base: Path = _MEMORY) -> list[Path]:
    """Remove this user's folders whose maker is gone; those that were removed."""
    removed = []
    for path in base.glob(f"{_NAME}*"):
        with contextlib.suppress(OSError):
            if path.is_symlink() or not path.is_dir() or not _is_ours(path):
                continue
            try:
                descriptor = os.open(path / _LOCK, os.O_RDWR | getattr(os, "O_NOFOLLOW", 0))
            except FileNotFoundError:
                if time.time() - path.stat().st_mtime < _UNLOCKED_S:  # it is just being made
                    continue
                descriptor = -1
            try:
                if descriptor < 0 or filelock.lock(descriptor):
                    shutil.rmtree(path)
                    removed.append(path)
            finally:
                if descriptor >= 0:
                    os.close(descriptor)
    return removed


def _is_ours(path: Path) -> bool:
    return sys.platform != "win32" and path.lstat().st_uid == os.geteuid()
