"""The journal: what was begun, what became of it and what is on disk, in one SQLite file.

WAL mode with ``synchronous=FULL``: a transition is on the disk before the call that made it returns. Every
transition is one transaction that passes through :meth:`FileSystem.commit`, so that tests can break each.

After an unclean end the journal is not trusted in place. The pages that a failed fsync left behind may be in
memory only, so :func:`repair` copies all that can be read into a new file, syncs that, and puts it in the old
one's place: either file is whole at any moment.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sqlite3
import stat
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from harness import inside
from harness.errors import NotACampaign, StoreError, UnsafePath
from harness.store.files import TEMPORARY, SafeFiles

JOURNAL_NAME: Final = "journal.sqlite"
REPAIRED_NAME: Final = "journal.mended"
SCHEMA_VERSION: Final = 2
TABLES: Final = (
    "meta", "plans", "sessions", "cells", "slots", "attempts", "transitions", "artifacts", "snapshots",
    "events",
)  # fmt: skip

#: Tries to begin, each of which waits for ten seconds.
_BUSY_TRIES: Final = 12
_COPY_TRIES: Final = 30
_CANT_BE_INDEXED: Final = (
    sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_FULL,
)  # fmt: skip

_SCHEMA: Final = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
CREATE TABLE plans (
    opened_utc TEXT NOT NULL, source TEXT NOT NULL, text TEXT NOT NULL
) STRICT;
CREATE TABLE sessions (
    session_id INTEGER PRIMARY KEY, opened_utc TEXT NOT NULL, pid INTEGER NOT NULL, rig_id TEXT NOT NULL,
    boot_id TEXT NOT NULL, heartbeat_utc TEXT NOT NULL, closed_utc TEXT, outcome TEXT
) STRICT;
CREATE TABLE cells (
    cell_id TEXT PRIMARY KEY, title TEXT NOT NULL, setting TEXT NOT NULL, profile TEXT NOT NULL,
    definition_hash TEXT NOT NULL, definition TEXT NOT NULL
) STRICT;
CREATE TABLE slots (
    position INTEGER PRIMARY KEY, block INTEGER NOT NULL, cell_id TEXT NOT NULL REFERENCES cells,
    repeat_index INTEGER NOT NULL, sentinel INTEGER NOT NULL, second_look INTEGER NOT NULL,
    UNIQUE (cell_id, repeat_index, sentinel, second_look)
) STRICT;
-- definition_hash is copied: a cell's definition may change later, what an attempt measured does not.
-- A row without a verdict is an attempt that was begun and has not ended.
CREATE TABLE attempts (
    attempt_number INTEGER PRIMARY KEY, attempt_id TEXT NOT NULL UNIQUE, session_id INTEGER NOT NULL,
    cell_id TEXT NOT NULL, title TEXT NOT NULL, setting TEXT NOT NULL, profile TEXT NOT NULL,
    definition_hash TEXT NOT NULL, repeat_index INTEGER NOT NULL, sentinel INTEGER NOT NULL,
    second_look INTEGER NOT NULL, attempt_index INTEGER NOT NULL,
    position INTEGER NOT NULL, block INTEGER NOT NULL,
    started_utc TEXT NOT NULL, start_s REAL NOT NULL, boot_id TEXT NOT NULL, rig_id TEXT NOT NULL,
    verdict TEXT, reason_code TEXT, fields TEXT,
    UNIQUE (cell_id, repeat_index, sentinel, second_look, attempt_index)
) STRICT;
-- No repeat is counted twice, whatever the program does.
CREATE UNIQUE INDEX accepted_once ON attempts (cell_id, definition_hash, repeat_index, sentinel, second_look)
    WHERE verdict = 'accepted';
CREATE TABLE transitions (
    attempt_id TEXT NOT NULL REFERENCES attempts (attempt_id), phase TEXT NOT NULL, t_s REAL NOT NULL
) STRICT;
CREATE TABLE artifacts (
    attempt_id TEXT NOT NULL REFERENCES attempts (attempt_id), path TEXT NOT NULL UNIQUE,
    sha256 TEXT NOT NULL, bytes INTEGER NOT NULL, row_count INTEGER, partial INTEGER NOT NULL
) STRICT;
CREATE TABLE snapshots (control TEXT PRIMARY KEY, snapshot TEXT NOT NULL, saved_utc TEXT NOT NULL) STRICT;
CREATE TABLE events (
    event_number INTEGER PRIMARY KEY, utc TEXT NOT NULL, kind TEXT NOT NULL, message TEXT NOT NULL,
    data TEXT NOT NULL
) STRICT;
"""


