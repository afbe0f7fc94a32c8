"""A look at a file's first rows: layout of the text and columns as numbers, for a proposed mapping."""

from __future__ import annotations

import csv
import io
import json
import math
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from harness.errors import FrameLogError
from harness.frames.files import open_text, sniff_format

SAMPLE_BYTES = 8 << 20
SAMPLE_ROWS = 50_000
_DELIMITERS = {",": ",", ";": ";", "\t": "tab", "|": "|", " ": "space"}
_COMMENT_MARKS = ("#", "//", "%", "!")


@dataclass(frozen=True)
class SampledColumn:
    """One column of the first rows.

    Attributes:
        name: Heading; empty where there is none.
        place: From 1.
        numbers: float64, NaN where the field is no number.
        origin: What was subtracted from ``numbers`` to keep large whole numbers exact.
        words: The fields as text.
    """

    name: str
    place: int
    numbers: NDArray[np.float64]
    origin: int
    words: list[str]

    @property
    def numeric_share(self) -> float:
        """Share of rows that hold a number."""
        return float(np.mean(np.isfinite(self.numbers))) if len(self.numbers) else 0.0


@dataclass(frozen=True)
class Sample:
    """The first rows of a file.

    Attributes:
        columns: In file order.
        rows: Rows looked at.
        options: Mapping keys that follow from the layout (format, delimiter, decimal, skip_rows, …).
        layout: What was found out about the layout, a sentence each.
    """

    columns: list[SampledColumn]
    rows: int
    options: dict[str, Any] = field(default_factory=dict)
    layout: tuple[str, ...] = ()


def take_sample(path: Path) -> Sample:
    """Read the first rows. Raises FrameLogError where no table can be made out."""
    kind = sniff_format(path)
    if kind == "parquet":
        return _parquet_sample(path)
    encoding, lines = _first_lines(path)
    if not lines:
        raise FrameLogError(f"{path}: the file is empty; run the title once and look at the log it writes")
    if kind == "jsonl":
        return _json_sample(path, lines, encoding)
    return _text_sample(path, lines, encoding)


def _parquet_sample(path: Path) -> Sample:
    try:
        with pq.ParquetFile(path, buffer_size=1 << 20, pre_buffer=False) as file:
            batch = next(file.iter_batches(SAMPLE_ROWS), None)
    except (OSError, pa.ArrowException) as error:
        raise FrameLogError(f"{path}: not readable as Parquet ({error}); write the file again") from error
    if batch is None:
        raise FrameLogError(f"{path}: no rows; run the title once and look at the log it writes")
    fields = [[None if v is None else str(v) for v in column.to_pylist()] for column in batch.columns]
    names = batch.schema.names
    columns = [
        _column(name, i, found, ".") for i, (name, found) in enumerate(zip(names, fields, strict=True))
    ]
    return Sample(columns, batch.num_rows, {}, (f"Parquet, {len(names)} columns",))


def _json_sample(path: Path, lines: list[str], encoding: str) -> Sample:
    rows = []
    for line in lines[:SAMPLE_ROWS]:
        try:
            found = json.loads(line)
        except ValueError:
            continue
        if isinstance(found, dict):
            rows.append(found)
    if not rows:
        raise FrameLogError(f"{path}: no line holds a JSON object; is this a frame log?")
    names = list(dict.fromkeys(name for row in rows for name in row))
    columns = []
    for place, name in enumerate(names):
        values = [row.get(name) for row in rows]
        words = [None if v is None else v if isinstance(v, str) else json.dumps(v) for v in values]
        columns.append(_column(name, place, words, "."))
    return Sample(columns, len(rows), _encoding_option(encoding), (f"JSON lines, {len(names)} keys",))


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
            return encoding, whole.decode(encoding).splitlines()
        except UnicodeDecodeError:
            continue
    raise AssertionError("latin-1 decodes any byte")


def _encoding_option(encoding: str) -> dict[str, Any]:
    return {} if encoding == "utf-8" else {"encoding": encoding}


