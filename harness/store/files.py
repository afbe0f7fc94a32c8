"""All of the store's effects on the disk, behind a seam small enough to break on purpose.

:class:`FileSystem` has the primitive effects; a test replaces it to fail, or to kill the process, at each of
them. :class:`SafeFiles` builds on it: whole files by temporary file in the same folder, fsync, rename and
fsync of the folder; operating-system errors become errors of levelrig; and after one failed fsync nothing
is written any more, because the pages of a failed fsync are marked clean and a second fsync would report a
success that never was (Rebello et al., "Can Applications Recover from fsync Failures?", USENIX ATC 2020).
"""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from io import FileIO
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

from harness import inside
from harness.errors import DiskFull, NotWritable, StorageFault, StoreError, UnsafePath
from harness.heldfiles import tells_itself

if TYPE_CHECKING:
    import pyarrow as pa

#: Suffix of a file that is being written. Nothing with this suffix is ever read as a result.
TEMPORARY: Final = ".partial"
_PIECE_BYTES: Final = 1 << 20
#: Room kept for the journal, given up on a full disk so that the stop can still be put down.
BALLAST_NAME: Final = "ballast"
BALLAST_BYTES: Final = 1 << 20
_FULL: Final = {errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)}


class FileSystem:
    """The primitive effects. Each raises OSError (``commit``: sqlite3.Error) and does nothing else.

    Attributes:
        within: The campaign folder, below which :mod:`harness.inside` follows no link; set by SafeFiles.
        synchronous: SQLite's setting of that name for a transition that must last.
    """

    within: Path
    synchronous: Literal["FULL", "OFF"] = "FULL"

    def make_folder(self, path: Path) -> None:
        if path.is_relative_to(self.within):
            inside.make_folder(self.within, path)
        else:  # a parent of the campaign folder
            path.mkdir(exist_ok=True)

    def create(self, path: Path) -> FileIO:
        """A new, empty file, unbuffered: what was written has left the process."""
        return FileIO(inside.create(self.within, path), "w")

    def write(self, file: FileIO, data: bytes) -> None:
        view = memoryview(data)
        while view:
            view = view[file.write(view) or 0 :]

    def fsync(self, file: FileIO) -> None:
        os.fsync(file.fileno())

    def rename(self, source: Path, target: Path) -> None:
        """Atomic replacement within one folder."""
        inside.replace(self.within, source, target)

    def fsync_folder(self, path: Path) -> None:
        """Make names durable. Windows has no such call; its journalled file system keeps renames in order."""
        inside.sync_folder(self.within if path.is_relative_to(self.within) else path, path)

    def remove(self, path: Path) -> None:
        inside.remove(self.within, path)

    def commit(self, connection: sqlite3.Connection, transition: str) -> None:
        """Make one journal transition durable. ``transition`` names it, for tests that aim at one."""
        del transition
        connection.execute("COMMIT")

    def free_bytes(self, folder: Path) -> int:
        return shutil.disk_usage(folder).free


class UnsyncedFileSystem(FileSystem):
    """For what is worth no wait for the disk, as a rehearsal, which is made again at will.

    All effects come in the same order, so a process that is killed loses nothing; a power cut may take any
    of them, and spoil the journal.
    """

    synchronous: Literal["FULL", "OFF"] = "OFF"

    def fsync(self, file: FileIO) -> None:
        pass

    def fsync_folder(self, path: Path) -> None:
        pass


