"""Delimited text: each block of whole lines is parsed on its own, in parallel.

A block is parsed by pyarrow at full speed; where a block holds a line that pyarrow refuses, that block
alone is read again line by line, so that one damaged row costs its own row and nothing else. Fields that
contain line breaks are not supported.
"""

from __future__ import annotations

import codecs
import csv
import io
import math
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
from numpy.typing import NDArray

from harness.errors import FrameLogError
from harness.frames.blocks import FileStretch, TextBlock, is_comment, narrowed
from harness.frames.bounds import as_frame_log_error
from harness.frames.edges import holds_no_number
from harness.frames.files import LONGEST_LINE_BYTES, open_text
from harness.frames.mapping import SPACES, ColumnMapping
from harness.frames.rows import (
    CUT_OFF,
    EMPTY,
    HEADER_AGAIN,
    LINE_OF_WORDS,
    NOT_A_NUMBER,
    OTHER_HEADER,
    UNREADABLE,
    WORDS_ONLY,
    WRONG_FIELDS,
    RawRows,
    locate_columns,
    number_references,
)
from harness.frames.summary_rows import LINES_AHEAD, TableShape, edge_lines, table_shape

_NUMBER = re.compile(r"[+-]?(([0-9]+(\.[0-9]*)?|\.[0-9]+)(e[+-]?[0-9]+)?|inf|infinity|nan)\Z", re.IGNORECASE)
_WORD = re.compile(r"[^\W\d]")  # a heading begins with a letter
_NULLS = ("", "NA", "N/A", "n/a", "NaN", "nan", "NULL", "null", "-")


@dataclass(frozen=True)
class TextLayout:
    """What is known of a text log once its header has been read."""

    names: tuple[str, ...]
    places: dict[str, int]
    whole_first: dict[str, bool]
    delimiter: str
    decimal: str
    thousands: str | None = None
    shape: TableShape | None = None


def open_layout(path: Path, mapping: ColumnMapping) -> TextLayout:
    """Read the header. Raises FrameLogError."""
    with as_frame_log_error(path), open_text(path, mapping.encoding) as stream:
        lines = _lines_ahead(path, stream, mapping, LINES_AHEAD + mapping.header)
    if not lines:
        raise FrameLogError(
            f"{path}: no header and no rows; the title wrote no frame log, or skip_rows is too high: check "
            "both"
        )
    try:
        if mapping.delimiter == SPACES:
            lines = [narrowed(line) for line in lines]
        first = _fields(lines[0], mapping.separator)
    except csv.Error as error:
        raise FrameLogError(
            f"{path}: the first line can't be split into fields ({error}); check delimiter, skip_rows and "
            "that this is a text log"
        ) from error
    if mapping.header:
        names = first
        if len(lines) > 1:
            second = _fields_or_none(lines[1], mapping.separator)
            if len(second) == len(names) + 1 and second[-1].strip() == "":
                names = [*names, ""]  # every row ends with a delimiter, the header does not
    else:
        names = [""] * len(first)
    places = locate_columns(path, names, mapping)
    if not mapping.header and mapping.delimiter == "," and mapping.decimal == ".":
        _refuse_cut_fractions(path, lines, places, mapping)
    return TextLayout(
        tuple(name.strip() for name in names),
        places,
        number_references(mapping),
        mapping.separator,
        mapping.decimal,
        mapping.thousands,
        _shape(lines[mapping.header :], places, mapping),
    )


def _shape(lines: list[bytes], places: dict[str, int], mapping: ColumnMapping) -> TableShape | None:
    def read(field: str) -> float | None:
        number, fault = _number(field, mapping.decimal, mapping.thousands)
        return number if not fault else math.nan if fault == EMPTY else None

    alone = mapping.interval_column if mapping.time_column is None else None
    return table_shape(lines, mapping.separator, read, None if alone is None else places[alone])


def parse_block(block: TextBlock | FileStretch, layout: TextLayout) -> RawRows:
    """One block's rows. Safe in threads; never raises for what the lines hold."""
    block = block.load()
    first, last = edge_lines(block.data)
    return replace(_parse(block, layout), first_lines=first, last_lines=last)


def _parse(block: TextBlock, layout: TextLayout) -> RawRows:
    whole_first = any(layout.whole_first.values())
    unsafe = block.cut_off or block.data.startswith(codecs.BOM_UTF8) or _holds_open_quote(block.data)
    if not (unsafe or (whole_first and _holds_hexadecimal(block.data))):
        for whole_numbers in (True, False) if whole_first else (False,):
            try:
                return _parse_fast(block.data, layout, whole_numbers)
            except pa.ArrowException:
                continue
    return _parse_line_by_line(block, layout)


