"""Commands that change the hardware, found and ended before the hardware is put back.

A command that outlives whoever started it could change the card after the restore. Each carries a mark in its
environment, which its descendants inherit, also those that detach into a session of their own. Where a
command drops its environment (``sudo`` does), a book beside the record tells its session and the file of its
output, which no other program has (Linux). What drops all three can't be found.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final, NamedTuple

import psutil

from harness import heldfiles
from harness.errors import StoreError
from harness.guard.record import make_state_folder, trusted_bytes
from harness.identity import lives, own_identity
from harness.places import state_folder
from harness.proctable import Seen, list_pids, look_at

#: Environment variable of such a command: identity (:mod:`harness.identity`) of the program that started it.
CHANGER: Final = "LEVELRIG_CHANGER"
BOOK_NAME: Final = "restore.commands"
_GONE = (psutil.NoSuchProcess, psutil.ZombieProcess, psutil.AccessDenied)
_WAIT_S: Final = 5.0


class Command(NamedTuple):
    """One command, as the book has it.

    Attributes:
        started_by: Identity of the program that started it.
        session: The session that it leads: its process id.
        born: When it was started, as :class:`harness.proctable.Seen` has it.
        output: File that takes its output; its folder's name was given to no other.
    """

    started_by: str
    session: int
    born: float
    output: str


def mark() -> dict[str, str]:
    """The variable for a command that this process starts."""
    return {CHANGER: own_identity()}


def note_command(process_id: int, output: Path, folder: Path | None = None) -> None:
    """Put a command that was just started into the book. Best effort: it carries the mark as well.

    Args:
        process_id: The command's; it leads a session.
        output: File that takes its output.
        folder: State folder; default: the machine's.
    """
    seen = look_at(process_id)
    if sys.platform != "linux" or seen is None:
        return
    path = (folder or state_folder()) / BOOK_NAME
    line = json.dumps(Command(own_identity(), process_id, seen.born, str(output.resolve()))) + "\n"
    with contextlib.suppress(OSError):
        make_state_folder(path.parent)
        descriptor = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_NOFOLLOW, 0o600)
        try:
            os.write(descriptor, line.encode())
        finally:
            os.close(descriptor)


def end_changers(owner: str = "", folder: Path | None = None) -> list[str]:
    """End all of them that this process, the program of that identity, or one that has ended has started.

    Costs about 20 µs for each process of the machine.

    Args:
        owner: Identity of another program that is still known to run.
        folder: State folder with the book; None: only the mark tells.
    Returns:
        Names of those that could not be ended within some seconds.
    """
    wanted = {owner, own_identity()}
    commands = [] if folder is None else list(_commands(folder, wanted))
    until_s = time.monotonic() + _WAIT_S
    while found := _found(wanted, commands):
        if time.monotonic() > until_s:
            return [_name(process) for process in found]
        for process in found:
            with contextlib.suppress(*_GONE):
                process.kill()
        psutil.wait_procs(found, timeout=0.2)
    if commands and folder is not None:
        with contextlib.suppress(OSError):
            heldfiles.remove(folder / BOOK_NAME, missing_ok=True)
    return []


def _commands(folder: Path, wanted: set[str]) -> Iterator[Command]:
    """Those of the book that are to be ended. One that could have been written by others tells nothing."""
    try:
        text = trusted_bytes(folder / BOOK_NAME) or b""
    except StoreError:
        return
    for line in text.splitlines():
        with contextlib.suppress(ValueError, TypeError):
            started_by, session, born, output = json.loads(line)
            command = Command(str(started_by), int(session), float(born), str(output))
            if command.started_by in wanted or not lives(command.started_by):
                yield command


def _found(wanted: set[str], commands: list[Command]) -> list[psutil.Process]:
    seen = {pid: entry for pid in list_pids() if (entry := look_at(pid)) is not None}
    members = {
        pid
        for pid, entry in seen.items()
        if _is_marked(pid, wanted) or any(_is_of(command, entry, seen) for command in commands)
    }
    members.discard(os.getpid())
    more = bool(members)
    while more:  # what those have started: sudo gives its command a session of its own
        children = {pid for pid, entry in seen.items() if entry.parent in members} - {*members, os.getpid()}
        members |= children
        more = bool(children)
    found = []
    for pid in members:
        with contextlib.suppress(*_GONE):
            found.append(psutil.Process(pid))
    return found


def _is_of(command: Command, entry: Seen, seen: dict[int, Seen]) -> bool:
    if entry.born < command.born:
        return False
    leader = seen.get(command.session)
    if entry.session == command.session and (leader is None or leader.born == command.born):
        return True
    for descriptor in (1, 2):
        with contextlib.suppress(OSError):
            target = os.readlink(f"/proc/{entry.pid}/fd/{descriptor}")  # noqa: PTH115
            if target.removesuffix(" (deleted)") == command.output:
                return True
    return False


def _is_marked(pid: int, wanted: set[str]) -> bool:
    try:
        started_by = psutil.Process(pid).environ().get(CHANGER, "")
    except (*_GONE, OSError):
        return False
    return bool(started_by) and (started_by in wanted or not lives(started_by))


def _name(process: psutil.Process) -> str:
    try:
        return f"{process.name()} ({process.pid})"
    except _GONE:
        return str(process.pid)
