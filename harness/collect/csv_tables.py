"""Tables of repeats as a person keeps them: CSV by whatever spreadsheet wrote it.

Byte order mark, separator and decimal sign are found out; a cell that is no number where one belongs stops
with its line and column, for a repeat that is silently left out changes a result.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import pyarrow as pa

from harness import userfiles
from harness.errors import UserFileError
from harness.tables import attempts_schema

#: Far beyond any table of repeats.
MOST_BYTES: Final = 256 << 20
#: Headings that a person writes, and the column that they mean where there is none of that name.
MEANT: Final = {"repeat": "repeat_index", "fps": "average_fps", "night": "campaign_id", "result": "score"}
_SEPARATORS: Final = ";\t,|"
_STATED: Final = re.compile(r'"?sep=(\\t|.)"?\s*\Z', re.IGNORECASE)
_HEAD_BYTES: Final = 65536
_NOTHING: Final = frozenset(("", "na", "n/a", "nan", "null", "none", "-"))
_COMMA: Final = re.compile(r"[-+]?\d+,\d+(?:[eE][-+]?\d+)?\Z")
_WORDS: Final = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}


def csv_columns(path: Path) -> list[str]:
    """The columns that its first line names, by our names. Raises UserFileError."""
    with userfiles.open_regular(path, "table") as file:
        head = file.read(_HEAD_BYTES)
    if userfiles.encoding_of(head)[1] == "utf-8":
        head = b"\n".join(head.split(b"\n", 2)[:2])
    else:
        head = head[: len(head) & ~3]
    lines, separator, _ = _headed(userfiles.text_of(head, path).splitlines())
    return _columns(lines[0], separator) if lines else []


def read_csv_table(path: Path) -> pa.Table:
    """A table of repeats, each column of our own in its type, other ones as numbers where all of it are.

    Raises:
        UserFileError: With line and column.
    """
    text = userfiles.text_of(userfiles.read_bytes(path, "table", at_most_bytes=MOST_BYTES), path)
    lines, separator, above = _headed(text.splitlines())
    rows = _rows(path, lines, separator, above)
    if not rows:
        raise UserFileError(path, "no row stands under its headings", "write one repeat a row")
    names = _columns(lines[0], separator)
    if twice := sorted({name for name in names if name and names.count(name) > 1}):
        raise UserFileError(path, f"line 1: two columns are named {twice[0]!r}", "rename one of them")
    comma = separator != "," and any(_COMMA.match(cell.strip()) for _, row in rows for cell in row)
    schema, columns, fields = attempts_schema(), [], []
    for place, name in enumerate(names):
        if not name:
            continue
        cells = [(line, row[place].strip()) for line, row in rows]
        kind = schema.field(name).type if name in schema.names else _kind_of(cells, comma=comma)
        columns.append(pa.array(_values(path, name, cells, kind, comma=comma), kind))
        fields.append(pa.field(name, kind))
    return pa.Table.from_arrays(columns, schema=pa.schema(fields))


def _headed(lines: list[str]) -> tuple[list[str], str, int]:
    """The lines from the headings on, what stands between cells, and how many lines stood above.

    A first line ``sep=;`` is what a spreadsheet writes to state the separator.
    """
    if lines and (stated := _STATED.match(lines[0])) is not None:
        return lines[1:], "\t" if stated[1] == "\\t" else stated[1], 1
    return lines, _separator(lines[0]) if lines else ",", 0


def _separator(line: str) -> str:
    return max(_SEPARATORS, key=line.count) if any(sign in line for sign in _SEPARATORS) else ","


def _columns(line: str, separator: str) -> list[str]:
    heads = [cell.strip() for cell in next(csv.reader([line], delimiter=separator), [])]
    known = {name.lower(): name for name in (*attempts_schema().names, "block", "score_better")}
    names = [known.get(head.lower().replace(" ", "_"), head) for head in heads]
    meant = [MEANT.get(name.lower(), name) for name in names]
    return [
        mine if mine == name or mine not in names else name for name, mine in zip(names, meant, strict=True)
    ]


def _rows(path: Path, lines: Sequence[str], separator: str, above: int) -> list[tuple[int, list[str]]]:
    """(line, cells) of each row below the headings, above which so many lines stand.

    Raises:
        UserFileError: A row has other columns.
    """
    reader = csv.reader(lines, delimiter=separator, strict=True)
    rows: list[tuple[int, list[str]]] = []
    wanted = 0
    try:
        for row in reader:
            if not wanted:
                wanted = len(row)
            elif any(cell.strip() for cell in row):
                if len(row) != wanted:
                    what = (
                        f"line {above + reader.line_num}: {len(row)} columns, and the headings name {wanted}"
                    )
                    remedy = "put a text that holds the separator in quotes, or fill the row up"
                    raise UserFileError(path, what, remedy)
                rows.append((above + reader.line_num, row))
    except csv.Error as error:
        raise UserFileError(
            path, f"line {above + reader.line_num}: {error}", "write the file again"
        ) from error
    return rows


def _kind_of(cells: Sequence[tuple[int, str]], *, comma: bool) -> pa.DataType:
    given = [cell for _, cell in cells if cell.lower() not in _NOTHING]
    if given and all(_number(cell, comma=comma) is not None for cell in given):
        whole = all(re.fullmatch(r"[-+]?\d+", cell) for cell in given)
        return pa.int64() if whole else pa.float64()
    return pa.string()


def _values(
    path: Path, name: str, cells: Sequence[tuple[int, str]], kind: pa.DataType, *, comma: bool
) -> list[Any]:
    read, wanted = _reader(kind, comma=comma)
    values: list[Any] = []
    for line, cell in cells:
        value = None if cell.lower() in _NOTHING else read(cell)
        if value is None and cell.lower() not in _NOTHING:
            sign = "a comma" if comma else "a point"
            remedy = f"fix it, or leave it empty (decimal sign here: {sign}; no thousands signs)"
            raise UserFileError(path, f"line {line}, column {name!r}: {cell[:60]!r} is no {wanted}", remedy)
        values.append(value)
    return values


def _reader(kind: pa.DataType, *, comma: bool) -> tuple[Callable[[str], Any], str]:
    if pa.types.is_boolean(kind):
        return lambda cell: _WORDS.get(cell.lower()), "true or false"
    if pa.types.is_integer(kind):
        return lambda cell: _whole(_number(cell, comma=comma)), "whole number"
    if pa.types.is_floating(kind):
        return lambda cell: _number(cell, comma=comma), "number"
    if pa.types.is_timestamp(kind):
        return _moment, "date and time, as 2031-03-09T22:59:58+00:00"
    if pa.types.is_list(kind):
        return lambda cell: [cell], "text"
    return lambda cell: cell, "text"


def _number(cell: str, *, comma: bool) -> float | None:
    if comma and "." in cell:
        return None
    try:
        value = float(cell.replace(",", ".") if comma else cell)
    except ValueError:
        return None
    return value if math.isfinite(value) and "_" not in cell else None


def _whole(value: float | None) -> int | None:
    return int(value) if value is not None and value == int(value) else None


def _moment(cell: str) -> datetime | None:
    try:
        moment = datetime.fromisoformat(cell)
    except ValueError:
        return None
    return moment if moment.tzinfo else moment.astimezone()
