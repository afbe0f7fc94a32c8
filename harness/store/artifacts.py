"""Artifacts of an attempt: Parquet tables and the title's own files, complete or not there at all.

A Parquet file without its footer is unreadable, so a table that grows during an attempt goes to an Arrow
stream first, batch by batch: what a crash leaves of it can be read up to the last whole batch and is kept as
evidence. :meth:`TableWriter.commit` turns it into Parquet.
"""

from __future__ import annotations

import gzip
import hashlib
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from harness import inside, userfiles
from harness.errors import StoreError
from harness.store.files import TEMPORARY, SafeFile, SafeFiles, pyarrow_sink

if TYPE_CHECKING:
    import pyarrow as pa

STREAM_SUFFIX: Final = ".arrows" + TEMPORARY
#: An ended attempt's row (columns of ``harness.tables.ATTEMPTS``) as JSON, in its folder.
ROW_NAME: Final = "attempt.json"
_ROW_GROUP_ROWS: Final = 262_144
_COPY_BYTES: Final = 1 << 20


@dataclass(frozen=True)
class Artifact:
    """A finished file of an attempt.

    Attributes:
        path: Relative to the campaign folder, with forward slashes.
        sha256: Of the whole file, hexadecimal.
        size_bytes: Of the whole file.
        row_count: Rows of a table; None for other files.
        partial: True for what was saved of an interrupted attempt.
    """

    path: str
    sha256: str
    size_bytes: int
    row_count: int | None = None
    partial: bool = False


class TableWriter:
    """A table of an attempt that grows by batches. Usable from the sampler's thread.

    Nothing of it counts before :meth:`commit`; batches already written survive the process.
    """

    def __init__(
        self, files: SafeFiles, path: Path, schema: pa.Schema, done: Callable[[Artifact], None]
    ) -> None:
        import pyarrow as pa

        self._files = files
        self._path = path
        self._schema = schema
        self._done = done
        self._lock = threading.Lock()
        self._stream_path = path.with_name(path.stem + STREAM_SUFFIX)
        self._file: SafeFile | None = files.create(self._stream_path)
        options = pa.ipc.IpcWriteOptions(emit_dictionary_deltas=True)
        self._writer = pa.ipc.new_stream(pyarrow_sink(self._file), schema, options=options)

    def write(self, table: pa.Table) -> None:
        """Append rows: a table or record batch with the writer's schema."""
        with self._lock:
            if self._file is None:
                raise ValueError(f"{self._path.name}: already closed")
            self._writer.write(table)
            self._file.flush()

    def commit(self) -> Artifact:
        """Finish the table: Parquet, durable, hashed. It counts once the attempt is committed."""
        self._close()
        artifact = parquet_from_stream(self._files, self._stream_path, self._path)
        self._files.remove(self._stream_path)
        self._done(artifact)
        return artifact

    def discard(self) -> None:
        """Throw away what was written. Safe to call twice, or after ``commit``."""
        self._close()
        self._files.remove(self._stream_path)

    def close(self) -> None:
        """Leave the stream on the disk as evidence."""
        self._close()

    def _close(self) -> None:
        with self._lock:
            if self._file is not None:
                try:
                    if not self._files.faulty:
                        self._writer.close()
                        self._file.flush()
                finally:
                    self._file.close()
                    self._file = None


def write_table(files: SafeFiles, path: Path, table: pa.Table) -> Artifact:
    """Write a whole table as Parquet, durably."""
    import pyarrow.parquet as pq

    def fill(file: SafeFile) -> None:
        with pyarrow_sink(file) as sink:
            pq.write_table(table, sink, compression="zstd", row_group_size=_ROW_GROUP_ROWS)

    files.write_through(path, fill)
    return describe(files.folder, path, row_count=table.num_rows)


def write_row(files: SafeFiles, attempt_folder: Path, encoded: str) -> Artifact:
    """Keep an attempt's row of the journal beside its files, so that a lost journal can be built again."""
    path = attempt_folder / ROW_NAME
    files.write_whole(path, encoded.encode())
    return describe(files.folder, path)


