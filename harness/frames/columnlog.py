"""Frame logs that bring their own types: Parquet and JSON (an object a line, or one array of objects)."""

from __future__ import annotations

import contextlib
import io
import json
import math
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, BinaryIO, cast

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from harness.errors import FrameLogError
from harness.frames.bounds import MEMORY_BUDGET_BYTES, UNPACKED_TIMES
from harness.frames.files import LONGEST_LINE_BYTES, open_text
from harness.frames.json_document import document_lines, rows_begin
from harness.frames.jsonlog import array_lines, flat_keys, is_json_array, value_at
from harness.frames.mapping import ColumnMapping
from harness.frames.nested import durations_as_numbers, leaves, picked
from harness.frames.rows import (
    CUT_OFF,
    EMPTY,
    NOT_A_NUMBER,
    UNREADABLE,
    RawRows,
    locate_columns,
    number_references,
)

BATCH_ROWS = 1 << 20
_READ_BYTES = 4 << 20  # read column chunks in such pieces: a row group may be the whole file
_JSON_BLOCK_LINES = 50_000
_JSON_BLOCK_BYTES = 16 << 20


def parquet_rows(path: Path, mapping: ColumnMapping) -> Iterator[RawRows]:
    """Rows of a Parquet file, a batch at a time. Raises FrameLogError."""
    try:
        with pq.ParquetFile(path, buffer_size=_READ_BYTES, pre_buffer=False) as file:
            schema = leaves(file.schema_arrow)
            places = locate_columns(path, schema.names, mapping)
            _require_numbers(path, schema, {ref: places[ref] for ref in number_references(mapping)})
            wanted = {schema.names[place] for place in places.values()}
            _refuse_bomb(path, file.metadata, wanted)
        words = [name for name in wanted if _is_text(schema.field(schema.names.index(name)).type)]
        with pq.ParquetFile(
            path, buffer_size=_READ_BYTES, pre_buffer=False, read_dictionary=sorted(words)
        ) as file:  # text as a dictionary: a few long words that stand in each row take no room
            yield from _one_ahead(_parquet_batches(path, file, mapping, places, wanted))
    except (OSError, ValueError, OverflowError, KeyError, pa.ArrowException) as error:
        raise FrameLogError(
            f"{path}: not readable as Parquet ({error}); "
            "the file is damaged or was not closed, write it again"
        ) from error


def _one_ahead(parts: Iterator[RawRows]) -> Iterator[RawRows]:
    """The same, the next one made ready on a thread while the last one is looked at."""
    with ThreadPoolExecutor(1, thread_name_prefix="levelrig-frames") as pool:
        coming = pool.submit(next, parts, None)
        while (rows := coming.result()) is not None:
            coming = pool.submit(next, parts, None)
            yield rows


def _parquet_batches(
    path: Path, file: pq.ParquetFile, mapping: ColumnMapping, places: dict[str, int], wanted: set[str]
) -> Iterator[RawRows]:
    names = leaves(file.schema_arrow).names
    asked = [name for name in dict.fromkeys(names) if name in wanted]
    read = [place for name in asked for place, other in enumerate(names) if other == name]
    numbers = number_references(mapping)
    words = {mapping.filter_column, mapping.dropped_column, mapping.generated_column}
    for batch in map(picked, file.iter_batches(BATCH_ROWS, columns=asked)):
        if batch.schema.names != [names[place] for place in read]:
            raise FrameLogError(
                f"{path}: the names of its columns are not clear ({', '.join(asked)}); write it "
                "again with one name a column and without nesting"
            )
        found = {reference: batch.column(read.index(place)) for reference, place in places.items()}
        yield _from_arrays(path, durations_as_numbers(found, mapping), numbers, words, batch.num_rows)


def _require_numbers(path: Path, schema: pa.Schema, places: dict[str, int]) -> None:
    for reference, place in places.items():
        kind = schema.field(place).type
        if pa.types.is_duration(kind):
            continue
        if not (pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)):
            raise FrameLogError(
                f"{path}: column {reference!r} holds {kind}, not numbers; {_remedy(kind)}",
                permanent=True,
            )


def _remedy(kind: pa.DataType) -> str:
    if pa.types.is_timestamp(kind):
        return "map it as a time column and set time_unit = 'date-time'"
    if pa.types.is_time(kind):
        return "map it as a time column and set time_unit = 'clock'"
    return "map a numeric column"


