"""A look at a file's first rows: columns as numbers and as text, for a proposed mapping."""

from __future__ import annotations

import io
import json
import math
import re
from collections import Counter
from dataclasses import dataclass, field, replace
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from harness.errors import FrameLogError
from harness.frames.files import open_text, sniff_format
from harness.frames.json_document import RowArray, document_lines, is_object_a_line, row_arrays
from harness.frames.jsonlog import array_lines, flat_keys, is_json_array, value_at
from harness.frames.layout import number_in, take_apart
from harness.frames.nested import picked
from harness.frames.stamps import stamp_words

SAMPLE_BYTES = 8 << 20
SAMPLE_ROWS = 50_000
_DAY_NS = 86_400 * 10**9
_GROUPED = re.compile(r"[+-]?[0-9]{1,3}([^0-9][0-9]{3})+([.,][0-9]*)?\Z")
_WHOLE = re.compile(r"[+-]?[0-9]{1,18}\Z")


@dataclass(frozen=True)
class SampledColumn:
    """One column of the first rows.

    Attributes:
        name: Heading; empty where there is none.
        place: From 1.
        reference: How a mapping names the column: its heading where that is clear, else its place.
        numbers: float64, NaN where the field is no finite number.
        relative: The same less the first of them, exact for large whole numbers.
        whole: Whether all numbers are whole.
        words: The fields as text.
        stamp: ``date-time`` or ``clock`` where they are stamps, whose numbers are nanoseconds.
    """

    name: str
    place: int
    reference: str
    numbers: NDArray[np.float64]
    relative: NDArray[np.float64]
    whole: bool
    words: list[str]
    stamp: str = ""

    @property
    def numeric_share(self) -> float:
        """Share of rows that hold a finite number."""
        return float(np.mean(np.isfinite(self.numbers))) if len(self.numbers) else 0.0


@dataclass(frozen=True)
class LogSample:
    """The first rows of a file.

    Attributes:
        columns: In file order.
        rows: Rows looked at.
        options: Mapping keys that follow from the layout (format, delimiter, decimal, skip_rows, …).
        layout: What was found out about the layout, a sentence each.
        other_lines: Lines that are no rows of the table.
    """

    columns: list[SampledColumn]
    rows: int
    options: dict[str, Any] = field(default_factory=dict)
    layout: tuple[str, ...] = ()
    other_lines: int = 0


def take_sample(path: Path) -> LogSample:
    """Read the first rows. Raises FrameLogError where no table can be made out."""
    kind = sniff_format(path)
    if kind == "parquet":
        return _parquet_sample(path)
    encoding, lines = _first_lines(path)
    if kind == "jsonl" and lines and is_json_array("\n".join(lines[:3]).encode()):
        stream = io.BytesIO("\n".join(lines).encode())
        lines = [line.decode() for line in array_lines(path, stream, SAMPLE_BYTES)]
    elif kind == "jsonl" and lines and not is_object_a_line(path, "utf-8"):
        arrays = row_arrays(path, "utf-8")
        if arrays:
            return _document_sample(path, arrays)
    if not lines:
        raise FrameLogError(f"{path}: the file is empty; run the title once and look at the log it writes")
    if kind == "jsonl":
        return _json_sample(path, lines, encoding)
    return _text_sample(path, lines, encoding)


def _parquet_sample(path: Path) -> LogSample:
    try:
        with pq.ParquetFile(path, buffer_size=1 << 20, pre_buffer=False) as file:
            batch = next(file.iter_batches(SAMPLE_ROWS), None)
            batch = None if batch is None else picked(batch)
    except (OSError, pa.ArrowException) as error:
        raise FrameLogError(f"{path}: not readable as Parquet ({error}); write the file again") from error
    if batch is None:
        raise FrameLogError(f"{path}: no rows; run the title once and look at the log it writes")
    fields = [["" if v is None else str(v) for v in _plain(column).to_pylist()] for column in batch.columns]
    names = batch.schema.names
    columns = _columns(names, fields, ".")
    return LogSample(columns, batch.num_rows, {}, (f"Parquet, {len(names)} columns",))


def _plain(column: pa.Array) -> pa.Array:
    """Durations as nanoseconds, moments as text."""
    if pa.types.is_duration(column.type):
        return column.cast(pa.duration("ns")).cast(pa.int64())
    if pa.types.is_timestamp(column.type):
        column = column.cast(pa.timestamp(column.type.unit))
    return column.cast(pa.string()) if pa.types.is_temporal(column.type) else column


def _json_sample(path: Path, lines: list[str], encoding: str) -> LogSample:
    rows = []
    for line in lines[:SAMPLE_ROWS]:
        try:
            found = json.loads(line)
        except (ValueError, RecursionError):
            continue
        if isinstance(found, dict):
            rows.append({name: value_at(found, name) for name in flat_keys(found)})
    if not rows:
        raise FrameLogError(f"{path}: no line holds a JSON object; is this a frame log?")
    names = list(dict.fromkeys(name for row in rows for name in row))
    fields = []
    for name in names:
        values = [row.get(name) for row in rows]
        fields.append(["" if v is None else v if isinstance(v, str) else json.dumps(v) for v in values])
    columns = _columns(names, fields, ".")
    return LogSample(columns, len(rows), _encoding_option(encoding), (f"JSON lines, {len(names)} keys",))


