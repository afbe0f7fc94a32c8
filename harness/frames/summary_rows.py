"""Rows at the edges of a text table that are no frames although a number stands in the mapped column.

``Frames,1800`` below a table of ``number,interval`` is told by its other fields. Where every row of the table
has a number and this one a word, it is no frame. Where it lacks what every row has, or has a word of its own,
and would be a frame many times as long as usual, it is doubtful: the figures hang on it or they do not.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median

import numpy as np

from harness.frames.bounds import Budget
from harness.frames.edges import MOST_LINES, holds_no_number
from harness.frames.mapping import ColumnMapping
from harness.frames.rows import CUT_OFF, PERHAPS_NO_FRAME, WORDS_ONLY, RawRows, join_rows

#: Lines at each edge that are looked at: more than may be left out, so that a longer summary is damage.
EDGE_LINES = 2 * MOST_LINES
#: Lines ahead that tell what the fields of the table look like.
LINES_AHEAD = 200
#: Fewer rows inside the table tell nothing.
LEAST_ROWS = 10
#: Times the median interval from which a doubtful row could matter (chosen here, no source).
OUTLYING = 8.0


@dataclass(frozen=True)
class TableShape:
    """What the fields of a table's rows look like, from some rows well inside it.

    Attributes:
        delimiter: Between fields.
        fields: Number of fields.
        numbers: Places where every row has a number, or nothing.
        filled: Places where every row has something; for those that hold one word throughout, that word.
        read_number: A field as a number; None for none.
        interval_place: Place of the interval where that alone is mapped, else None.
        long: Interval from which a row is outlying, in the column's own unit.
    """

    delimiter: str
    fields: int
    numbers: frozenset[int]
    filled: dict[int, str | None]
    read_number: Callable[[str], float | None]
    interval_place: int | None = None
    long: float = math.inf

    def judge(self, line: bytes) -> tuple[int, float]:
        """Fault code of a row at an edge (0 for a frame), and the interval that it states (NaN for none)."""
        row = fields_of(line, self.delimiter)
        if row is None or len(row) != self.fields:
            return 0, math.nan
        if any(row[place] and holds_no_number([row[place]]) for place in self.numbers):
            return WORDS_ONLY, math.nan
        if self.interval_place is None:
            return 0, math.nan
        interval = self.read_number(row[self.interval_place])
        other = any(row[p] != word if word is not None else not row[p] for p, word in self.filled.items())
        if other and interval is not None and interval > self.long:
            return PERHAPS_NO_FRAME, interval
        return 0, math.nan


def table_shape(
    lines: Sequence[bytes],
    delimiter: str,
    read_number: Callable[[str], float | None],
    interval_place: int | None,
) -> TableShape | None:
    """The shape of a table.

    Args:
        lines: The first data lines; :data:`LINES_AHEAD` of them, or all there are.
        delimiter: Between fields.
        read_number: A field as a number; None for none, NaN for a word that stands for a missing one.
        interval_place: Place of the interval where that alone is mapped.
    Returns:
        None where too few rows are inside the table.
    """
    body = lines[MOST_LINES : None if len(lines) >= LINES_AHEAD else -MOST_LINES]
    rows = [row for row in (fields_of(line, delimiter) for line in body) if row is not None]
    if len(rows) < LEAST_ROWS:
        return None
    count = max(len(row) for row in rows)
    rows = [row for row in rows if len(row) == count]
    numbers: set[int] = set()
    filled: dict[int, str | None] = {}
    for place in range(count):
        column = [row[place] for row in rows]
        values = [read_number(field) for field in column]
        if None not in values and sum(not math.isnan(v) for v in values if v is not None) >= LEAST_ROWS:
            numbers.add(place)
            if all(column) and place != interval_place:
                filled[place] = None
        elif len(set(column)) == 1 and column[0]:
            filled[place] = column[0]
    long = math.inf
    if interval_place is not None and interval_place in numbers:
        known = [v for v in (read_number(row[interval_place]) for row in rows) if v is not None and v >= 0]
        long = OUTLYING * median(known) if known else math.inf
    return TableShape(delimiter, count, frozenset(numbers), filled, read_number, interval_place, long)


def with_summary_rows(
    parts: Iterable[RawRows], path: Path, mapping: ColumnMapping, shape: TableShape | None
) -> Iterator[RawRows]:
    """The same rows, those at the edges that are no frames marked as faults; nothing hangs on the batches.

    The first batch and the last one hold :data:`EDGE_LINES` rows, or all there are.
    """
    held: RawRows | None = None
    began = False
    for rows in parts:
        if held is None:
            held = rows
        elif held.count < EDGE_LINES or rows.count < EDGE_LINES:
            held = _joined(held, rows, path, mapping)
        else:
            yield held if began else _marked(held, held.first_lines, range(held.count), shape, mapping)
            began, held = True, rows
    if held is None:
        return
    if not began:
        held = _marked(held, held.first_lines, range(held.count), shape, mapping)
    yield _marked(held, held.last_lines[::-1], range(held.count - 1, -1, -1), shape, mapping)


def edge_lines(data: bytes | bytearray) -> tuple[tuple[bytes, ...], tuple[bytes, ...]]:
    """The first and the last lines of a block that are not blank, at most :data:`EDGE_LINES` each."""
    first: list[bytes] = []
    at = 0
    while at < len(data) and len(first) < EDGE_LINES:
        end = data.find(b"\n", at) + 1 or len(data)
        if data[at:end].strip():
            first.append(bytes(data[at:end]))
        at = end
    last: list[bytes] = []
    end = len(data)
    while end > 0 and len(last) < EDGE_LINES:
        at = data.rfind(b"\n", 0, end - 1) + 1
        if data[at:end].strip():
            last.append(bytes(data[at:end]))
        end = at
    return tuple(first), tuple(reversed(last))


def fields_of(line: bytes, delimiter: str) -> list[str] | None:
    """The fields of a line, without blanks around them; None where it can't be split."""
    text = line.decode("utf-8", "replace").rstrip("\r\n")
    try:
        return [field.strip() for field in next(csv.reader(io.StringIO(text), delimiter=delimiter), [])]
    except csv.Error:
        return None