def _is_text(kind: pa.DataType) -> bool:
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_binary(kind))


def _refuse_bomb(path: Path, metadata: pq.FileMetaData, wanted: set[str]) -> None:
    for group in range(metadata.num_row_groups):
        for place in range(metadata.num_columns):
            column = metadata.row_group(group).column(place)
            unpacked, packed = column.total_uncompressed_size, max(1, column.total_compressed_size)
            if not _is_wanted(column.path_in_schema, wanted) or unpacked <= MEMORY_BUDGET_BYTES:
                continue
            if unpacked > UNPACKED_TIMES * packed:
                raise FrameLogError(
                    f"{path}: column {column.path_in_schema!r} unpacks to {unpacked >> 20} MiB, over "
                    f"{UNPACKED_TIMES} times its size; no frame log does"
                )


def _is_wanted(path_in_schema: str, wanted: set[str]) -> bool:
    return any(path_in_schema == name or path_in_schema.startswith(f"{name}.") for name in wanted)


def _as_words(path: Path, reference: str, column: pa.Array) -> pa.Array:
    """As text. Raises FrameLogError where that takes more than the memory budget."""
    if pa.types.is_dictionary(column.type):
        lengths = pc.fill_null(pc.binary_length(column.dictionary), 0).to_numpy(zero_copy_only=False)
        codes = pc.fill_null(column.indices, 0).to_numpy(zero_copy_only=False)
        total = int(lengths.astype(np.int64)[codes].sum()) if len(lengths) else 0
        if total > MEMORY_BUDGET_BYTES // 4:
            raise FrameLogError(
                f"{path}: the texts in column {reference!r} take over {MEMORY_BUDGET_BYTES >> 22} MiB in "
                f"{len(column)} rows; map a column of short words"
            )
    column = column.cast(pa.string())
    column.validate(full=True)  # text that is damaged shows here and not in a comparison
    return column


def _from_arrays(
    path: Path, found: dict[str, pa.Array], numbers: dict[str, bool], words: set[str | None], count: int
) -> RawRows:
    columns: dict[str, pa.Array] = {}
    faults: np.ndarray[Any, np.dtype[np.uint8]] | None = None
    unread: dict[str, np.ndarray[Any, np.dtype[np.float64]]] = {}
    sample = ""
    for reference, column in found.items():
        if reference in numbers:
            column = _plain_numbers(column)
            if pa.types.is_floating(column.type) and pc.any(nan := pc.is_nan(column)).as_py():
                column = pc.if_else(nan, pa.scalar(None, pa.float64()), column)
            if column.null_count:
                missing = column.is_null().to_numpy(zero_copy_only=False)
                faults = np.zeros(count, np.uint8) if faults is None else faults
                faults[missing] = EMPTY
                unread[reference] = np.where(missing, math.inf, math.nan)
                sample = f"no value in {reference!r}"
                column = column.fill_null(0)
        elif reference in words or pa.types.is_dictionary(column.type):
            column = _as_words(path, reference, column)
        columns[reference] = column
    return RawRows(count, columns, faults, sample, unread)


def _plain_numbers(column: pa.Array) -> pa.Array:
    """As int64 where they are whole and fit, else as float64; the cleaning tells if that is too coarse."""
    if pa.types.is_integer(column.type):
        with contextlib.suppress(pa.ArrowInvalid):  # an unsigned counter above 2**63
            return column.cast(pa.int64())
    return column.cast(pa.float64(), safe=False)


