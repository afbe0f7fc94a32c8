"""The mapped quantities of a batch of rows as numbers: intervals in ms, times from the log's first one on.

Times are taken relative to the log's first time before anything is added or subtracted, which keeps large
clock readings (nanoseconds since a boot or an epoch) exact.
"""

from __future__ import annotations

import numpy as np

from harness.frames.batch import Floats, Mask
from harness.frames.mapping import ColumnMapping
from harness.frames.rows import RawRows, as_numpy

LARGEST = 2.0**64  # beyond any clock in any unit, and small enough to be added up


class Quantities:
    """Reads the quantities of batch after batch of one log.

    Attributes:
        origin: The log's first readable time, in its own unit; None before one was seen.
    """

    def __init__(self, mapping: ColumnMapping, *, own_copy: bool) -> None:
        """Set up for one log.

        Args:
            mapping: What the columns hold.
            own_copy: Whether intervals will be changed in place.
        """
        self._mapping = mapping
        self._own_copy = own_copy
        self.origin: float | int | None = None

    def interval_ms(self, rows: RawRows) -> Floats | None:
        """The interval column in ms; an array of its own where something in it is to be filled in."""
        reference = self._mapping.interval_column
        if reference is None:
            return None
        values = np.asarray(as_numpy(rows.columns[reference]), np.float64)
        if reference in rows.unread:
            values = np.where(np.isnan(rows.unread[reference]), values, np.nan)
        in_ms = self._mapping.interval_scale.ms(values)
        if self._own_copy or outside(in_ms, lowest=0.0) is not None:
            return np.array(in_ms)
        return in_ms

    def time(self, rows: RawRows) -> Floats | None:
        """The time column in its own unit, from the log's first usable time on."""
        reference = self._mapping.time_column
        if reference is None:
            return None
        values = as_numpy(rows.columns[reference])
        if self.origin is None:
            usable = (values >= -LARGEST) & (values <= LARGEST)
            if rows.faults is not None:
                usable &= rows.faults == 0
            if not usable.any():
                return np.full(len(values), np.nan)
            self.origin = values[int(np.argmax(usable))].item()
        assert self.origin is not None
        relative: Floats = np.subtract(values, self.origin, dtype=np.float64)
        if values.dtype == np.int64 and isinstance(self.origin, int):
            near = np.abs(relative) < 2.0**62  # whole-number differences are exact but must not overflow
            relative[near] = values[near] - self.origin
        if rows.faults is not None and reference in rows.unread:
            relative[~np.isnan(rows.unread[reference])] = np.nan
        relative[~(np.abs(values) <= LARGEST)] = np.nan
        return relative

    def log_time_s(self, relative: Floats) -> Floats:
        """Relative times in log time, s."""
        scale = self._mapping.time_scale
        return (self.origin or 0) / scale.units_per_s + scale.s(relative)


def outside(values: Floats, lowest: float) -> Mask | None:
    """Where there is no number from ``lowest`` to ``LARGEST``; None where all are (without a copy)."""
    least = max(lowest, -LARGEST)
    if not len(values) or (float(values.min()) >= least and float(values.max()) <= LARGEST):
        return None
    bad: Mask = ~((values >= least) & (values <= LARGEST))
    return bad
