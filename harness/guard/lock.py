"""One levelrig at a time may change this machine's hardware. The system's own file lock decides.

The text in the file only informs: who holds it, since when, for which folder. A watch process inherits the
open lock of its run (not on Windows, where locks can't be inherited), so that the lock outlives a run that
was killed until its watch has put the card back.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, Literal, Self

from harness import filelock
from harness.clock import Clock, SystemClock, local_time
from harness.errors import HardwareBusy, StoreError
from harness.guard.record import FILE_NAME, RestoreRecord, make_state_folder, records_of_others
from harness.guard.times import HANDOVER_S
from harness.identity import lives, own_identity
from harness.places import state_folder

LOCK_NAME: Final = "hardware.lock"
_POLL_S: Final = 0.1
_SINCE: Final = "%Y-%m-%d %H:%M:%S UTC"
Doing = Literal["run", "try", "restore", "watch"]


@dataclass(frozen=True)
class Holder:
    """Who wrote its name into the lock. ``identity`` is that of :mod:`harness.identity`."""

    identity: str
    doing: str
    since: str
    folder: str

    @property
    def pid(self) -> int:
        return int(self.identity.partition("/")[0])

    @property
    def lives(self) -> bool:
        return lives(self.identity)

    def __str__(self) -> str:
        words = {
            "run": "a run",
            "try": "a try",
            "restore": "a restore",
            "watch": "the watch of a run that ended",
        }
        where = f", folder {self.folder}" if self.folder else ""
        return f"process {self.pid} ({words.get(self.doing, 'levelrig')}, since {_local(self.since)}{where})"


def _local(since: str) -> str:
    """The time that a lock file holds in UTC, by this machine's clock; as it stands where it is none."""
    try:
        return local_time(datetime.strptime(since, _SINCE).replace(tzinfo=UTC))
    except ValueError:
        return since


class HardwareLock:
    """Held from :meth:`take` to :meth:`release`, or to the end of the process and of its watch."""

    def __init__(self, path: Path, descriptor: int) -> None:
        """Not called from outside; see :meth:`take` and :meth:`inherited`."""
        self.path = path
        self.descriptor = descriptor

    @classmethod
    def take(
        cls,
        doing: Doing,
        folder: Path | None = None,
        *,
        state: Path | None = None,
        patience_s: float = HANDOVER_S,
        clock: Clock | None = None,
    ) -> Self:
        """Take the lock.

        Where the holder is the watch of a run that has ended, it is waited for; ``doing="restore"`` asks it
        to let go after its present try, so that a person can see for himself why it does not get on.
        A watch that takes over waits for its run as well: the system closes a dying program's pipe before
        it counts as gone.

        Args:
            doing: What for.
            folder: The campaign folder, for others to know.
            state: State folder; default: the machine's.
            patience_s: How long to wait for a watch.
            clock: Time for that.
        Raises:
            HardwareBusy: Somebody else holds it; the message says who and since when.
            StoreError: Files can't be locked there.
        """
        clock = clock or SystemClock()
        path = (state or state_folder()) / LOCK_NAME
        until_s = clock.now_s() + patience_s
        while (descriptor := _open_locked(path)) is None:
            holder = read_holder(path)
            busy = holder is not None and holder.doing != "watch" and holder.lives and doing != "watch"
            if busy or clock.now_s() >= until_s:
                raise HardwareBusy(_refusal(holder))
            if doing == "restore" and holder is not None and holder.doing == "watch" and holder.lives:
                with contextlib.suppress(OSError):
                    os.kill(holder.pid, signal.SIGTERM)
            clock.sleep_s(_POLL_S)
        lock = cls(path, descriptor)
        while changer := _changer_without_lock(path):
            if doing != "watch" or clock.now_s() >= until_s:
                lock.release()
                raise HardwareBusy(
                    f"process {changer} has changed this machine's hardware and still runs, though its lock "
                    f"file {path} was removed; wait for its end, or stop it there, and try again. Nothing "
                    "was changed"
                )
            clock.sleep_s(_POLL_S)
        lock.say(doing, folder)
        return lock

    @classmethod
    def inherited(cls, path: Path, descriptor: int) -> Self:
        """The lock as a watch has it from its run."""
        return cls(path, descriptor)

    def say(self, doing: Doing, folder: Path | None = None) -> None:
        """Inform others."""
        text = {
            "identity": own_identity(),
            "doing": doing,
            "since": datetime.now(UTC).strftime(_SINCE),
            "folder": str(folder.absolute()) if folder else "",
        }
        filelock.say(self.descriptor, text)

    def release(self) -> None:
        """Let go; a watch that inherited the lock still holds it. Safe to call twice."""
        if self.descriptor >= 0:
            os.close(self.descriptor)
            self.descriptor = -1


