"""The machine's record of what is to be put back: control kind -> state to go back to.

One small file of this machine and user, written before the first change and cleared by a proven restore. It
is the only source of a restore: whoever can write it can have commands run and settings made as this user,
so it counts only if it is this user's own, can't be written by others and is no link.

The run and its watch remember what they put there, so that a file which is removed or spoilt meanwhile is
repaired, not believed. Nothing in a campaign's folder is a source of a restore: the journal's table
``snapshots`` is left over from earlier versions and not read.
"""

from __future__ import annotations

import errno
import json
import os
import stat
import sys
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final, NamedTuple

from harness import heldfiles
from harness.errors import RecordDamaged, RecordNotOurs, StoreError
from harness.identity import own_identity
from harness.places import MACHINES_FOLDER, state_folder
from harness.windows_acl import protect

FILE_NAME: Final = "restore.json"
_FORMAT: Final = 2
_LARGEST_BYTES: Final = 4 * 2**20
_ACTED_SUFFIX: Final = ".acted"


def records_of_others() -> list[Path]:
    """Records of other users that can be seen from here: to another user, root's."""
    path = MACHINES_FOLDER / FILE_NAME
    if sys.platform == "win32" or os.geteuid() == 0:
        return []
    try:
        return [path] if path.exists() else []
    except OSError:
        return []


class Content(NamedTuple):
    """What a record tells: control kind -> state to go back to, and who wrote it.

    ``owner`` is the identity (:mod:`harness.identity`) of that program; empty if unknown.
    """

    states: Mapping[str, dict[str, Any]] = MappingProxyType({})
    owner: str = ""


class RestoreRecord:
    """The record. Every change is on the disk when the call returns.

    A kind that stands there already keeps its state: what is read after a crash is the profile's, not the
    factory's. The file is there as long as something is to be put back.

    Args:
        path: The file; by default the machine's own.
    """

    def __init__(self, path: Path | None = None) -> None:
        self.path = path or state_folder() / FILE_NAME

    def save_snapshot(self, control_kind: str, snapshot: Mapping[str, Any]) -> None:
        """Note that this control may change something from now on. Raises StoreError."""
        states, _ = self._read()
        if control_kind not in states:
            self._write({**states, control_kind: dict(snapshot)})

    def open_snapshots(self) -> dict[str, dict[str, Any]]:
        """What is to be put back.

        Raises:
            RecordNotOurs: It can't be trusted, or can't be read by this user.
            RecordDamaged: It is ours and can't be understood.
        """
        return dict(self.content().states)

    def content(self) -> Content:
        """The same, and who wrote it. Raises as :meth:`open_snapshots`."""
        return self._read()

    def repair(self, states: Mapping[str, Mapping[str, Any]], owner: str = "") -> bool:
        """Write these states where the file is gone or is not what they say; a false file is kept aside.

        Args:
            states: What is to be put back, as whoever changed it knows.
            owner: Identity of that program; default: this one.
        Returns:
            Whether there was anything to repair.
        Raises:
            StoreError: It can't be written.
        """
        try:
            found, found_owner = self._read()
            if found == states and found_owner == (owner or own_identity()):
                return False
        except StoreError:
            self.set_aside()
        self._write(states, owner)
        return True

    def clear_snapshot(self, control_kind: str) -> None:
        """The control is restored. Raises StoreError."""
        found, owner = self._read()
        if control_kind not in found:
            return
        if states := {kind: state for kind, state in found.items() if kind != control_kind}:
            self._write(states, owner)
        else:
            self.discard()

    def discard(self) -> None:
        """Nothing is to be put back any more. Raises StoreError."""
        try:
            heldfiles.remove(self.path, missing_ok=True)
            _sync_folder(self.path.parent)
        except OSError as error:
            raise StoreError(
                f"{self.path}: can't be removed ({error}); grant access to its folder"
            ) from error

    def set_aside(self) -> Path:
        """Keep a damaged file under another name; returns that. Raises StoreError."""
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
        kept = self.path.with_name(f"{self.path.stem}.damaged-{stamp}{self.path.suffix}")
        number = 1
        while kept.exists():
            number += 1
            kept = self.path.with_name(f"{self.path.stem}.damaged-{stamp}-{number}{self.path.suffix}")
        try:
            heldfiles.rename(self.path, kept)
            _sync_folder(self.path.parent)
        except OSError as error:
            raise StoreError(
                f"{self.path}: can't be renamed ({error}); grant access to its folder"
            ) from error
        return kept

    # --- what the watch tells a program that it took for dead ---------------------------------------------

    def acted(self) -> int:
        """How often a watch set about restoring while its program lived; it may go on one day."""
        try:
            return int(self._acted_path.read_text("ascii")[:20])
        except (OSError, ValueError):
            return 0

    def note_act(self) -> None:
        """Count once more, before the restore begins. Best effort: reading back finds it out as well."""
        try:
            temporary = self._acted_path.with_suffix(".count")
            temporary.write_text(str(self.acted() + 1), "ascii")
            heldfiles.replace(temporary, self._acted_path)
        except OSError:
            pass

    @property
    def _acted_path(self) -> Path:
        return self.path.with_suffix(_ACTED_SUFFIX)

    # --- the file -----------------------------------------------------------------------------------------

    def _read(self) -> Content:
        content = trusted_bytes(self.path)
        if content is None:
            return Content()
        try:
            found = json.loads(content.decode("utf-8", "replace"))
            owner = ""
            if "format" in found:
                if found["format"] != _FORMAT:
                    raise ValueError(f"format {found['format']} is not known here")
                found, owner = found["states"], str(found["owner"])
            if not all(isinstance(state, dict) for state in found.values()):
                raise TypeError("a state is no table")
            return Content({str(kind): dict(state) for kind, state in found.items()}, owner)
        except (ValueError, TypeError, AttributeError, KeyError, RecursionError) as error:
            raise RecordDamaged(
                f"{self.path}: is damaged ({error}); run `levelrig restore`, which keeps it aside and puts "
                "the card to its factory state; of several cards name the one that was tuned: --card"
            ) from error

    def _write(self, states: Mapping[str, Any], owner: str = "") -> None:
        content = {"format": _FORMAT, "owner": owner or own_identity(), "states": states}
        temporary = self.path.with_suffix(".new")
        try:
            make_state_folder(self.path.parent)
            heldfiles.remove(temporary, missing_ok=True)
            with open(temporary, "x", encoding="utf-8", opener=_private) as file:
                json.dump(content, file)
                file.flush()
                os.fsync(file.fileno())
            heldfiles.replace(temporary, self.path)
            _sync_folder(self.path.parent)
        except OSError as error:
            raise StoreError(
                f"{self.path}: can't be written ({error}); without it a crash could leave the card changed, "
                "so nothing was changed; make room or grant access"
            ) from error


