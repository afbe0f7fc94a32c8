"""Puts changed hardware back, whatever ends the program.

Four ways lead to the same restore: the end of the campaign, an exception or signal (the engine's own path),
a watch in a process of its own (this program was killed, or has hung), and the next start after a crash of
the machine. What they need to know stands in one small file of the machine, written before the first
change; only who holds the machine's lock acts on it.

``record`` the file, ``lock`` who may act, ``restore`` the act, ``watch`` the process that does it for a run
that can't, ``changers`` commands that must be ended first, ``times`` how long each waits for the others.
"""

from harness.guard.guard import Guard
from harness.guard.lock import HardwareLock, left_changed
from harness.guard.record import RestoreRecord
from harness.guard.restore import MachineRestored, Restored, restore_machine, restore_recorded
from harness.guard.watch import Watch, watch_over
from harness.places import state_folder

__all__ = [
    "Guard",
    "HardwareLock",
    "MachineRestored",
    "RestoreRecord",
    "Restored",
    "Watch",
    "left_changed",
    "restore_machine",
    "restore_recorded",
    "state_folder",
    "watch_over",
]
