"""Whether this process may change a card's settings, which takes root or an elevated process."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from harness.windows.elevation import is_elevated

REMEDY = (
    "start levelrig from an elevated terminal"
    if sys.platform == "win32"
    else "start levelrig with sudo, or as root"
)
_CAP_SYS_ADMIN = 21


def may_change_settings() -> bool:
    """Linux: root or CAP_SYS_ADMIN. Windows: elevated (not tried by us on Windows)."""
    if sys.platform == "win32":
        return is_elevated()
    if os.geteuid() == 0:
        return True
    try:
        status = Path("/proc/self/status").read_text(encoding="ascii", errors="replace")
    except OSError:
        return False
    for line in status.splitlines():
        if line.startswith("CapEff:"):
            return bool(int(line.split()[1], 16) >> _CAP_SYS_ADMIN & 1)
    return False
