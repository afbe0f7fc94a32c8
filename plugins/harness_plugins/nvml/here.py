"""Whether the driver's library is on this machine, asked without loading anything else."""

from __future__ import annotations

import ctypes
import functools
import os
import sys
from pathlib import Path


@functools.cache
def library_is_here() -> bool:
    """The places are those where its wrapper looks: the loader's own; on Windows the system's folder and the
    driver's (not tried by us on Windows)."""
    if sys.platform == "win32":
        folders = (
            Path(os.environ.get("WINDIR", r"C:\Windows")) / "System32",
            Path(os.environ.get("PROGRAMFILES", r"C:\Program Files")) / "NVIDIA Corporation" / "NVSMI",
        )
        return any((folder / "nvml.dll").is_file() for folder in folders)
    try:
        ctypes.CDLL("libnvidia-ml.so.1")
    except OSError:
        return False
    return True
