"""Files of a report, written whole or not at all: temporary file in the same folder, then renamed."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from harness import inside
from harness.errors import StoreError, UnsafePath


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file; its readers see the old content or the new, never a part."""
    inside.write_whole(path.parent, path, content)


def write_text(path: Path, text: str) -> None:
    """The same for UTF-8 text; line ends are written as they stand."""
    write_bytes(path, text.encode("utf-8"))


def write_parquet(path: Path, table: pa.Table) -> None:
    """The same for a table."""
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink)
    write_bytes(path, sink.getvalue().to_pybytes())


def make_target(campaign: Path, target: Path) -> None:
    """Make the folder to write to; in a campaign folder no link leads there. Raises StoreError."""
    try:
        inside.make_folders(campaign if target.is_relative_to(campaign) else target, target)
    except UnsafePath:
        raise
    except OSError as error:
        raise StoreError(f"{target}: can't be made ({error.strerror}); choose another folder") from error
