"""Frames of a log that tells how long each took."""

from __future__ import annotations

import math

import numpy as np

from harness.frames.account import NO_TIME, Account
from harness.frames.batch import Batch, CleanBatch, Floats
from harness.frames.mapping import ColumnMapping
from harness.frames.quantities import Quantities
from harness.frames.sums import RunningSum


class IntervalFrames:
    """Makes frames of batch after batch of one log.

    Attributes:
        total_ms: What the frames add up to.
        last_ms: The last one.
    """

    def __init__(
        self, mapping: ColumnMapping, account: Account, quantities: Quantities, *, want_times: bool
    ) -> None:
        self._mapping = mapping
        self._account = account
        self._quantities = quantities
        self._want_times = want_times
        self.total_ms = 0.0
        self.last_ms = 0.0
        self._pending_ms: list[float] = []  # time of frames left out that the next frame takes over
        self._elapsed = RunningSum()
        self._latest_ms = 0.0
        self._last_place = 0.0

    def frames(self, batch: Batch) -> CleanBatch:
        """The frames of the next rows."""
        interval_ms = batch.interval_ms
        assert interval_ms is not None
        if batch.damage is not None:
            interval_ms = np.where(batch.damage, 0.0, interval_ms)
        lengths = self._merged(interval_ms, batch)
        if len(lengths):
            self.total_ms += float(np.sum(lengths))
            self.last_ms = float(lengths[-1])
        t_s = self._ends_s(interval_ms, batch.time)
        positive = lengths > 0
        if len(lengths) == batch.rows.count and positive.all():
            return CleanBatch(t_s, lengths, batch.kept(self._mapping.keep_columns, None))
        self._account.fault(NO_TIME, ~positive)
        chosen = np.flatnonzero(batch.shown)[positive]
        return CleanBatch(
            t_s[chosen] if len(t_s) else t_s,
            lengths[positive],
            batch.kept(self._mapping.keep_columns, chosen),
        )

    def _merged(self, interval_ms: Floats, batch: Batch) -> Floats:
        """Each shown frame's time plus that of the frames left out just before it."""
        if not self._pending_ms and batch.shown.all():
            return interval_ms
        ends = np.flatnonzero(batch.shown)
        if not len(ends):
            self._pending_ms.append(math.fsum(interval_ms))
            return np.empty(0)
        starts = np.concatenate(([0], ends[:-1] + 1))
        lengths: Floats = np.add.reduceat(interval_ms[: ends[-1] + 1], starts)
        lengths[0] += math.fsum(self._pending_ms)
        tail = interval_ms[ends[-1] + 1 :]
        self._pending_ms = [math.fsum(tail)] if len(tail) else []
        return lengths

    def _ends_s(self, interval_ms: Floats, time: Floats | None) -> Floats:
        """Ends in log time of all rows, those left out included: they take time too."""
        if not self._want_times:
            return np.empty(0)
        if time is not None:
            return self._quantities.log_time_s(self._placed(time, interval_ms))
        start_ms = self._elapsed.value
        self._elapsed.add(float(np.sum(interval_ms)))
        # The sum carried along may round below the last batch's end; no frame ends before the one before.
        ends_ms = np.maximum(start_ms + np.cumsum(interval_ms), self._latest_ms)
        self._latest_ms = float(ends_ms[-1]) if len(ends_ms) else self._latest_ms
        return ends_ms / 1e3

    def _placed(self, time: Floats, interval_ms: Floats) -> Floats:
        """The times; where one is missing, the last one before it and the intervals since."""
        known = np.isfinite(time)
        if known.all():
            if len(time):
                self._last_place = float(time[-1])
            return time
        per_ms = self._mapping.time_scale.units_per_s / 1e3
        run = np.cumsum(interval_ms) * per_ms
        anchor = np.where(known, time - run, -np.inf)
        anchor = np.maximum.accumulate(np.concatenate(([self._last_place], anchor)))[1:]
        placed: Floats = np.where(known, time, anchor + run)
        self._last_place = float(placed[-1])
        return placed
