"""Which rows of a log are wanted: the filter, repeated headers, the table's edges, and flagged frames."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from harness.errors import FrameLogError
from harness.frames.account import FIRST, GENERATED, HEADER, NOT_SHOWN, OTHER_PROCESS, Account
from harness.frames.batch import Batch, Mask
from harness.frames.edges import ABOVE, BELOW, TableEdges
from harness.frames.mapping import FALSE_WORDS, TRUE_WORDS, ColumnMapping
from harness.frames.rows import (
    EMPTY,
    HEADER_AGAIN,
    OTHER_HEADER,
    ROW_IS_LOST,
    RawRows,
    RowNumbers,
    number_references,
)
from harness.numerals import counted

#: Values of a column that are remembered for messages.
_MOST_VALUES = 1000


class Selection:
    """Chooses the wanted rows of batch after batch of one log; all others are accounted for."""

    def __init__(self, path: Path, mapping: ColumnMapping, account: Account) -> None:
        self._path = path
        self._mapping = mapping
        self._account = account
        self._edges = TableEdges()
        self._quantities = list(number_references(mapping))
        self._began = False
        self._seen_values: Counter[str] = Counter()
        self._flag_values: dict[str, Counter[str]] = {}

    @property
    def last_inside(self) -> int:
        """Data row of the last row of the table; what is below is no frame."""
        return self._edges.last if self._account.left_out[BELOW] else self._account.rows_read

    def wanted(self, rows: RawRows) -> Batch:
        """The rows of the wanted process inside the table. Raises FrameLogError for another header."""
        batch = Batch(rows, RowNumbers(self._account.rows_read + 1, rows.count))
        self._account.rows_read += rows.count
        if self._mapping.filter_column is not None:
            batch = batch.pick(np.flatnonzero(self._ours(rows, self._mapping.filter_column)))
        if batch.rows.faults is not None:
            batch = self._without_headers(batch)
        if above := self._edges.above(batch.rows, self._quantities):
            self._account.left_out[ABOVE] += above
            batch = batch.pick(np.arange(above, batch.rows.count))
        self._edges.count_below(batch.rows, self._quantities, batch.numbers)
        return batch

    def without_first(self, batch: Batch) -> Batch:
        """The batch less the log's first row where its interval is negative, missing or no number."""
        if self._began or not batch.rows.count or batch.interval_ms is None:
            return batch
        self._began = True
        faults = batch.rows.faults
        if batch.interval_ms[0] >= 0 or (faults is not None and faults[0] not in (0, EMPTY)):
            return batch
        self._account.left_out[FIRST] += 1
        return batch.pick(np.arange(1, batch.rows.count))

    def flagged(self, rows: RawRows) -> dict[str, Mask]:
        """Rows that a flag column leaves out, by reason. Raises FrameLogError for values that say nothing."""
        mapping = self._mapping
        flags = [(NOT_SHOWN, "dropped", mapping.dropped_column, mapping.dropped_values)]
        if mapping.generated_frames == "leave-out":
            flags.append((GENERATED, "generated", mapping.generated_column, mapping.generated_values))
        readable = None if rows.faults is None else ~np.isin(rows.faults, ROW_IS_LOST)
        found = {}
        for reason, kind, reference, words in flags:
            if reference is not None:
                column = pc.utf8_lower(pc.utf8_trim_whitespace(_words(rows.columns[reference])))
                self._know_flags(kind, reference, column, readable)
                mask = _is_one_of(column, [word.lower() for word in words])
                found[reason] = mask if readable is None else mask & readable
        return found

    def finish(self) -> None:
        """Close the account of what was chosen. Raises FrameLogError where the filter met no row."""
        account, mapping = self._account, self._mapping
        if mapping.filter_column is not None and account.rows_read == account.left_out[OTHER_PROCESS] > 0:
            values = ", ".join(f"{v!r} ({counted(n, 'row')})" for v, n in self._seen_values.most_common(8))
            raise FrameLogError(
                f"{self._path}: no row has {' or '.join(map(repr, mapping.filter_values))} in column "
                f"{mapping.filter_column!r}; values there: {values}; set filter_value to one of these",
                permanent=True,
            )
        # Rows below the table were counted as damage until it was known that no frame follows.
        for reason, count in self._edges.below().items():
            below = min(count, account.faults[reason])
            account.left_out[BELOW] += below
            account.faults[reason] -= below

    def edge_note(self, below: int) -> list[str]:
        """What was left out above and below the table, as a sentence."""
        return self._edges.note(below)

    def flag_notes(self) -> list[str]:
        """A sentence for each flag column that flags nothing."""
        met = {"dropped_values": NOT_SHOWN, "generated_values": GENERATED}
        notes = []
        for key, seen in self._flag_values.items():
            if not self._account.left_out[met[key]]:
                listed = ", ".join(repr(value) for value, _ in seen.most_common(6))
                notes.append(f"no row has one of {key}; values there: {listed}")
        return notes

    def _ours(self, rows: RawRows, filter_column: str) -> Mask:
        """Rows of the wanted process, and those too damaged to tell whose they are."""
        column = pc.utf8_trim_whitespace(_words(rows.columns[filter_column]))
        ours = _is_one_of(column, self._mapping.filter_values)
        if rows.faults is not None:
            ours |= (rows.faults != 0) & column.is_null().to_numpy(zero_copy_only=False)
        self._account.leave_out(OTHER_PROCESS, ~ours)
        if self._account.frames == 0:
            _count_values(self._seen_values, column)
        return ours

    def _without_headers(self, batch: Batch) -> Batch:
        """The rows less repeated headers, which are no frames. Raises FrameLogError for another header."""
        faults = batch.rows.faults
        assert faults is not None
        if (faults == OTHER_HEADER).any():
            row, line = batch.numbers[int(np.argmax(faults == OTHER_HEADER))], batch.rows.sample
            raise FrameLogError(
                f"{self._path}: data row {row} is a second header with other columns ({line!r}): "
                "the file holds two logs; split it, and read each with its own mapping"
            )
        again = faults == HEADER_AGAIN
        if not again.any():
            return batch
        self._account.leave_out(HEADER, again)
        return batch.pick(np.flatnonzero(~again))

    def _know_flags(self, kind: str, reference: str, column: pa.Array, readable: Mask | None) -> None:
        """Keep the values of a flag column; with the usual words for yes, all must be a yes or a no."""
        key = f"{kind}_values"
        seen = self._flag_values.setdefault(key, Counter())
        _count_values(seen, column if readable is None else column.filter(pa.array(readable)))
        if key in self._mapping.model_fields_set:
            return
        known = {*TRUE_WORDS, *FALSE_WORDS}
        if any(value not in known for value in seen):
            listed = ", ".join(f"{value!r} ({counted(count, 'row')})" for value, count in seen.most_common(8))
            raise FrameLogError(
                f"{self._path}: column {reference!r} ({kind}_column) holds values that mean neither "
                f"yes nor no: {listed}; set {key} to those that mark such a frame"
            )


def _count_values(seen: Counter[str], column: pa.Array) -> None:
    if len(seen) < _MOST_VALUES:
        for entry in pc.value_counts(column).to_pylist():
            seen[str(entry["values"] or "")] += entry["counts"]


def _is_one_of(column: pa.Array, words: Sequence[str]) -> Mask:
    mask = pc.is_in(column, value_set=pa.array(list(words), pa.string())).fill_null(False)
    found: Mask = mask.to_numpy(zero_copy_only=False).astype(bool)
    return found


def _words(column: pa.Array) -> pa.Array:
    return column if pa.types.is_string(column.type) else column.cast(pa.string())
