"""Commands that change the hardware, found and ended before the hardware is put back.

A command that outlives whoever started it could change the card after the restore. Each carries a mark in its
environment, which its descendants inherit, also those that detach into a session of their own.
"""

from __future__ import annotations

import contextlib
import os
import time
from typing import Final

import psutil

from harness.identity import lives, own_identity

#: Environment variable of such a command: identity (:mod:`harness.identity`) of the program that started it.
CHANGER: Final = "LEVELRIG_CHANGER"
_GONE = (psutil.NoSuchProcess, psutil.ZombieProcess, psutil.AccessDenied)
_WAIT_S: Final = 5.0


def mark() -> dict[str, str]:
    """The variable for a command that this process starts."""
    return {CHANGER: own_identity()}


def end_changers(owner: str = "") -> list[str]:
    """End all of them that this process, the program of that identity, or one that has ended has started.

    Costs about 10 µs for each process of the machine.

    Returns:
        Names of those that could not be ended within some seconds.
    """
    wanted = {owner, own_identity()}
    until_s = time.monotonic() + _WAIT_S
    while found := [process for process in psutil.process_iter() if _is_one(process, wanted)]:
        if time.monotonic() > until_s:
            return [_name(process) for process in found]
        for process in found:
            with contextlib.suppress(*_GONE):
                process.kill()
        psutil.wait_procs(found, timeout=0.2)
    return []


def _is_one(process: psutil.Process, wanted: set[str]) -> bool:
    if process.pid == os.getpid():
        return False
    try:
        started_by = process.environ().get(CHANGER, "")
        if not started_by or process.status() == psutil.STATUS_ZOMBIE:
            return False
    except (*_GONE, OSError):
        return False
    return started_by in wanted or not lives(started_by)


def _name(process: psutil.Process) -> str:
    try:
        return f"{process.name()} ({process.pid})"
    except _GONE:
        return str(process.pid)
