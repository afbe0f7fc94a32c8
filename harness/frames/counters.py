"""Counters of 32 bits that start again at 2**32: their readings are put right, exactly and with a note."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np
import pyarrow as pa

from harness.frames.rows import RawRows
from harness.numerals import times

_TURN = 1 << 32
#: A counter that jumps back by nearly a turn and is then within this of where it was has wrapped.
_CLOSE = 1 << 28


class Unwrapper:
    """Adds the turns of a 32-bit counter in batch after batch of one log. ``turns`` counts them."""

    def __init__(self, reference: str) -> None:
        self._reference = reference
        self._last: int | None = None
        self._signed = False
        self.turns = 0

    def batches(self, parts: Iterable[RawRows]) -> Iterator[RawRows]:
        """The same rows; the column unwrapped where it wraps."""
        for rows in parts:
            yield self._batch(rows)

    def _batch(self, rows: RawRows) -> RawRows:
        column = rows.columns[self._reference]
        values = column.to_numpy(zero_copy_only=False)
        usable = np.isfinite(values) if values.dtype.kind == "f" else np.ones(len(values), bool)
        if rows.faults is not None:
            usable &= rows.faults == 0
        places = np.flatnonzero(usable)
        if not len(places):
            return rows
        readings = values[places]
        low, high = float(readings.min()), float(readings.max())
        if low < -(_TURN >> 1) or high >= _TURN or (high < (_TURN >> 1) - _CLOSE and not self.turns):
            self._last = None if high >= _TURN or low < -(_TURN >> 1) else int(readings[-1])
            return rows  # no such counter, or nowhere near its end
        if readings.dtype.kind == "f" and not bool((readings == np.floor(readings)).all()):
            return rows
        whole = readings.astype(np.int64)
        steps = np.diff(whole, prepend=whole[0] if self._last is None else self._last)
        wraps = (steps < 0) & (steps + _TURN >= 0) & (steps + _TURN < _CLOSE)
        self._last = int(whole[-1])
        before = self.turns
        self.turns += int(np.count_nonzero(wraps))
        if not self.turns:
            return rows
        unwrapped = np.zeros(len(values), np.int64)
        unwrapped[places] = whole + (before + np.cumsum(wraps)) * _TURN
        new = (
            pa.array(unwrapped) if values.dtype.kind != "f" else pa.array(np.where(usable, unwrapped, np.nan))
        )
        return replace(rows, columns={**rows.columns, self._reference: new})

    def notes(self) -> list[str]:
        """What was done, in sentences."""
        if not self.turns:
            return []
        return [
            f"the 32-bit counter in column {self._reference!r} started again "
            f"{times(self.turns)}; that was added"
        ]