def _joined(one: RawRows, other: RawRows, path: Path, mapping: ColumnMapping) -> RawRows:
    rows = join_rows((one, other), mapping, Budget(path))
    return replace(
        rows,
        first_lines=(one.first_lines + other.first_lines)[:EDGE_LINES],
        last_lines=(one.last_lines + other.last_lines)[-EDGE_LINES:],
    )


def _marked(
    rows: RawRows,
    lines: Sequence[bytes],
    places: Sequence[int],
    shape: TableShape | None,
    mapping: ColumnMapping,
) -> RawRows:
    """The rows with those marked that are no frames, from one edge inwards up to the first frame."""
    if shape is None:
        return rows
    faults = None if rows.faults is None else rows.faults.copy()
    unread = dict(rows.unread)
    sample = rows.sample
    found = 0
    for line, place in zip(lines, places, strict=False):
        code, interval = shape.judge(line)
        if not code:
            if faults is None or not faults[place]:
                break
            continue
        if faults is not None and faults[place] not in (0, CUT_OFF):
            continue
        faults = np.zeros(rows.count, np.uint8) if faults is None else faults
        faults[place] = code
        if code == PERHAPS_NO_FRAME and mapping.interval_column is not None:
            told = unread.get(mapping.interval_column, np.full(rows.count, math.nan)).copy()
            told[place] = interval
            unread[mapping.interval_column] = told
        if not found:
            sample = line[:80].decode("utf-8", "replace").strip()
        found += 1
    return replace(rows, faults=faults, unread=unread, sample=sample) if found else rows