def trusted_bytes(path: Path) -> bytes | None:
    """A file of the state folder that nobody but its user can have written; None where there is none.

    Raises:
        RecordNotOurs: It can't be trusted, or can't be read by this user.
        RecordDamaged: It is far too large.
    """
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    try:
        descriptor = heldfiles.when_let(lambda: os.open(path, flags | getattr(os, "O_BINARY", 0)), path)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as error:
        what = "is a link" if path.is_symlink() else f"can't be read ({error.strerror})"
        raise RecordNotOurs(path, what) from error
    try:
        distrust = _distrust(os.fstat(descriptor)) or _distrust_folder(path)
        if distrust:
            raise RecordNotOurs(path, distrust)
        content = b""
        while block := os.read(descriptor, 2**16):
            content += block
            if len(content) > _LARGEST_BYTES:
                raise RecordDamaged(f"{path}: is far too large; run `levelrig restore`")
        return content
    finally:
        os.close(descriptor)


def make_state_folder(folder: Path) -> None:
    """Make the state folder, which only its owner can write. Raises OSError, also where others can."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    # Root's can be looked into, so that other users learn that root's run has changed the card.
    if not folder.is_dir():
        folder.mkdir(mode=0o755 if folder == MACHINES_FOLDER else 0o700, exist_ok=True)
    if distrust := _distrust_folder(folder / FILE_NAME):
        raise PermissionError(errno.EPERM, f"it {distrust}: make {folder} its user's own (chmod 755)")
        protect(folder)


def _private(path: str, flags: int) -> int:
    return os.open(path, flags | getattr(os, "O_NOFOLLOW", 0), 0o600)


def _distrust(found: os.stat_result) -> str:
    """Why a file can't be trusted; empty if it can. Windows: its folder's access rights decide."""
    if not stat.S_ISREG(found.st_mode):
        return "is no ordinary file"
    if sys.platform == "win32":
        return ""
    if found.st_uid != os.geteuid():
        return f"belongs to another user (id {found.st_uid})"
    if found.st_mode & 0o022:
        return "can be written by other users"
    if found.st_nlink > 1:
        return "has a second name elsewhere"
    return ""


def _distrust_folder(path: Path) -> str:
    """Why a file's folder can't be trusted; empty if it can."""
    if sys.platform == "win32":
        return ""
    found = path.parent.stat()
    if found.st_uid not in (0, os.geteuid()):
        return f"lies in a folder of another user (id {found.st_uid})"
    if found.st_mode & 0o022:
        return "lies in a folder that other users can write to"
    return ""


def _sync_folder(folder: Path) -> None:
    if sys.platform == "win32" or not folder.is_dir():
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