class Journal:
    """An open journal. Usable from several threads; one transaction at a time."""

    def __init__(self, files: SafeFiles, connection: sqlite3.Connection) -> None:
        self.files = files
        self._connection = connection
        self._connection.row_factory = sqlite3.Row
        self._lock = threading.RLock()

    @classmethod
    def open(cls, files: SafeFiles) -> Journal:
        """Open for writing; make it if it isn't there; repair it first if the last end was unclean.

        The caller holds the folder's lock.
        """
        repair(files)
        path = files.folder / JOURNAL_NAME
        with files.guarded(f"opening {path}"):
            _keep_locks_private(path)
            connection = _connect(path)
            with _closed_on_failure(connection):  # Windows keeps a file that is open from being put aside
                connection.execute("PRAGMA journal_mode=WAL")
                connection.execute(f"PRAGMA synchronous={files.primitives.synchronous}")
                connection.execute("PRAGMA foreign_keys=ON")
        # A further opening and closing of it by this process would take its locks away (fcntl(2)).
        _WRITTEN.add(_number_of(inside.stat_of(files.folder, path)))
        journal = cls(files, connection)
        with _closed_on_failure(connection):
            version = journal.query("PRAGMA user_version")[0][0]
            if version == 0 and not journal.query("SELECT name FROM sqlite_master"):
                _create(journal)
                files.sync_folder(files.folder)
            elif version not in (0, SCHEMA_VERSION):  # 0: of another program, which the caller finds out
                raise _other_format(path, version)
        return journal

    @classmethod
    def read(cls, folder: Path) -> Journal:
        """Open read-only, also while another process writes. Raises StoreError if there is none."""
        path = folder / JOURNAL_NAME
        repaired = folder / REPAIRED_NAME
        if not inside.is_there(folder, path) and inside.is_there(folder, repaired):
            path = repaired
        if not inside.is_there(folder, path):
            raise NotACampaign(f"{folder}: no campaign there (no {JOURNAL_NAME}); name a campaign folder")
        files = SafeFiles(folder)
        # Without a log nobody writes; saying so keeps SQLite from leaving a new, empty log behind.
        log = path.with_name(f"{path.name}-wal")
        mode = "ro" if inside.is_there(folder, log) else "ro&immutable=1"
        with files.guarded(f"opening {path}"):
            foreign = _is_anothers(folder, path) and _number_of(inside.stat_of(folder, path)) not in _WRITTEN
            journal = cls(files, _copied(path) if foreign else _in_place(path, mode))
            with _closed_on_failure(journal._connection):
                version = journal._connection.execute("PRAGMA user_version").fetchone()[0]
        if version not in (0, SCHEMA_VERSION):
            journal.close()
            raise _other_format(path, version)
        return journal

    def close(self) -> None:
        """Close. After a disk fault nothing is written any more: the next start repairs the journal."""
        with self._lock:
            if self.files.faulty:
                # An open connection writes on closing; leaving it to the end of the process does not.
                _ABANDONED.append(self._connection)
                return
            self._connection.close()

    @contextmanager
    def transaction(self, transition: str, *, durable: bool = True) -> Iterator[sqlite3.Connection]:
        """One transition: all of it or none. On the disk when the block is left, unless not ``durable``.

        Raises:
            DiskFull, StorageFault, StoreError: It did not happen (after a StorageFault: it may have; the
            next start tells).
        """
        with self._lock, self.files.guarded(f"journal ({transition})"):
            connection = self._connection
            lasting = self.files.primitives.synchronous
            eased = not durable and lasting == "FULL"
            if eased:
                connection.execute("PRAGMA synchronous=NORMAL")
            try:
                _begin(connection)
                try:
                    yield connection
                    self.files.primitives.commit(connection, transition)
                except BaseException:
                    if connection.in_transaction:
                        connection.execute("ROLLBACK")
                    raise
            finally:
                if eased:
                    connection.execute(f"PRAGMA synchronous={lasting}")

    def query(self, sql: str, parameters: Sequence[Any] = ()) -> list[sqlite3.Row]:
        """Rows of a reading statement."""
        with self._lock, self.files.guarded("reading the journal", reading=True):
            return self._connection.execute(sql, parameters).fetchall()

    # --- small things -------------------------------------------------------------------------------------

    def meta(self, key: str) -> Any:
        """A value kept under ``key``; None if there is none."""
        rows = self.query("SELECT value FROM meta WHERE key = ?", (key,))
        return json.loads(rows[0]["value"]) if rows else None

    def problems(self) -> list[str]:
        """What SQLite's own integrity check finds; empty when all is well."""
        found = [row[0] for row in self.query("PRAGMA integrity_check")]
        return [] if found == ["ok"] else found


