"""Reading a whole Parquet file of a campaign, or one that a person gives, without leaving anything behind.

``pyarrow.parquet.read_table`` fetches ahead on threads that may still hold a buffer of Python's when it
returns; where the program then ends, such a thread ends it with a signal (SIGABRT from
``arrow::py::PyBuffer``, seen with pyarrow 26). Here all of it is read before the call returns.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import BinaryIO

import pyarrow as pa
import pyarrow.parquet as pq


def read_parquet(file: BinaryIO | pa.NativeFile, columns: Sequence[str] | None = None) -> pa.Table:
    """Read it whole.

    Args:
        file: Open for reading; the caller closes it.
        columns: Names of the columns wanted, in their order; None for all.
    Raises:
        ArrowInvalid: It is no Parquet file, is damaged, or has no such column.
    """
    with pq.ParquetFile(file, pre_buffer=False) as opened:
        names = opened.schema_arrow.names
        if absent := [name for name in columns or () if name not in names]:
            raise pa.ArrowInvalid(f"no column {', '.join(absent)}")
        wanted = None if columns is None else list(columns)
        table = opened.read(columns=wanted, use_threads=False)
    return table if wanted is None else table.select(wanted)