class SafeFiles:
    """Durable files under one folder."""

    def __init__(self, folder: Path, file_system: FileSystem | None = None) -> None:
        self.folder = folder
        self.primitives = file_system or FileSystem()
        self.primitives.within = folder
        #: The disk was found full since these files were opened.
        self.was_full = False
        self._fault: StorageFault | None = None

    @contextmanager
    def guarded(self, what: str, *, syncing: bool = False, reading: bool = False) -> Iterator[None]:
        """Turn a failed effect into an error of levelrig, and refuse all effects after a disk fault.

        Reading stays possible after a fault: the way back to the factory state must be found.

        Raises:
            DiskFull: No space; the effect may be tried again once there is, unless it was an fsync.
            StorageFault: The disk failed. From now on every effect raises this again.
        """
        if not reading:
            self.check()
        try:
            yield
        except UnsafePath:
            raise
        except OSError as error:
            if error.errno in _FULL and not syncing:
                raise self.full(what) from error
            if error.errno in (errno.EIO, *_FULL) or syncing:
                raise self.fail(what, error) from error
            remedy = "" if tells_itself(error) else "; check the folder's permissions"
            raise StoreError(f"{what}: {error.strerror or error}{remedy}") from error
        except sqlite3.Error as error:
            code = error.sqlite_errorcode & 0xFF if hasattr(error, "sqlite_errorcode") else None
            if code == sqlite3.SQLITE_FULL:
                raise self.full(what) from error
            if code in (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
                raise self.fail(what, error) from error
            if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
                raise StoreError(
                    f"{what}: another program keeps the journal of {self.folder} locked; end it (a viewer, "
                    "a backup, a sync program), then run the same command again: it goes on"
                ) from error
            if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
                raise NotWritable(
                    f"{what}: the journal of {self.folder} can't be written ({error}); see that you may "
                    "write this folder and its files (owner, permissions, write protection), then run the "
                    "same command again"
                ) from error
            raise StoreError(f"{what}: journal: {error}; run `levelrig verify {self.folder}`") from error

    def check(self) -> None:
        """Raise the disk fault again, once there was one."""
        if self._fault is not None:
            raise StorageFault(str(self._fault)) from self._fault

    @property
    def faulty(self) -> bool:
        """The disk failed; only a new process that reopens the folder may go on."""
        return self._fault is not None

    def fail(self, what: str, cause: BaseException) -> StorageFault:
        """Remember a disk fault; give back the error to raise."""
        self._fault = StorageFault(
            f"{what}: {cause}; nothing accepted before is lost. Check the disk, then run the same command "
            f"again: it reopens {self.folder} and verifies it first"
        )
        return self._fault

    def full(self, what: str) -> DiskFull:
        """The error for a full disk. Gives up the ballast, to make room for what must still be put down."""
        self.was_full = True
        with suppress(OSError):
            self.primitives.remove(self.folder / BALLAST_NAME)
        try:
            free = f"{self.primitives.free_bytes(self.folder) / 2**20:.1f} MiB free"
        except OSError:
            free = "free space unknown"
        return DiskFull(
            f"{what}: no space left ({free}); free some, then run the same command again: it goes on"
        )

    def make_folders(self, path: Path) -> None:
        """Make a folder and its missing parents below :attr:`folder`, each name durable."""
        missing: list[Path] = []
        while not path.exists():
            missing.append(path)
            path = path.parent
        for folder in reversed(missing):
            with self.guarded(f"making {folder}"):
                self.primitives.make_folder(folder)
            self.sync_folder(folder.parent)

    def sync(self, file: FileIO, path: Path) -> None:
        with self.guarded(f"fsync of {path}", syncing=True):
            self.primitives.fsync(file)

    def sync_folder(self, folder: Path) -> None:
        with self.guarded(f"fsync of {folder}", syncing=True):
            self.primitives.fsync_folder(folder)

    def remove(self, path: Path) -> None:
        with self.guarded(f"removing {path}"):
            self.primitives.remove(path)

    def keep_aside(self, *names: str) -> list[str]:
        """Give files of the folder that are there the name ``<name>.before-<n>``; nothing is overwritten.

        Returns:
            The new names.
        """
        kept: list[str] = []
        present = [name for name in names if inside.is_there(self.folder, self.folder / name)]
        number = 1
        while any(inside.is_there(self.folder, self.folder / f"{name}.before-{number}") for name in names):
            number += 1
        for name in present:
            with self.guarded(f"keeping {name} aside"):
                self.primitives.rename(self.folder / name, self.folder / f"{name}.before-{number}")
            kept.append(f"{name}.before-{number}")
        self.sync_folder(self.folder)
        return kept

    def write_whole(self, path: Path, data: bytes) -> None:
        """Write a whole file so that at any moment either the old or the new content is there."""
        self.write_through(path, lambda file: file.write(data))

    def write_through(self, path: Path, fill: Callable[[SafeFile], object]) -> None:
        """The same, for content that ``fill`` writes piece by piece."""
        temporary = path.with_name(path.name + TEMPORARY)
        try:
            file = self.create(temporary)
            try:
                fill(file)
                file.sync()
            finally:
                file.close()
        except BaseException:
            self._discard(temporary)
            raise
        try:
            self.publish(temporary, path)
        except BaseException:
            self._discard(temporary)
            raise

    def create(self, path: Path) -> SafeFile:
        with self.guarded(f"creating {path}"):
            return SafeFile(self, path, self.primitives.create(path))

    def publish(self, temporary: Path, path: Path) -> None:
        """Give a synced temporary file its final name, durably."""
        with self.guarded(f"renaming {temporary}"):
            self.primitives.rename(temporary, path)
        self.sync_folder(path.parent)

    def _discard(self, temporary: Path) -> None:
        if not self.faulty:
            with suppress(OSError):  # a leftover with this suffix is never read, and swept at the next start
                self.primitives.remove(temporary)


class SafeFile:
    """One file being written, in large pieces; enough of a file object for :func:`pyarrow_sink`."""

    def __init__(self, files: SafeFiles, path: Path, raw: FileIO) -> None:
        self.path = path
        self.position = 0
        self._files = files
        self._raw = raw
        self._held = bytearray()

    def write(self, data: bytes) -> int:
        self._held += data
        self.position += len(data)
        if len(self._held) >= _PIECE_BYTES:
            self.flush()
        return len(data)

    def flush(self) -> None:
        """Hand over to the system what is held: from here on it survives the process."""
        if self._held:
            piece, self._held = bytes(self._held), bytearray()
            with self._files.guarded(f"writing {self.path}"):
                self._files.primitives.write(self._raw, piece)

    def sync(self) -> None:
        """Bring it to the disk: from here on it survives the machine."""
        self.flush()
        self._files.sync(self._raw, self.path)

    def close(self) -> None:
        """Close. What was not flushed is dropped."""
        self._raw.close()


def pyarrow_sink(file: SafeFile) -> pa.PythonFile:
    """The file as something that pyarrow writes to. Closing the sink leaves the file open."""
    import pyarrow as pa

    return pa.PythonFile(_LeftOpen(file), mode="w")


class _LeftOpen:
    def __init__(self, file: SafeFile) -> None:
        self._file = file
        self.closed = False

    def write(self, data: bytes) -> int:
        return self._file.write(bytes(data))

    def tell(self) -> int:
        return self._file.position

    def flush(self) -> None:
        """pyarrow flushes after every small piece; the file decides when to write."""

    def close(self) -> None:
        self.closed = True

    def writable(self) -> bool:
        return True

    def readable(self) -> bool:
        return False

    def seekable(self) -> bool:
        return False