def build(files: SafeFiles, path: Path) -> Journal:
    """A new journal under a temporary name, all of it in one file; the caller fills, closes, publishes it."""
    with files.guarded(f"making {path}"):
        connection = _connect(path)
        with _closed_on_failure(connection):
            connection.execute("PRAGMA journal_mode=DELETE")
            connection.execute(f"PRAGMA synchronous={files.primitives.synchronous}")
    journal = Journal(files, connection)
    _create(journal)
    return journal


def _create(journal: Journal) -> None:
    with journal.transaction("create") as connection:
        for statement in _statements(_SCHEMA):
            connection.execute(statement)
        connection.execute(f"PRAGMA user_version={SCHEMA_VERSION}")


def set_meta(connection: sqlite3.Connection, values: Mapping[str, Any]) -> None:
    """Keep values, inside a transaction."""
    connection.executemany(
        "INSERT OR REPLACE INTO meta VALUES (?, ?)",
        [(key, json.dumps(value)) for key, value in values.items()],
    )


def add_event(
    connection: sqlite3.Connection, utc: datetime, kind: str, message: str, data: Mapping[str, Any]
) -> None:
    """Put an event down, inside a transaction."""
    connection.execute(
        "INSERT INTO events (utc, kind, message, data) VALUES (?, ?, ?, ?)",
        (utc.isoformat(), kind, message, json.dumps(data, default=str, sort_keys=True)),
    )


def repair(files: SafeFiles) -> bool:
    """Bring the journal into one whole, freshly written file if the last end was unclean.

    Returns:
        Whether there was something to repair.
    Raises:
        StorageFault: The journal is damaged; the message says what to do.
    """
    folder = files.folder
    path, repaired = folder / JOURNAL_NAME, folder / REPAIRED_NAME
    log, index = folder / f"{JOURNAL_NAME}-wal", folder / f"{JOURNAL_NAME}-shm"
    if not inside.is_there(folder, repaired):
        if not inside.is_there(folder, log) or not inside.is_there(folder, path):
            return False
        _copy_readable(files, path, repaired)
    # ``repaired`` is complete and on the disk; from here on every step can be repeated.
    for leftover in (log, index):
        files.remove(leftover)
    files.sync_folder(folder)
    files.publish(repaired, path)
    return True


def _copy_readable(files: SafeFiles, path: Path, target: Path) -> None:
    temporary = target.with_name(target.name + TEMPORARY)
    files.remove(temporary)
    with files.guarded(f"repairing {path}"):
        connection = _connect(path)
        try:
            problems = [row[0] for row in connection.execute("PRAGMA integrity_check")]
            if problems != ["ok"]:
                damage = sqlite3.DatabaseError("; ".join(problems[:3]))
                raise files.fail(f"repairing {path}", damage) from damage
            connection.execute("VACUUM INTO ?", (str(temporary),))
            descriptor = inside.open_file(files.folder, temporary, os.O_RDWR)
            with os.fdopen(descriptor, "rb+", buffering=0) as copy:
                files.sync(copy, temporary)
            # Published before the old journal is closed: closing writes to it what may be in memory only.
            files.publish(temporary, target)
        finally:
            connection.close()


def _begin(connection: sqlite3.Connection) -> None:
    """Begin to write; a program that holds a lock is waited for, so that it does not cost an attempt."""
    for tries_left in reversed(range(_BUSY_TRIES)):
        try:
            connection.execute("BEGIN IMMEDIATE")
        except sqlite3.OperationalError as error:
            if not tries_left or error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY:
                raise
        else:
            return


def _keep_locks_private(path: Path) -> None:
    """Make the file that SQLite's locks lie in before SQLite does, for this user alone.

    Whoever may read it may lock it, and so could keep the campaign from writing. Other users read a copy.
    """
    index = path.with_name(f"{path.name}-shm")
    if sys.platform != "win32" and not os.path.lexists(index):
        descriptor = inside.create(path.parent, index)
        try:
            os.fchmod(descriptor, 0o600)
            os.write(descriptor, b"\0")  # SQLite gives an empty one the rights of the journal
        finally:
            os.close(descriptor)


