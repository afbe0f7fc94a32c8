"""Rows that can't be used, and what the other column tells of them.

An unreadable row is no frame, but most likely it was a *long* one (``####``, ``1,200.5``, an overflow). Where
a time column tells its length, that is taken. Else the rows are doubtful: looked at once more with
``settled``, each becomes the longest frame that it may have been, and each contradiction between interval and
time is settled the other way. What moves then is how far the figures are open.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from harness.frames.account import NEGATIVE, NOT_FINITE, Account
from harness.frames.agreement import Agreement, Steps
from harness.frames.batch import Batch, Floats, Mask
from harness.frames.mapping import ColumnMapping
from harness.frames.quantities import outside
from harness.frames.rows import CUT_OFF, EMPTY, FAULTS, ROW_IS_LOST

#: A frame of unknown length may have been this long; longer ones are pauses, which are seen as such
#: (chosen here, no source).
UNKNOWN_FRAME_MS = 1000.0


@dataclass(frozen=True)
class Settled:
    """What a first look at the whole log found, for a second one that settles each doubt for the worst.

    Attributes:
        agreement: Of interval and time.
        last_inside: Data row of the last row of the table.
    """

    agreement: Agreement
    last_inside: int


class Damage:
    """Finds and counts the rows of batch after batch that can't be used; repairs what can be repaired.

    Attributes:
        agreement: Of interval and time so far.
    """

    def __init__(self, mapping: ColumnMapping, account: Account, settled: Settled | None) -> None:
        self._mapping = mapping
        self._account = account
        self._settled = settled
        self.agreement = Agreement(None if settled is None else settled.agreement.resolution_ms)
        self._missing_since = 0  # rows without an interval after the last readable time

    def find(self, batch: Batch, none_shown: Mask | None, origin: float) -> Mask | None:
        """Rows that can't be used, counted by reason; None when there are none. Repairs ``interval_ms``.

        Args:
            batch: With its quantities.
            none_shown: Rows that are left out by a flag: a time or an interval of theirs may be missing.
            origin: The log's first time, in its own unit.
        """
        rows, interval_ms, time = batch.rows, batch.interval_ms, batch.time
        lost = None if rows.faults is None else np.isin(rows.faults, ROW_IS_LOST)
        bad_interval = None if interval_ms is None else outside(interval_ms, lowest=0.0)
        bad_time = None if time is None else outside(time, lowest=-np.inf)
        if interval_ms is not None and time is not None:
            told = self._compare(batch, interval_ms, time, (bad_interval, bad_time, lost), none_shown, origin)
            if bad_interval is not None:
                bad_interval = bad_interval & ~told
            bad_time = None  # the place follows from the intervals
        bad = [mask for mask in (lost, bad_interval, bad_time) if mask is not None]
        if not bad:
            return None
        damage: Mask = np.logical_or.reduce(bad)
        if none_shown is not None:
            damage &= ~self._excused(batch, none_shown, bad_interval, lost)
        if not damage.any():
            return None
        self._count(batch, damage)
        if self._settled is not None and time is None and interval_ms is not None:
            inside = batch.numbers.all <= self._settled.last_inside
            return self._as_long_frames(batch, interval_ms, damage & inside) | (damage & ~inside)
        return damage

    def _excused(self, batch: Batch, none_shown: Mask, bad_interval: Mask | None, lost: Mask | None) -> Mask:
        """Rows left out by a flag that lack a time or an interval: the next row's spans them.

        An interval that stands there and can't be read is damage all the same: what it said is unknown.
        """
        excused: Mask = none_shown & (True if lost is None else ~lost)
        if bad_interval is None or batch.interval_ms is None:
            return excused
        reference, unread = self._mapping.interval_column or "", batch.rows.unread
        faults = batch.rows.faults
        empty = np.zeros(batch.rows.count, bool) if faults is None else faults == EMPTY
        if reference in unread:
            empty &= ~np.isnan(unread[reference])
        batch.interval_ms[excused & bad_interval & empty] = 0.0
        excused &= empty | ~bad_interval
        return excused

    def _count(self, batch: Batch, damage: Mask) -> None:
        rows, interval_ms = batch.rows, batch.interval_ms
        reasons: list[tuple[str, Mask]] = []
        if rows.faults is not None:
            codes = np.unique(rows.faults[rows.faults > 0])
            reasons += [(FAULTS[code], rows.faults == code) for code in codes]
        if interval_ms is not None:
            reasons.append((NEGATIVE, interval_ms < 0))
        reasons.append((NOT_FINITE, damage))
        left = damage.copy()
        for reason, found in reasons:
            new = found & left
            self._account.fault(reason, new)
            left &= ~new
        if not self._account.first_damage:
            place = int(np.argmax(damage))
            reason = next(reason for reason, found in reasons if found[place])
            sample = f" ({rows.sample!r})" if rows.sample and reason in FAULTS else ""
            self._account.first_damage = f"data row {batch.numbers[place]}: {reason}{sample}"

    def _as_long_frames(self, batch: Batch, interval_ms: Floats, damage: Mask) -> Mask:
        """Gives unreadable rows the length that they may have had; what stays damaged."""
        rows, reference = batch.rows, self._mapping.interval_column
        long_ms = np.full(rows.count, UNKNOWN_FRAME_MS)
        if reference is not None and reference in rows.unread:
            said_ms = self._mapping.interval_scale.ms(rows.unread[reference])
            long_ms = np.where(np.isfinite(said_ms), said_ms, long_ms)
        cut_off = damage & (rows.faults == CUT_OFF) if rows.faults is not None else np.zeros(rows.count, bool)
        interval_ms[damage & ~cut_off] = long_ms[damage & ~cut_off]
        return cut_off

    def _compare(
        self,
        batch: Batch,
        interval_ms: Floats,
        time: Floats,
        bad: tuple[Mask | None, Mask | None, Mask | None],
        none_shown: Mask | None,
        origin: float,
    ) -> Mask:
        """Hold intervals against times; each tells what the other lacks. Rows whose interval was told."""
        bad_interval, bad_time, lost = bad
        count = len(interval_ms)
        told: Mask = np.zeros(count, bool)
        if not count:
            return told
        no_interval: Mask = np.zeros(count, bool) if bad_interval is None else bad_interval
        gone: Mask = np.zeros(count, bool) if lost is None else lost
        known_ms = interval_ms if bad_interval is None and lost is None else interval_ms.copy()
        if known_ms is not interval_ms:
            known_ms[no_interval | gone] = 0.0
        time_ms = self._mapping.time_scale.ms(time)
        if gone.any():
            time_ms = np.where(gone, np.nan, time_ms)
        agreement = self.agreement
        noise = 2 * math.ulp(abs(origin) + 1)
        agreement.look_at(time, 1e3 / self._mapping.time_scale.units_per_s, noise)
        steps = agreement.steps(time_ms, known_ms)
        agreement.count(steps, batch.numbers, ~no_interval)
        if self._settled is not None and self._settled.agreement.one_quantity:
            ends = self._settled.agreement.ends
            differs = agreement.differing(steps, ends) | no_interval[steps.rows]
            places = steps.rows[differs]
            interval_ms[no_interval] = 0.0
            interval_ms[places] = np.maximum(known_ms[places] + steps.excess_ms(ends)[differs], 0.0)
            told[places] = no_interval[places]
            return told
        shown = True if none_shown is None else ~none_shown
        if self._mapping.presentation_time_column is not None and (missing := no_interval | gone).any():
            told = self._tell_intervals(interval_ms, np.isfinite(time_ms), missing, steps) & ~gone
            self._account.repair(told & shown, batch.numbers)
        elif np.isfinite(time_ms).any():
            self._missing_since = 0
        if bad_time is not None:
            self._account.repair(bad_time & ~gone & ~no_interval & shown, batch.numbers)
        return told

    def _tell_intervals(self, interval_ms: Floats, timed: Mask, missing: Mask, steps: Steps) -> Mask:
        """The one interval that is missing in a step of the clock is what is left of it; rows so told."""
        told: Mask = np.zeros(len(interval_ms), bool)
        before = np.cumsum(missing)
        since = np.where(steps.begins < 0, -self._missing_since, before[steps.begins])
        excess_ms = steps.excess_ms(True)
        whole = missing[steps.rows] & (before[steps.rows] - since == 1) & (excess_ms >= 0)
        places = steps.rows[whole]
        interval_ms[places] = excess_ms[whole]
        told[places] = True
        last = np.flatnonzero(timed)
        self._missing_since = (
            int(before[-1] - before[last[-1]]) if len(last) else self._missing_since + int(before[-1])
        )
        return told