def parquet_from_stream(files: SafeFiles, stream: Path, path: Path, *, partial: bool = False) -> Artifact:
    """Turn an Arrow stream into Parquet; a stream cut off by a crash gives its whole batches."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    count = 0

    def fill(file: SafeFile) -> None:
        nonlocal count
        with inside.opened(files.folder, stream) as source, pyarrow_sink(file) as sink:
            reader = pa.ipc.open_stream(source)
            with pq.ParquetWriter(sink, reader.schema, compression="zstd") as writer:
                pending: list[pa.RecordBatch] = []
                for batch in _whole_batches(reader, strict=not partial):
                    pending.append(batch)
                    count += batch.num_rows
                    if sum(b.num_rows for b in pending) >= _ROW_GROUP_ROWS:
                        writer.write_table(_join(pending, reader.schema))
                        pending = []
                writer.write_table(_join(pending, reader.schema))

    files.write_through(path, fill)
    return describe(files.folder, path, row_count=count, partial=partial)


def salvage(files: SafeFiles, attempt_folder: Path) -> list[Artifact]:
    """All that an interrupted attempt left: what its streams give, and its finished files."""
    saved = salvage_streams(files, attempt_folder)
    known = {artifact.path for artifact in saved}
    finished = [
        describe(files.folder, p, partial=True)
        for p in inside.files_below(files.folder, attempt_folder)
        if p.parent == attempt_folder
    ]
    return saved + [artifact for artifact in finished if artifact.path not in known]


def salvage_streams(files: SafeFiles, attempt_folder: Path) -> list[Artifact]:
    """Turn streams that nobody finished into ``<name>.cut.parquet``; remove whatever else is half-written."""
    import pyarrow as pa

    saved: list[Artifact] = []
    for stream in _ending(files, attempt_folder, STREAM_SUFFIX):
        name = stream.name.removesuffix(STREAM_SUFFIX)
        with suppress(pa.ArrowInvalid, OSError):  # cut off before its first whole batch: nothing to save
            cut = attempt_folder / f"{name}.cut.parquet"
            saved.append(parquet_from_stream(files, stream, cut, partial=True))
        files.remove(stream)
    sweep(files, attempt_folder)
    return saved


def sweep(files: SafeFiles, attempt_folder: Path) -> None:
    """Remove what is half-written."""
    for leftover in _ending(files, attempt_folder, TEMPORARY):
        files.remove(leftover)


def _ending(files: SafeFiles, attempt_folder: Path, suffix: str) -> list[Path]:
    with suppress(OSError):
        return [p for p in inside.children(files.folder, attempt_folder) if p.name.endswith(suffix)]
    return []


def keep_compressed(files: SafeFiles, source: Path, path: Path) -> Artifact:
    """Keep a copy of a file, gzip-compressed, durably. The same content gives the same bytes."""

    def fill(file: SafeFile) -> None:
        with (
            userfiles.open_regular(source, "title's file") as original,
            gzip.GzipFile(filename="", fileobj=file, mode="wb", compresslevel=4, mtime=0) as packed,
        ):
            while piece := original.read(_COPY_BYTES):
                packed.write(piece)

    files.write_through(path, fill)
    return describe(files.folder, path)


def describe(folder: Path, path: Path, *, row_count: int | None = None, partial: bool = False) -> Artifact:
    """The artifact's entry for the journal: the hash is taken from the file as it can be read back."""
    digest, size_bytes = _sha256_and_size(folder, path)
    return Artifact(path.relative_to(folder).as_posix(), digest, size_bytes, row_count, partial)


def read_kept(path: Path, artifact: Artifact | None) -> pa.Table:
    """A committed table, if it still is what was committed. Raises StoreError."""
    import pyarrow as pa

    from harness.parquet import read_parquet

    if artifact is None:
        raise StoreError(f"{path}: no such table was kept; nothing to read")
    try:
        if sha256_of(path) != artifact.sha256:
            raise StoreError(f"{path}: its SHA-256 differs from the journal's; put a copy of the file back")
        with inside.opened(path.parent, path) as file:
            return read_parquet(file)
    except (OSError, pa.ArrowException) as error:
        raise StoreError(f"{path}: can't be read ({error}); put a copy of the file back") from error


def check_kept(folder: Path, path: str, artifact: Artifact | None) -> None:
    """Raises StoreError where a committed file is gone or not what was committed."""
    try:
        whole = artifact is not None and sha256_of(folder / path, folder) == artifact.sha256
    except OSError:
        whole = False
    if not whole:
        raise StoreError(f"{folder / path}: gone, or not what was kept; put a copy of the file back")


def sha256_of(path: Path, within: Path | None = None) -> str:
    """SHA-256 of a file, hexadecimal; no link is followed below ``within`` (default: its folder)."""
    return _sha256_and_size(within or path.parent, path)[0]


def _sha256_and_size(root: Path, path: Path) -> tuple[str, int]:
    with inside.opened(root, path) as file:
        return hashlib.file_digest(file, "sha256").hexdigest(), file.tell()


def _whole_batches(reader: pa.RecordBatchStreamReader, *, strict: bool) -> Iterator[pa.RecordBatch]:
    import pyarrow as pa

    while True:
        try:
            batch = reader.read_next_batch()
        except StopIteration:
            return
        except (pa.ArrowInvalid, OSError):
            if strict:
                raise
            return
        yield batch


def _join(batches: list[pa.RecordBatch], schema: pa.Schema) -> pa.Table:
    import pyarrow as pa

    return pa.Table.from_batches(batches, schema).unify_dictionaries()