def _in_place(path: Path, mode: str) -> sqlite3.Connection:
    """A connection that reads the file itself; a copy where SQLite would have to write beside it and can't.

    To read a log without its index SQLite makes the index: not in a folder that is write-protected or full.
    """
    connection = _connect(path, mode)
    try:
        connection.execute("PRAGMA user_version").fetchone()
    except sqlite3.DatabaseError as error:
        connection.close()
        if not isinstance(error, sqlite3.OperationalError):
            raise
        if mode != "ro" or error.sqlite_errorcode & 0xFF not in _CANT_BE_INDEXED:
            raise
        return _copied(path)
    return connection


def _copied(path: Path) -> sqlite3.Connection:
    with copy_of(path.parent, path) as copy:
        return _in_memory(copy)


@contextmanager
def _closed_on_failure(connection: sqlite3.Connection) -> Iterator[None]:
    try:
        yield
    except BaseException:
        connection.close()
        raise


def _in_memory(path: Path) -> sqlite3.Connection:
    """The journal's content in memory, so that the file may go."""
    held = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
    with contextlib.closing(_connect(path)) as file:
        file.backup(held)
    return held


def _is_anothers(folder: Path, path: Path) -> bool:
    """Whether others may exchange what lies there, or may not be kept from writing by a reader's locks."""
    if sys.platform == "win32":
        return False
    index = path.with_name(f"{path.name}-shm")
    owner = inside.stat_of(folder, path).st_uid
    return (
        folder.stat().st_uid != os.geteuid()
        or owner != os.geteuid()
        or (inside.is_there(folder, index) and inside.stat_of(folder, index).st_uid != os.geteuid())
    )


@contextmanager
def copy_of(folder: Path, path: Path) -> Iterator[Path]:
    """A copy of a journal, with its log, as both were at one moment; in a folder of this user's own.

    Raises:
        StoreError: It changed during every try.
    """
    log = path.with_name(f"{path.name}-wal")

    def states() -> list[tuple[int, int]]:
        found = [inside.stat_of(folder, p) for p in (path, log) if inside.is_there(folder, p)]
        return [(one.st_size, one.st_mtime_ns) for one in found]

    with tempfile.TemporaryDirectory(prefix="levelrig-") as own:
        for _ in range(_COPY_TRIES):
            before = states()
            for source in (path, log):
                copy = Path(own) / source.name
                copy.unlink(missing_ok=True)
                with (
                    contextlib.suppress(FileNotFoundError),
                    inside.opened(folder, source) as file,
                    copy.open("wb") as target,
                ):
                    shutil.copyfileobj(file, target, 1 << 20)
            if before == states():
                yield Path(own) / path.name
                return
            time.sleep(0.1)
    raise StoreError(f"{path}: changes all the time; try again in a moment")


def _connect(path: Path, mode: str = "rwc") -> sqlite3.Connection:
    for name in (path.name, f"{path.name}-wal", f"{path.name}-shm", f"{path.name}-journal"):
        inside.refuse_link(path.parent, path.with_name(name))
    if mode == "rwc" and not inside.is_there(path.parent, path):
        os.close(inside.create(path.parent, path))
    uri = f"{path.absolute().as_uri()}?mode={mode}"
    for _ in range(_COPY_TRIES):
        held = _held_files()
        connection = sqlite3.connect(uri, uri=True, timeout=10, isolation_level=None, check_same_thread=False)
        opened = _held_files() - held
        # SQLite follows links in folders, and makes sure of nothing between its look at a name and its use.
        # None opened: it goes on with a file of the very same number that it holds already.
        if not opened or _number_of(inside.stat_of(path.parent, path)) in opened:
            return connection
        connection.close()
    raise UnsafePath(f"{path}: SQLite was led to another file; somebody exchanges this folder for a link")


def _held_files() -> set[tuple[int, int]]:
    """Device and number of each regular file that this process holds open; empty where it can't be told."""
    found = set()
    with contextlib.suppress(OSError):
        for entry in Path("/proc/self/fd").iterdir():
            with contextlib.suppress(OSError):
                held = os.fstat(int(entry.name))
                if stat.S_ISREG(held.st_mode):
                    found.add(_number_of(held))
    return found


def _number_of(found: os.stat_result) -> tuple[int, int]:
    return found.st_dev, found.st_ino


def _other_format(path: Path, version: int) -> StoreError:
    return StoreError(
        f"{path}: format {version}, this levelrig knows {SCHEMA_VERSION}; "
        "use the levelrig that wrote it, or a new folder"
    )


def _statements(script: str) -> Iterator[str]:
    pending = ""
    for line in script.splitlines():
        pending += line + "\n"
        if sqlite3.complete_statement(pending):
            yield pending
            pending = ""


#: Journals that this process has opened to write them.
_WRITTEN: set[tuple[int, int]] = set()
_ABANDONED: list[sqlite3.Connection] = []
