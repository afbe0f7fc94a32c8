"""Who a process is, so that a number that the system gives out again is not taken for the same process."""

from __future__ import annotations

import sys

import psutil


def own_identity() -> str:
    """``<process id>/<when it was started>`` of this process; see :func:`lives`."""
    process = psutil.Process()
    return f"{process.pid}/{_birth_s(process):.2f}"


def lives(identity: str) -> bool:
    """Whether the process of that identity still runs. A zombie, whose end nobody took note of, does not."""
    pid, _, born_s = identity.partition("/")
    try:
        process = psutil.Process(int(pid))
        return abs(_birth_s(process) - float(born_s)) < 1.0 and process.status() != psutil.STATUS_ZOMBIE
    except (ValueError, psutil.NoSuchProcess):
        return False
    except psutil.AccessDenied:
        return True


def _birth_s(process: psutil.Process) -> float:
    """When it was started, on a scale that a set clock does not move.

    Linux counts from the boot, and psutil adds the time of the boot, which moves when the clock is set;
    Windows notes the wall-clock time once.
    """
    return process.create_time() - (psutil.boot_time() if sys.platform == "linux" else 0.0)