def _document_sample(path: Path, arrays: list[RowArray]) -> LogSample:
    """Rows of the longest array of a JSON document."""
    longest = max(arrays, key=lambda array: array.rows)
    found = islice(document_lines(path, "utf-8", longest), SAMPLE_ROWS)
    sample = _json_sample(path, [line.decode("utf-8", "replace") for line in found], "utf-8")
    where = f"rows in the array {longest.key!r} of a JSON document"
    if len(arrays) == 1:
        return replace(sample, layout=(where, *sample.layout[1:]))
    others = ", ".join(repr(array.key) for array in arrays if array is not longest)
    said = f"{where}, the longest one (the others: {others})"
    return replace(sample, options={**sample.options, "rows_key": longest.key}, layout=(said,))


def _first_lines(path: Path) -> tuple[str, list[str]]:
    with open_text(path, "utf-8") as stream:
        try:
            data = stream.read(SAMPLE_BYTES)
        except (OSError, EOFError, pa.ArrowException) as error:
            raise FrameLogError(
                f"{path}: can't be read ({error}); the file is damaged, copy it again"
            ) from error
    whole = data if len(data) < SAMPLE_BYTES else data[: data.rfind(b"\n") + 1]
    for encoding in ("utf-8", "cp1252", "latin-1"):
        try:
            text = whole.decode(encoding)
        except UnicodeDecodeError:
            continue
        lines = re.split(r"\r\n|\r|\n", text)
        return encoding, lines[:-1] if lines and not lines[-1] else lines
    raise AssertionError("latin-1 decodes any byte")


def _encoding_option(encoding: str) -> dict[str, Any]:
    return {} if encoding == "utf-8" else {"encoding": encoding}


def _text_sample(path: Path, lines: list[str], encoding: str) -> LogSample:
    table = take_apart(lines)
    if table is None:
        raise FrameLogError(
            f"{path}: no rows of numbers found under any usual delimiter; is this a frame log?"
        )
    rows = table.rows[:SAMPLE_ROWS]
    fields = [[row[i] for row in rows] for i in range(len(table.names))]
    columns = _columns(table.names, fields, table.decimal, table.options.get("thousands"))
    options = _encoding_option(encoding) | table.options
    return LogSample(columns, len(rows), options, tuple(table.said), table.other_lines)


def _columns(
    names: list[str], fields: list[list[str]], decimal: str, thousands: str | None = None
) -> list[SampledColumn]:
    named = Counter(name.strip() for name in names)
    columns = []
    for i, (name, found) in enumerate(zip(names, fields, strict=True)):
        name = name.strip()
        clear = name and named[name] == 1 and not re.fullmatch(r"#[0-9]+", name)
        words = [word.strip() for word in found]
        plain = [w.replace(thousands, "") if thousands and _GROUPED.match(w) else w for w in words]
        numbers, relative, whole = _numbers(plain, decimal)
        stamps = None if np.isfinite(numbers).any() else stamp_words(words)
        reference = name if clear else f"#{i + 1}"
        if stamps is not None:
            column = SampledColumn(name, i + 1, reference, numbers, relative, True, words)
            columns.append(_stamped(column, *stamps))
            continue
        columns.append(SampledColumn(name, i + 1, reference, numbers, relative, whole, words))
    return columns


def _stamped(
    column: SampledColumn, kind: str, values: NDArray[np.int64], readable: NDArray[np.bool_]
) -> SampledColumn:
    """A column of stamps as nanoseconds; a clock goes on after midnight."""
    places = np.flatnonzero(readable)
    times = values[places] - values[places[0]]
    if kind == "clock":
        times = times + np.cumsum(np.diff(times, prepend=times[0]) < -_DAY_NS // 2) * _DAY_NS
    relative = np.full(len(values), math.nan)
    relative[places] = times
    return replace(column, numbers=relative + float(values[places[0]]), relative=relative, stamp=kind)


def _numbers(words: list[str], decimal: str) -> tuple[NDArray[np.float64], NDArray[np.float64], bool]:
    """As numbers, as numbers from the first one on, and whether all are whole."""
    numbers = np.array([number_in(word, decimal) for word in words], float)
    numbers[~np.isfinite(numbers)] = math.nan
    finite = np.flatnonzero(np.isfinite(numbers))
    if not len(finite):
        return numbers, numbers, False
    first = int(finite[0])
    if all(_WHOLE.match(words[i]) for i in finite):
        origin = int(words[first])
        relative = np.array([int(w) - origin if _WHOLE.match(w) else math.nan for w in words], float)
        return numbers, relative, True
    return numbers, numbers - numbers[first], False
