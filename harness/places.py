"""Where this machine's own files lie, outside any campaign."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Final

#: Where campaigns lie, below the folder that levelrig runs in, where no other is named.
CAMPAIGNS: Final = Path("campaigns")
#: Where root's records lie on Linux.
MACHINES_FOLDER: Final = Path("/var/lib/levelrig")


def state_folder() -> Path:
    """Where this machine's records lie: one place for all campaigns, and for root or an elevated user."""
    if sys.platform == "win32":
        return Path(os.environ.get("PROGRAMDATA", r"C:\ProgramData")) / "levelrig"
    if os.geteuid() == 0:
        return MACHINES_FOLDER
    return Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state").absolute() / "levelrig"


def cache_folder() -> Path:
    """Where what can be made again lies: root's for the machine, else the user's own."""
    if sys.platform == "win32":
        return (
            Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local") / "levelrig" / "cache"
        )
    if os.environ.get("XDG_CACHE_HOME"):
        return Path(os.environ["XDG_CACHE_HOME"]).absolute() / "levelrig"
    if os.geteuid() == 0:
        return Path("/var/cache/levelrig")
    return Path.home() / ".cache" / "levelrig"