def _text_sample(path: Path, lines: list[str], encoding: str) -> Sample:
    best = max(
        (_score(lines, delimiter, decimal), -rank, delimiter, decimal)
        for rank, delimiter in enumerate(_DELIMITERS)
        for decimal in (".", ",")
        if delimiter != decimal
    )
    if best[0] <= 0:
        raise FrameLogError(
            f"{path}: no rows of numbers found under any usual delimiter; is this a frame log?"
        )
    delimiter, decimal = best[2], best[3]
    fields = [_split(line, delimiter) for line in lines]
    width = _usual_width(fields)
    body = next(
        i for i, row in enumerate(fields) if len(row) == width and any(_is_number(f, decimal) for f in row)
    )
    header = _header_line(lines, fields, body, width)
    above = [line for line in lines[: body if header is None else header] if line.strip()]
    mark = _comment_mark(lines, above)
    options = _encoding_option(encoding)
    layout = [f"delimiter {_DELIMITERS[delimiter]!r}, decimal sign {decimal!r}, {width} columns"]
    if delimiter != ",":
        options["delimiter"] = _DELIMITERS[delimiter]
    if decimal != ".":
        options["decimal"] = decimal
    if mark:
        options["comment"] = mark
        layout.append(f"lines that begin with {mark!r} are comments")
    elif above:
        options["skip_rows"] = body if header is None else header
        layout.append(f"{options['skip_rows']} lines stand before the table")
    if header is None:
        options["header"] = False
        layout.append("no line of headings; columns are named by their place")
    names = [name.strip() for name in fields[header]] if header is not None else [""] * width
    names += [""] * (width - len(names))
    rows = [
        row
        for line, row in zip(lines[body:], fields[body:], strict=True)
        if len(row) == width and line.strip()
    ]
    rows = rows[:SAMPLE_ROWS]
    columns = [_column(names[i], i, [row[i] for row in rows], decimal) for i in range(width)]
    return Sample(columns, len(rows), options, tuple(layout))


def _score(lines: list[str], delimiter: str, decimal: str) -> float:
    """How well rows of equal width and many numbers come out: share of such rows, by numbers in a row."""
    rows = [_split(line, delimiter) for line in lines[-2000:] if line.strip()]
    width = _usual_width(rows)
    usual = [row for row in rows if len(row) == width]
    numbers = sum(_is_number(f, decimal) for row in usual for f in row)
    return numbers / max(1, len(rows)) * len(usual) / max(1, len(rows))


def _usual_width(rows: list[list[str]]) -> int:
    return Counter(len(row) for row in rows[-2000:] if row).most_common(1)[0][0] if rows else 0


def _header_line(lines: list[str], fields: list[list[str]], body: int, width: int) -> int | None:
    """The last line before the first row of numbers that is as wide as the table."""
    for i in range(body - 1, -1, -1):
        if not lines[i].strip():
            continue
        open_end = not any(row[-1].strip() for row in fields[body:] if len(row) == width)
        return i if len(fields[i]) == width - (open_end and len(fields[i]) < width) else None
    return None


def _comment_mark(lines: list[str], above: list[str]) -> str:
    for mark in _COMMENT_MARKS:
        if above and all(line.startswith(mark) for line in above):
            return mark
        if not above and any(line.startswith(mark) for line in lines):
            return mark
    return ""


def _split(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader(io.StringIO(line), delimiter=delimiter), [])
    except csv.Error:
        return []


def _is_number(text: str, decimal: str) -> bool:
    return math.isfinite(_number(text, decimal))


def _number(text: str | None, decimal: str) -> float:
    if text is None or "_" in text:
        return math.nan
    try:
        return float(text.replace(",", ".") if decimal == "," and "." not in text else text)
    except ValueError:
        return math.nan


def _column(name: str, place: int, fields: list[str | None], decimal: str) -> SampledColumn:
    words = ["" if f is None else f.strip() for f in fields]
    origin = 0
    if words and all(w.lstrip("-").isdigit() for w in words[:100]):
        origin = int(words[0])
        numbers = np.array([int(w) - origin if w.lstrip("-").isdigit() else math.nan for w in words], float)
    else:
        numbers = np.array([_number(w, decimal) for w in words], float)
    return SampledColumn(name, place + 1, numbers, origin, words)
