"""Files of a report, written whole or not at all: temporary file in the same folder, then renamed."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file; its readers see the old content or the new, never a part."""
    handle, part = tempfile.mkstemp(dir=path.parent, prefix=path.name, suffix=".part")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        Path(part).chmod(0o644)
        Path(part).replace(path)
    except BaseException:
        Path(part).unlink(missing_ok=True)
        raise


def write_text(path: Path, text: str) -> None:
    """The same for UTF-8 text; line ends are written as they stand."""
    write_bytes(path, text.encode("utf-8"))


def write_parquet(path: Path, table: pa.Table) -> None:
    """The same for a table."""
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink)
    write_bytes(path, sink.getvalue().to_pybytes())
