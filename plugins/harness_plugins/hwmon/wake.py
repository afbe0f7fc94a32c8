"""Wake a card that sleeps, in the ways that change nothing.

Reading a file wakes an AMD card with Linux 6.1 and 6.12 (``pm_runtime_get_sync`` in ``amdgpu_pm.c``);
later kernels answer EPERM instead (from memory). Opening a card for drawing wakes it with any
(``amdgpu_driver_open_kms`` in ``amdgpu_kms.c`` of Linux 6.12, line 1316).
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from harness_plugins.hwmon.sysfs import read_text

_NODES = Path("/dev/dri")
_PROBE = "power_dpm_force_performance_level"


def sleeps(device: Path) -> bool:
    """Whether the device says that it is suspended. Wakes nothing."""
    return read_text(device / "power" / "runtime_status") == "suspended"


def woken(device: Path) -> bool:
    """Wake the device where it sleeps. Returns whether it is awake now."""
    if sleeps(device):
        read_text(device / _PROBE)
    if sleeps(device):
        for folder in sorted((device / "drm").glob("renderD*")):
            open_node(folder.name)
    return not sleeps(device)


def woke(device: Path) -> bool:
    """Whether the device slept, and is awake now."""
    return sleeps(device) and woken(device)


def open_node(name: str) -> None:
    """Open a card for drawing and close it again; nothing where this user may not."""
    with contextlib.suppress(OSError):
        os.close(os.open(_NODES / name, os.O_RDWR))