def _parse_fast(data: bytes | bytearray, layout: TextLayout, whole_numbers: bool) -> RawRows:
    names = [str(i) for i in range(len(layout.names))]
    types = {
        str(place): pa.string()
        if reference not in layout.whole_first
        else pa.int64()
        if whole_numbers and layout.whole_first[reference]
        else pa.float64()
        for reference, place in layout.places.items()
    }
    table = pacsv.read_csv(
        pa.BufferReader(data),
        read_options=pacsv.ReadOptions(use_threads=False, column_names=names, block_size=len(data) + 1),
        parse_options=pacsv.ParseOptions(delimiter=layout.delimiter),
        convert_options=pacsv.ConvertOptions(
            include_columns=list(types),
            column_types=types,
            decimal_point=layout.decimal,
            null_values=list(_NULLS),
            quoted_strings_can_be_null=True,
        ),
    )
    columns = {reference: _one_chunk(table[str(place)]) for reference, place in layout.places.items()}
    faults = None
    sample = ""
    unread: dict[str, NDArray[np.float64]] = {}
    for reference in layout.whole_first:
        column = columns[reference]
        if column.null_count:
            if faults is None:
                faults = np.zeros(table.num_rows, np.uint8)
            missing = column.is_null().to_numpy(zero_copy_only=False)
            if pa.types.is_integer(column.type):
                columns[reference] = column.fill_null(0)
            faults[missing] = EMPTY
            unread[reference] = np.where(missing, math.inf, math.nan)
            sample = f"no value in {reference!r}"
    return RawRows(table.num_rows, columns, faults, sample, unread)


def _holds_hexadecimal(data: bytes | bytearray) -> bool:
    """Whether pyarrow could take a field for a hexadecimal whole number, which no log means by it."""
    return (b"x" in data and b"0x" in data) or (b"X" in data and b"0X" in data)


def _holds_open_quote(data: bytes | bytearray) -> bool:
    """Whether a quote is not closed on its line: pyarrow would swallow the lines up to the next quote."""
    if b'"' not in data:
        return False
    signs = np.frombuffer(data, np.uint8)
    quotes_before = np.searchsorted(np.flatnonzero(signs == ord('"')), np.flatnonzero(signs == ord("\n")))
    return bool((quotes_before % 2).any())


def _one_chunk(column: pa.ChunkedArray) -> pa.Array:
    return column.chunk(0) if column.num_chunks == 1 else column.combine_chunks()


def _parse_line_by_line(block: TextBlock, layout: TextLayout) -> RawRows:
    lines = [line for line in bytes(block.data).split(b"\n") if line.strip()]
    count = len(lines)
    faults = np.zeros(count, np.uint8)
    values: dict[str, list[float | str | None]] = {reference: [None] * count for reference in layout.places}
    sample = ""
    unread: dict[str, NDArray[np.float64]] = {}
    last_needed = max(layout.places.values()) == len(layout.names) - 1
    for row, line in enumerate(lines):
        fault = 0
        fields: list[str] = []
        try:
            fields = _fields(line, layout.delimiter)
        except csv.Error:
            fault = UNREADABLE
        if not fault and len(fields) != len(layout.names):
            fault = WRONG_FIELDS
        if block.cut_off and row == count - 1 and (fault or last_needed):
            fault = LINE_OF_WORDS if fault and holds_no_number([line.decode("utf-8", "replace")]) else CUT_OFF
        if not fault:
            for reference, place in layout.places.items():
                field = fields[place].strip()
                if reference not in layout.whole_first:
                    values[reference][row] = field
                    continue
                number, trouble = _number(field, layout.decimal, layout.thousands)
                values[reference][row] = number
                if trouble:
                    if reference not in unread:
                        unread[reference] = np.full(count, math.nan)
                    unread[reference][row] = _perhaps(field, layout)
                fault = fault or trouble
        if fault in (NOT_A_NUMBER, WRONG_FIELDS):
            fault = _header_fault(fields, layout) or fault
            if fault in (NOT_A_NUMBER, WRONG_FIELDS) and holds_no_number(
                _where_numbers_belong(fields, line, layout)
            ):
                fault = WORDS_ONLY if fault == NOT_A_NUMBER else LINE_OF_WORDS
        faults[row] = fault
        if fault and not sample:
            sample = line[:80].decode("utf-8", "replace")
    columns: dict[str, pa.Array] = {}
    for reference, found in values.items():
        if reference not in layout.whole_first:
            columns[reference] = pa.array(found, pa.string())
        elif layout.whole_first[reference] and all(v is None or isinstance(v, int) for v in found):
            columns[reference] = pa.array([v or 0 for v in found], pa.int64())
        else:
            columns[reference] = pa.array([math.nan if v is None else float(v) for v in found], pa.float64())
    return RawRows(count, columns, faults if faults.any() else None, sample, unread)


