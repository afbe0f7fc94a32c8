"""Rows of a frame log as parsed, before cleaning: the seam between file formats and the cleaning."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from harness.errors import FrameLogError
from harness.frames.bounds import Budget
from harness.frames.mapping import ColumnMapping

#: Why a row can't be used, by fault code; the words appear in a log's account.
FAULTS: tuple[str, ...] = (
    "",
    "wrong number of fields",
    "not a number",
    "empty field",
    "header repeated",
    "cut off at the end of the file",
    "unreadable line",
    "another header",
    "not a number",  # in a row without any number
    "wrong number of fields",  # in a line without any number where one belongs
    "perhaps a summary and no frame",
    "lost as the ring of the capture ran over",
)
WRONG_FIELDS, NOT_A_NUMBER, EMPTY, HEADER_AGAIN, CUT_OFF, UNREADABLE, OTHER_HEADER = range(1, 8)
WORDS_ONLY, LINE_OF_WORDS, PERHAPS_NO_FRAME, RING_RAN_OVER = 8, 9, 10, 11
#: Faults of the whole row: nothing in it can be trusted.
ROW_IS_LOST = (WRONG_FIELDS, CUT_OFF, UNREADABLE, WORDS_ONLY, LINE_OF_WORDS, RING_RAN_OVER)


@dataclass(frozen=True)
class RawRows:
    """A run of rows in file order.

    Attributes:
        count: Rows, readable or not.
        columns: Column reference of the mapping -> values, each of length ``count``: int64 or float64 for
            the quantities, string for filters and flags, whatever the file has for kept columns.
        faults: Fault code of each row; None when no row has one.
        sample: Text of the first row with a fault, for messages.
        unread: Column reference of a quantity -> per row NaN where it was read; where it was not, the number
            that the text may mean (``1,200.5``), or infinite where it tells nothing. Only where one was not.
        first_lines: The first lines of a block of text, as they stand.
        last_lines: The last ones.
    """

    count: int
    columns: Mapping[str, pa.Array]
    faults: NDArray[np.uint8] | None = None
    sample: str = ""
    unread: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    first_lines: tuple[bytes, ...] = ()
    last_lines: tuple[bytes, ...] = ()


def locate_columns(path: Path, names: Sequence[str], mapping: ColumnMapping) -> dict[str, int]:
    """Column reference -> place in the file.

    Raises:
        FrameLogError: A column is missing or its heading is double; lists the columns and the nearest.
    """
    stripped = [name.strip() for name in names]
    listed = ", ".join(f"#{i + 1} {name!r}" for i, name in enumerate(stripped[:40])) or "none"
    if len(stripped) > 40:
        listed += f" and {len(stripped) - 40} more"
    located: dict[str, int] = {}
    for reference, key in mapping.wanted_columns().items():
        places = [i for i, name in enumerate(stripped) if name == reference.strip()]
        if not places and reference.startswith("#") and reference[1:].isdigit():
            number = int(reference[1:])
            places = [number - 1] if 1 <= number <= len(stripped) else []
        if len(places) > 1:
            raise FrameLogError(
                f"{path}: the heading {reference!r} ({key}) stands over {len(places)} columns; "
                f"name the right one by its place: {' or '.join(f'#{i + 1}' for i in places)}",
                permanent=True,
            )
        if not places:
            near = get_close_matches(reference, stripped, n=1, cutoff=0.4)
            nearest = f"; nearest: {near[0]!r}" if near else ""
            raise FrameLogError(
                f"{path}: no column {reference!r} ({key}){nearest}; the columns are: {listed}; "
                "fix the mapping, or let 'levelrig map' propose one",
                permanent=True,
            )
        located[reference] = places[0]
    return located


def number_references(mapping: ColumnMapping) -> dict[str, bool]:
    """References of the quantity columns -> whether to try whole numbers first (exact for large counters)."""
    references: dict[str, bool] = {}
    if mapping.time_column is not None and not mapping.stamped:
        references[mapping.time_column] = (mapping.time_unit or mapping.unit) in ("us", "ns", "ticks")
    if mapping.interval_column is not None:
        references.setdefault(mapping.interval_column, False)
    return references


def empty_rows(mapping: ColumnMapping) -> RawRows:
    """No rows, with the right columns."""
    numbers = number_references(mapping)
    columns = {
        reference: pa.array([], pa.float64() if reference in (*numbers, mapping.time_column) else pa.string())
        for reference in mapping.wanted_columns()
    }
    return RawRows(0, columns)


def join_rows(parts: Iterable[RawRows], mapping: ColumnMapping, budget: Budget) -> RawRows:
    """All rows as one run (for what needs the whole log at once: sorting, choosing a run).

    Raises:
        FrameLogError: They take more memory than the budget.
    """
    runs = []
    for run in parts:
        budget.take(sum(column.nbytes for column in run.columns.values()) + run.count)
        runs.append(run)
    if not runs:
        return empty_rows(mapping)
    columns: dict[str, pa.Array] = {}
    for reference in runs[0].columns:
        chunks = [run.columns[reference] for run in runs]
        if len({chunk.type for chunk in chunks}) > 1:
            kind = pa.float64() if reference in number_references(mapping) else pa.string()
            chunks = [chunk.cast(kind, safe=False) for chunk in chunks]
        columns[reference] = pa.concat_arrays(chunks)
    faults = None
    if any(run.faults is not None for run in runs):
        faults = np.concatenate(
            [np.zeros(run.count, np.uint8) if run.faults is None else run.faults for run in runs]
        )
    unread = {
        reference: np.concatenate([run.unread.get(reference, np.full(run.count, np.nan)) for run in runs])
        for reference in dict.fromkeys(name for run in runs for name in run.unread)
    }
    sample = next((run.sample for run in runs if run.sample), "")
    return RawRows(sum(run.count for run in runs), columns, faults, sample, unread)


def as_numpy(column: pa.Array) -> NDArray[Any]:
    """The values, without a copy where they are plain numbers (``to_numpy`` would import pandas, 0.3 s)."""
    kinds = ((pa.float64(), np.float64), (pa.int64(), np.int64))
    kind = next((own for theirs, own in kinds if column.type == theirs), None)
    if kind is None or column.null_count or not len(column):
        values: NDArray[Any] = column.to_numpy(zero_copy_only=False)
        return values
    return np.frombuffer(column.buffers()[1], kind, len(column), 8 * column.offset)


class RowNumbers:
    """Data row (from 1) of each row of a batch; the numbers are made only where they are asked for."""

    def __init__(self, first: int, count: int, places: NDArray[np.int64] | None = None) -> None:
        self._first = first
        self._count = count
        self._places = places

    def __getitem__(self, place: Any) -> Any:
        """Of one row, or of an array of places."""
        return self._first + (place if self._places is None else self._places[place])

    @property
    def all(self) -> NDArray[np.int64]:
        """Of every row."""
        numbers: NDArray[np.int64] = self[np.arange(self._count)]
        return numbers

    def pick(self, places: NDArray[np.int64]) -> RowNumbers:
        """Of some of the rows."""
        return RowNumbers(self._first, len(places), places if self._places is None else self._places[places])


def pick_rows(rows: RawRows, places: NDArray[np.int64]) -> RawRows:
    """The rows at these places, in this order."""
    taken = pa.array(places)
    return RawRows(
        len(places),
        {reference: column.take(taken) for reference, column in rows.columns.items()},
        None if rows.faults is None else rows.faults[places],
        rows.sample,
        {reference: values[places] for reference, values in rows.unread.items()},
    )