def read_holder(path: Path) -> Holder | None:
    """The last one that wrote its name; None where nobody did. It may have let go since."""
    try:
        with path.open("rb") as file:
            found = json.loads(file.read(4000))
        return Holder(*(str(found[key]) for key in ("identity", "doing", "since", "folder")))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def left_changed(state: Path | None = None) -> list[str]:
    """What runs have changed on this machine and not put back yet, by the records; a sentence each.

    A run whose own profile leaves all as the maker set it has nothing there: its other profiles are taken
    back, which clears the record, before that one comes into force.
    """
    folder = state or state_folder()
    try:
        kinds = sorted(RestoreRecord(folder / FILE_NAME).open_snapshots())
    except StoreError as error:
        return [str(error)]
    found = [
        f"another user's run has changed this machine's hardware ({path})" for path in records_of_others()
    ]
    if kinds:
        holder = read_holder(folder / LOCK_NAME)
        who = f"; {holder} holds it, wait for its end" if holder is not None and holder.lives else ""
        found.append(f"the hardware is changed (by control: {', '.join(kinds)}) and not put back yet{who}")
    return found


def _refusal(holder: Holder | None) -> str:
    if holder is None:
        return "another levelrig process holds this machine's hardware; wait for its end and try again"
    if holder.doing == "watch":
        return (
            f"{holder} still puts the card back; wait, or run `levelrig restore` to see what keeps it from "
            "getting on. Nothing was changed"
        )
    if not holder.lives:
        return (
            f"{holder} has ended, and its watch still puts the card back; wait a moment and try again. "
            "Nothing was changed"
        )
    return (
        f"{holder} holds this machine's hardware; wait for its end, or stop it there, and try again. "
        "Nothing was changed"
    )


def _open_locked(path: Path) -> int | None:
    """Descriptor of the locked file; None if somebody holds it."""
    flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0) | getattr(os, "O_NOFOLLOW", 0)
    try:
        make_state_folder(path.parent)
        descriptor = os.open(path, flags, 0o600)
    except OSError as error:
        raise StoreError(
            f"{path}: can't be opened ({error.strerror}); without it two runs could change the card at "
            "once, so nothing was changed; grant access"
        ) from error
    try:
        # A file that was removed meanwhile says nothing: somebody else may have locked a new one.
        if filelock.lock(descriptor) and _is_at(descriptor, path):
            return descriptor
        os.close(descriptor)
        return None
    except OSError as error:
        os.close(descriptor)
        raise StoreError(
            f"{path}: files can't be locked here ({error.strerror}); the state folder must be on a local disk"
        ) from error


def _is_at(descriptor: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(descriptor), path.stat())
    except FileNotFoundError:
        return False


def _changer_without_lock(path: Path) -> str:
    """Process id of a living program other than this one that wrote the record beside the lock."""
    try:
        owner = RestoreRecord(path.with_name(FILE_NAME)).content().owner
    except StoreError:
        return ""
    return owner.partition("/")[0] if owner and owner != own_identity() and lives(owner) else ""
