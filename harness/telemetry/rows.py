"""Rows of telemetry in bounded memory: one buffer a quantity, the oldest rows overwritten by the newest."""

from __future__ import annotations

import math
from array import array
from collections.abc import Mapping, Sequence
from typing import NamedTuple, Protocol

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from harness import tables

NAN = math.nan


class Sample(NamedTuple):
    """One reading and the clock time at which it was taken, s."""

    value: float
    t_s: float


#: Makes one of a pair, in half the time of a call with names; they are made millions of times a night.
_sample = Sample._make


class TelemetryWriter(Protocol):
    """Anything that takes tables of the layout :data:`harness.tables.TELEMETRY`."""

    def write(self, table: pa.Table) -> object:
        """Keep these rows."""


class KeptRows:
    """Conforms to :class:`TelemetryWriter`: keeps the rows in memory, for recordings of minutes."""

    def __init__(self) -> None:
        self.tables: list[pa.Table] = []

    def write(self, table: pa.Table) -> None:
        self.tables.append(table)

    def whole(self) -> pa.Table:
        """All rows so far. Raises pyarrow.ArrowInvalid where there are none."""
        return pa.concat_tables(self.tables).unify_dictionaries()


class RowBuffers:
    """The latest rows. Whoever shares them between threads locks around every call.

    Args:
        columns: Quantity -> number of its column.
        delays_s: Column -> how much earlier than it was read a reading was taken.
        capacity: Rows that are held.
        slack_s: A row so much too late still counts for a time.

    Attributes:
        count: Rows taken since the beginning, those overwritten included.
    """

    def __init__(
        self, columns: Mapping[str, int], delays_s: Mapping[int, float], capacity: int, slack_s: float
    ) -> None:
        self._columns = columns
        self._delays_s = delays_s
        self._capacity = capacity
        self._slack_s = slack_s
        self._buffers = [_buffer(capacity) for _ in columns]
        self._values = [np.frombuffer(buffer, dtype=np.float64) for buffer in self._buffers]
        self._t_s, self._read_ms = _buffer(capacity), _buffer(capacity)
        self._phase_code, self._gap = array("b", bytes(capacity)), bytearray(capacity)
        self._phases: list[str] = []
        self._phase = -1
        self._last_row = [-1] * len(columns)
        self.count = 0

    def set_phase(self, name: str) -> None:
        """Name the phase of the rows to come."""
        if name not in self._phases:
            self._phases.append(name)
        self._phase = self._phases.index(name)

    def append(
        self,
        row: Sequence[tuple[int, float]],
        late: Sequence[tuple[int, float, float]],
        start_s: float,
        end_s: float,
        gap: bool,
    ) -> None:
        """Write one row of (column, reading); late ones go to the row of their time."""
        newest = self.count
        slot = newest % self._capacity
        buffers, delays_s = self._buffers, self._delays_s
        whole = len(row) == len(buffers) and not delays_s
        if whole:
            self._last_row = [newest] * len(buffers)
        else:
            for buffer in buffers:
                buffer[slot] = NAN
        self._t_s[slot] = middle_s = (start_s + end_s) / 2
        for column, value in row:
            if column in delays_s:
                self._file(column, value, middle_s - delays_s[column], newest)
            else:
                buffers[column][slot] = value
                self._last_row[column] = newest
        for column, value, read_s in late:
            self._file(column, value, read_s - self._delays_s.get(column, 0.0), newest)
        self._read_ms[slot] = (end_s - start_s) * 1000
        self._phase_code[slot] = self._phase
        self._gap[slot] = gap
        self.count += 1

    def _file(self, column: int, value: float, t_s: float, newest: int) -> None:
        """Put a reading into the row of its time."""
        place = self.row_before(t_s, newest)
        if place >= 0:
            self._buffers[column][place % self._capacity] = value
            self._last_row[column] = max(place, self._last_row[column])

    def row_before(self, t_s: float, newest: int) -> int:
        """The last row, ``newest`` at most, that was taken at or before that time; -1 for none."""
        oldest = max(0, newest + 1 - self._capacity)
        for row in range(newest, oldest - 1, -1):
            if self._t_s[row % self._capacity] <= t_s + self._slack_s:
                return row
        return -1

    def taken_s(self, column: int) -> float | None:
        """Time of the row of a column's last reading; None where there never was one.

        Where that row is overwritten it is the time of what stands there now.
        """
        row = self._last_row[column]
        return None if row < 0 else self._t_s[row % self._capacity]

    def last(self, column: int) -> Sample | None:
        """The last reading that was taken, however old; None where the buffers hold none."""
        row = self._last_row[column]
        if row < 0 or row < self.count - self._capacity:
            return None
        slot = row % self._capacity
        return _sample((self._buffers[column][slot], self._t_s[slot]))

    def history(self, column: int, since_s: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Times, s, and values of a column from ``since_s`` on, oldest first; rows without one left out."""
        times, values = np.frombuffer(self._t_s, dtype=np.float64), self._values[column]
        found_t, found_v = [], []
        for begin, end in self._spans(max(0, self.count - self._capacity), self.count):
            begin += int(np.searchsorted(times[begin:end], since_s))
            present = np.isfinite(values[begin:end])
            found_t.append(times[begin:end][present])
            found_v.append(values[begin:end][present])
        if not found_t:
            return np.empty(0), np.empty(0)
        return np.concatenate(found_t), np.concatenate(found_v)

    def tables(self, first: int, until: int) -> list[pa.Table]:
        """Rows ``first`` to before ``until``, copied, in the layout of :data:`harness.tables.TELEMETRY`."""
        return [self._piece(begin, end) for begin, end in self._spans(first, until)]

    def _spans(self, first: int, last: int) -> list[tuple[int, int]]:
        """Rows ``first`` to before ``last`` as one or two ranges of buffer slots."""
        if first >= last:
            return []
        begin, length = first % self._capacity, last - first
        if begin + length <= self._capacity:
            return [(begin, begin + length)]
        return [(begin, self._capacity), (0, begin + length - self._capacity)]

    def _piece(self, begin: int, end: int) -> pa.Table:
        """One stretch of the buffers, copied, in the layout of :data:`harness.tables.TELEMETRY`."""
        count = end - begin
        nulls: dict[pa.DataType, pa.Array] = {}
        codes = np.frombuffer(self._phase_code, dtype=np.int8)[begin:end].copy()
        arrays: list[pa.Array] = []
        for column in tables.TELEMETRY:
            if column.name == "t_s":
                arrays.append(pa.array(np.frombuffer(self._t_s, dtype=np.float64)[begin:end].copy()))
            elif column.name == "read_ms":
                arrays.append(pa.array(np.frombuffer(self._read_ms, dtype=np.float64)[begin:end].copy()))
            elif column.name == "phase":
                arrays.append(
                    pa.DictionaryArray.from_arrays(
                        pa.array(codes, mask=codes < 0), pa.array(self._phases, pa.string())
                    )
                )
            elif column.name == "gap":
                arrays.append(pa.array(np.frombuffer(self._gap, dtype=np.bool_)[begin:end].copy()))
            elif column.name not in self._columns:
                if column.type not in nulls:
                    nulls[column.type] = pa.nulls(count, column.type)
                arrays.append(nulls[column.type])
            else:
                values = self._values[self._columns[column.name]][begin:end]
                missing = np.isnan(values)
                absent = missing if missing.any() else None
                if pa.types.is_integer(column.type):
                    whole = values if absent is None else np.where(absent, 0.0, values)
                    arrays.append(pa.array(whole.astype(np.int64), mask=absent))
                else:
                    arrays.append(pa.array(values.copy(), mask=absent))
        return pa.Table.from_arrays(arrays, schema=tables.TELEMETRY)


def _buffer(rows: int) -> array[float]:
    return array("d", bytes(8 * rows))