def jsonl_rows(path: Path, mapping: ColumnMapping) -> Iterator[RawRows]:
    """Rows of a JSON-lines file: one object a line, its keys are the columns. Raises FrameLogError."""
    numbers = number_references(mapping)
    keys: dict[str, str] = {}
    with open_text(path, mapping.encoding) as stream:
        number = size = 0
        lines: list[bytes] = []
        try:
            for line in _json_lines(path, stream, mapping):
                number += 1
                if len(line) > LONGEST_LINE_BYTES:
                    raise FrameLogError(
                        f"{path}: line {number} has over {LONGEST_LINE_BYTES >> 20} MiB; this is no log with "
                        "one JSON object a line"
                    )
                if number <= mapping.skip_rows or not line.strip():
                    continue
                if mapping.comment is not None and line.startswith(mapping.comment.encode()):
                    continue
                lines.append(line)
                size += len(line)
                if len(lines) == _JSON_BLOCK_LINES or size > _JSON_BLOCK_BYTES:
                    keys = keys or _keys(path, lines, mapping)
                    yield _parse_objects(lines, keys, numbers)
                    lines, size = [], 0
        except (OSError, EOFError, pa.ArrowException, UnicodeError) as error:
            raise FrameLogError(
                f"{path}: reading stopped ({error}); the file is damaged or cut off"
            ) from error
        if lines:
            keys = keys or _keys(path, lines, mapping)
            yield _parse_objects(lines, keys, numbers)


def _json_lines(path: Path, stream: BinaryIO, mapping: ColumnMapping) -> Iterator[bytes]:
    """The objects of a JSON log, a line each. Raises FrameLogError."""
    head = cast(io.BufferedReader, stream).peek(4096)
    if mapping.rows_key is None and is_json_array(head):
        yield from array_lines(path, stream, LONGEST_LINE_BYTES)
    elif (array := rows_begin(path, mapping.encoding, mapping.rows_key)) is not None:
        yield from document_lines(path, mapping.encoding, array)
    else:
        while line := stream.readline(LONGEST_LINE_BYTES + 1):
            yield line


def jsonl_block(path: Path, data: bytes, mapping: ColumnMapping) -> RawRows:
    """Rows of some whole lines of a JSON-lines file. Raises FrameLogError."""
    lines = [line for line in data.splitlines(keepends=True) if line.strip()]
    return _parse_objects(lines, _keys(path, lines, mapping), number_references(mapping))


def _keys(path: Path, lines: list[bytes], mapping: ColumnMapping) -> dict[str, str]:
    """Column reference -> key; each must be a key of at least one of the first objects."""
    keys: dict[str, None] = {}
    for line in lines[:1000]:
        try:
            found = json.loads(line)
        except (ValueError, RecursionError):
            continue
        if isinstance(found, dict):
            keys.update(dict.fromkeys(flat_keys(found)))
    names = list(keys)
    return {reference: names[place] for reference, place in locate_columns(path, names, mapping).items()}


def _parse_objects(lines: list[bytes], keys: dict[str, str], numbers: dict[str, bool]) -> RawRows:
    faults = np.zeros(len(lines), np.uint8)
    values: dict[str, list[Any]] = {reference: [None] * len(lines) for reference in keys}
    unread = {reference: np.full(len(lines), math.nan) for reference in numbers}
    sample = ""
    for row, line in enumerate(lines):
        fault = 0
        try:
            found = json.loads(line)
        except (ValueError, RecursionError):
            found = None
            fault = UNREADABLE if line.endswith(b"\n") or row < len(lines) - 1 else CUT_OFF
        if not fault and not isinstance(found, dict):
            fault = UNREADABLE
        if not fault:
            for reference, key in keys.items():
                value = value_at(found, key)
                if reference not in numbers:
                    values[reference][row] = None if value is None else _word(value)
                elif value is None or value != value:
                    fault = fault or EMPTY
                    unread[reference][row] = math.inf
                elif isinstance(value, bool) or not isinstance(value, int | float):
                    fault = fault or NOT_A_NUMBER
                    unread[reference][row] = math.inf
                else:
                    values[reference][row] = value
        faults[row] = fault
        if fault and not sample:
            sample = line[:80].decode("utf-8", "replace").strip()
    columns: dict[str, pa.Array] = {}
    for reference, found in values.items():
        if reference not in numbers:
            columns[reference] = pa.array(found, pa.string())
        elif all(v is None or (isinstance(v, int) and abs(v) < 2**63) for v in found):
            columns[reference] = pa.array([v or 0 for v in found], pa.int64())
        else:
            columns[reference] = pa.array(
                [math.nan if v is None else _as_float(v) for v in found], pa.float64()
            )
    return RawRows(
        len(lines), columns, faults if faults.any() else None, sample, unread if faults.any() else {}
    )


def _as_float(value: float) -> float:
    try:
        return float(value)
    except OverflowError:
        return math.inf


def _word(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return value if isinstance(value, str) else json.dumps(value)