def _where_numbers_belong(fields: list[str], line: bytes, layout: TextLayout) -> list[str]:
    if len(fields) != len(layout.names):
        return [line.decode("utf-8", "replace")]
    return [fields[layout.places[reference]] for reference in layout.whole_first]


def _header_fault(fields: list[str], layout: TextLayout) -> int:
    """Whether a row repeats the header, or is another one; 0 where it is neither."""
    named = [field.strip() for field in fields]
    if all(
        len(named) == len(layout.names) and named[p] == layout.names[p] != "" for p in layout.places.values()
    ):
        return HEADER_AGAIN
    words = all(_WORD.match(name) for name in named)
    return OTHER_HEADER if words and len(named) > 1 and set(named) & {n for n in layout.names if n} else 0


def _perhaps(field: str, layout: TextLayout) -> float:
    """The number that a text may mean which is none under the mapping: with signs between its thousands."""
    group = "." if layout.decimal == "," else ","
    for sign in (group, " ", "'", "\u00a0", "\u202f"):
        if re.fullmatch(
            rf"[0-9]{{1,3}}({re.escape(sign)}[0-9]{{3}})+({re.escape(layout.decimal)}[0-9]*)?", field
        ):
            return float(field.replace(sign, "").replace(layout.decimal, "."))
    return math.inf


def _number(field: str, decimal: str, thousands: str | None = None) -> tuple[float | int | None, int]:
    if field in _NULLS:
        return None, EMPTY
    if thousands is not None:
        field = _without_thousands(field, decimal, thousands)
    if decimal == ",":
        if "." in field:
            return None, NOT_A_NUMBER
        field = field.replace(",", ".")
    if not _NUMBER.match(field):
        return None, NOT_A_NUMBER
    if len(field) <= 20 and field.lstrip("+-").isdigit():
        whole = int(field)
        if abs(whole) < 2**63:
            return whole, 0
    return float(field), 0


def _without_thousands(field: str, decimal: str, thousands: str) -> str:
    """The number without the signs between its thousands, where they stand between thousands."""
    if thousands == " ":
        field = field.replace("\u00a0", " ").replace("\u202f", " ")
    groups = rf"[+-]?[0-9]{{1,3}}({re.escape(thousands)}[0-9]{{3}})+({re.escape(decimal)}[0-9]*)?"
    return field.replace(thousands, "") if re.fullmatch(groups, field) else field


def _fields(line: bytes, delimiter: str) -> list[str]:
    text = line.decode("utf-8", "replace").rstrip("\r\n")
    return next(csv.reader(io.StringIO(text), delimiter=delimiter), [])


def _refuse_cut_fractions(
    path: Path, lines: list[bytes], places: dict[str, int], mapping: ColumnMapping
) -> None:
    """Raises FrameLogError where ``16,67`` is a number with a decimal comma and not two columns."""
    rows = [_fields_or_none(line, ",") for line in lines]
    for reference in number_references(mapping):
        place = places[reference]
        pairs = [(row[place].strip(), row[place + 1].strip()) for row in rows if len(row) > place + 1]
        if len(pairs) < 3 or not all(whole.isdigit() and part.isdigit() for whole, part in pairs):
            continue
        parts = [part for _, part in pairs]
        zeros = sum(len(part) > 1 and part.startswith("0") for part in parts)
        if zeros or (max(map(len, parts)) == 1 and len(set(parts)) >= 8):
            raise FrameLogError(
                f"{path}: column {reference!r} holds whole numbers and the next one looks like their "
                f"fractions ({pairs[0][0]},{pairs[0][1]}): a decimal comma would be cut off; set decimal "
                "= ',' and the delimiter, or write the log with decimal points or quoted numbers"
            )


def _fields_or_none(line: bytes, delimiter: str) -> list[str]:
    try:
        return _fields(line, delimiter)
    except csv.Error:
        return []


def _lines_ahead(path: Path, stream: BinaryIO, mapping: ColumnMapping, wanted: int) -> list[bytes]:
    """The first lines that are neither skipped, blank nor comment."""
    found: list[bytes] = []
    number = 0
    try:
        while len(found) < wanted:
            read = stream.readline(LONGEST_LINE_BYTES)
            if not read:
                break
            for line in re.split(rb"\r\n|\r|\n", read.removesuffix(b"\n").removesuffix(b"\r")):
                number += 1
                if number > mapping.skip_rows and line.strip() and not is_comment(line, mapping.comment):
                    if not found:
                        line.decode("utf-8")
                    found.append(line)
    except UnicodeDecodeError as error:
        raise FrameLogError(
            f"{path}: line {number} is not {mapping.encoding} text ({error.reason}); "
            "set encoding, or check that this is a frame log"
        ) from error
    except (OSError, EOFError, pa.ArrowException, UnicodeError) as error:
        raise FrameLogError(f"{path}: can't be read ({error}); the file is damaged or cut off") from error
    return found
