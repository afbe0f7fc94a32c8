"""From raw rows to frames, with an account: every row becomes a frame, is left out as the mapping asks, or is
counted as a fault; the latter two are kept apart, so that nobody has to tell them by their words.

The arithmetic works on batches and carries its state from one to the next, so a log of any length is
cleaned in bounded memory. Times are taken relative to the log's first time before anything is added or
subtracted, which keeps large clock readings (nanoseconds since a boot or an epoch) exact.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from harness.errors import FrameLogError
from harness.frames.agreement import LEAST_ROWS, Agreement, Steps
from harness.frames.edges import ABOVE, BELOW, TableEdges
from harness.frames.mapping import FALSE_WORDS, TRUE_WORDS, ColumnMapping
from harness.frames.rows import (
    CUT_OFF,
    FAULTS,
    HEADER_AGAIN,
    LINE_OF_WORDS,
    OTHER_HEADER,
    UNREADABLE,
    WORDS_ONLY,
    WRONG_FIELDS,
    RawRows,
    as_numpy,
    number_references,
    pick_rows,
)
from harness.frames.sums import RunningSum

OTHER_PROCESS = "other process"
NOT_FINITE = "not a finite number"
NEGATIVE = "negative frame time"
NO_TIME = "no time since the frame before"
FIRST = "first row: no frame before it"
LAST = "last row: its end is not in the log"
AFTER_DAMAGE = "frame time spans an unreadable row"
NOT_SHOWN = "not shown; its time counts to the next frame"
GENERATED = "interpolated; its time counts to the next frame"
LARGEST = 2.0**64  # beyond any clock in any unit, and small enough to be added up
HEADER = FAULTS[HEADER_AGAIN]
DAMAGE = frozenset((*FAULTS[1:], NOT_FINITE, NEGATIVE))
#: A frame of unknown length may have been this long; longer ones are pauses, which are seen as such
#: (chosen here, no source).
UNKNOWN_FRAME_MS = 1000.0
#: Rows whose times rise by exactly 1 that are no chance (chosen here, no source).
LEAST_COUNTED = 100
#: Relative difference of interval and time, over the whole log, above which it is refused.
CONTRADICTION = 0.01
_ROW_IS_LOST = (WRONG_FIELDS, CUT_OFF, UNREADABLE, WORDS_ONLY, LINE_OF_WORDS)


@dataclass(frozen=True)
class CleanBatch:
    """Frames in order.

    Attributes:
        t_s: End of each frame in log time, s; empty where the times are not wanted.
        frametime_ms: Length of each frame, ms, positive.
        kept: Further columns asked for, each as long as the frames.
    """

    t_s: NDArray[np.float64]
    frametime_ms: NDArray[np.float64]
    kept: Mapping[str, pa.Array]


class Cleaner:
    """Cleans batch after batch of one log. ``faults`` and ``left_out`` are complete after :meth:`finish`.

    An unreadable row is no frame, but most likely it was a *long* one (``####``, ``1,200.5``, an overflow).
    Where a time column tells its length, that is taken. Else the rows are doubtful: cleaned once more with
    ``worst``, each becomes the longest frame that it may have been, and each contradiction between interval
    and time is settled the other way. What moves then is how far the figures are open.
    """

    def __init__(
        self, path: Path, mapping: ColumnMapping, *, want_times: bool = True, worst: Cleaner | None = None
    ) -> None:
        """Set up for one log.

        Args:
            path: For messages.
            mapping: What the columns hold.
            want_times: Without, the batches' ``t_s`` is empty, which saves its cost.
            worst: A cleaner that has read this log to its end: its doubts are now settled for the worst.
        """
        self._want_times = want_times
        self._path = path
        self._mapping = mapping
        self._worst = worst
        self.rows_read = 0
        self.frames = 0
        self.faults: Counter[str] = Counter()  # rows that can't be used, by reason
        self.left_out: Counter[str] = Counter()  # rows that the mapping leaves out, or that are no frames
        self.mended = 0  # rows whose missing interval or time the other column told
        self.agreement: Agreement = Agreement(None if worst is None else worst.agreement.resolution_ms)
        self._first_damage: str = ""
        self._origin: float | int | None = None
        self._previous: float | None = None  # time of the last usable row, relative to the origin
        self._held: dict[str, pa.Array] | None = None  # kept columns of the row whose end is still to come
        self._held_shown = False
        self._frame_began: float | None = None
        self._damaged_start = False
        self._damaged_before = False
        self._pending_ms: list[float] = []  # time of frames left out that the next frame takes over
        self._missing_since = 0  # rows without an interval after the last readable time
        self._first_mended = ""
        self._elapsed = RunningSum()
        self._latest_ms = 0.0
        self._last_place = 0.0
        self._seen_values: Counter[str] = Counter()
        self._flag_values: dict[str, Counter[str]] = {}
        self._edges = TableEdges()
        self._began = False
        self._counts_rows = True  # so far each time is the one before plus 1
        self._quantities = list(number_references(mapping))
        self._more_notes: list[Callable[[], list[str]]] = []

    @property
    def doubtful(self) -> bool:
        """Whether rows could not be read, or contradict each other, so that the figures are open."""
        lost = any(self.faults[reason] for reason in (*DAMAGE, AFTER_DAMAGE) if reason != FAULTS[CUT_OFF])
        differ = self.agreement.one_quantity and self.agreement.differ[self.agreement.ends] > 0
        return lost or differ

    @property
    def last_inside(self) -> int:
        """Data row of the last row of the table; what is below is no frame."""
        return self._edges.last if self.left_out[BELOW] else self.rows_read

    def clean(self, rows: RawRows) -> CleanBatch:
        """Frames of the next rows. Raises FrameLogError where time runs backwards or too much is damaged."""
        first = self.rows_read + 1
        row_numbers = np.arange(first, first + rows.count)
        self.rows_read += rows.count
        if self._mapping.filter_column is not None:
            ours = np.flatnonzero(self._ours(rows, self._mapping.filter_column))
            row_numbers = ours + first
            rows = pick_rows(rows, ours)
        if rows.faults is not None:
            rows, row_numbers = self._without_headers(rows, row_numbers)
        rows, row_numbers = self._within_edges(rows, row_numbers)
        interval_ms = self._interval(rows)
        if (
            interval_ms is not None
            and self._mapping.time_column is None
            and self._first_is_none(rows, interval_ms)
        ):
            self.left_out[FIRST] += 1
            rows, row_numbers, interval_ms = (
                pick_rows(rows, np.arange(1, rows.count)),
                row_numbers[1:],
                interval_ms[1:],
            )
        time = self._relative_time(rows)
        flagged = list(self._flagged(rows))
        for _, mask in flagged:
            if rows.faults is not None:
                mask &= ~np.isin(rows.faults, _ROW_IS_LOST)
        none_shown = np.logical_or.reduce([mask for _, mask in flagged]) if flagged else None
        damage = self._damage(rows, interval_ms, time, none_shown, row_numbers)
        shown = np.ones(rows.count, bool) if damage is None else ~damage
        for reason, mask in flagged:
            left_out = mask & shown
            self.left_out[reason] += int(np.count_nonzero(left_out))
            shown &= ~left_out
        if interval_ms is not None:
            if time is not None:
                timed = np.isfinite(time) if damage is None else np.isfinite(time) & ~damage
                self._steps(time, np.flatnonzero(shown & timed), row_numbers)
            batch = self._from_intervals(rows, interval_ms, time, damage, shown)
        else:
            assert time is not None
            usable = np.isfinite(time) if damage is None else np.isfinite(time) & ~damage
            batch = self._from_times(rows, time, damage, shown & usable, usable, row_numbers)
        self.frames += len(batch.frametime_ms)
        self._stop_if_hopeless(final=False)
        return batch

    def finish(self) -> None:
        """Close the account. Raises FrameLogError when too much of the log was damaged or nothing is left."""
        if self._mapping.filter_column is not None and self.rows_read == self.left_out[OTHER_PROCESS] > 0:
            values = ", ".join(f"{v!r} ({n} rows)" for v, n in self._seen_values.most_common(8))
            raise FrameLogError(
                f"{self._path}: no row has {' or '.join(map(repr, self._mapping.filter_values))} in column "
                f"{self._mapping.filter_column!r}; values there: {values}; set filter_value to one of these"
            )
        if self._held_shown:
            self.left_out[LAST] += 1
            self._held_shown = False
        self._settle_below()
        self._stop_if_hopeless(final=True)
        self._stop_if_too_coarse()
        self._stop_if_frame_numbers()
        self._stop_if_contradictory()

    def add_notes(self, notes: Callable[[], list[str]]) -> None:
        """Let another stage of the reading add to :meth:`notes`, once the log has been read."""
        self._more_notes.append(notes)

    def set_aside(self, reason: str, count: int) -> None:
        """Account for rows that never reached :meth:`clean`."""
        self.left_out[reason] += count
        self.rows_read += count

    def notes(self) -> list[str]:
        """What a person should know of this log, in sentences."""
        notes = []
        damaged = sum(self.faults[reason] for reason in DAMAGE)
        if damaged:
            rows = "1 unreadable row was" if damaged == 1 else f"{damaged} unreadable rows were"
            notes.append(f"{rows} left out; first: {self._first_damage}")
            if self._mapping.time_column is None:
                notes.append("the time axis is short by those rows, as their frame times are unknown")
        if self.mended:
            rows = "1 row was" if self.mended == 1 else f"{self.mended} rows were"
            notes.append(
                f"{rows} mended: the missing interval or time follows from the other column; "
                f"first: {self._first_mended}"
            )
        notes += self._edges.note(self.left_out[BELOW])
        if self.left_out[HEADER]:
            times = "once" if self.left_out[HEADER] == 1 else f"{self.left_out[HEADER]} times"
            notes.append(f"the header stands {times} more inside the log: it may hold several runs")
        if said := self.agreement.sentence():
            notes.append(said)
        if self.agreement.untimed_rows:
            notes.append(
                f"the last {self.agreement.untimed_rows} rows have no time of their own: nothing checks them"
            )
        if self.faults[NO_TIME]:
            notes.append(f"{self.faults[NO_TIME]} rows: {NO_TIME}")
        flags = (NOT_SHOWN, GENERATED)
        notes += [f"{self.left_out[r]} frames: {r}" for r in flags if self.left_out[r]]
        for key, seen in self._flag_values.items():
            listed = ", ".join(repr(value) for value, _ in seen.most_common(6))
            if key in self._flags_unmet:
                notes.append(f"no row has one of {key}; values there: {listed}")
        return notes + [note for more in self._more_notes for note in more()]

    @property
    def _flags_unmet(self) -> list[str]:
        met = {"dropped_values": self.left_out[NOT_SHOWN], "generated_values": self.left_out[GENERATED]}
        return [key for key, count in met.items() if not count and key in self._flag_values]

    def _without_headers(
        self, rows: RawRows, row_numbers: NDArray[np.int64]
    ) -> tuple[RawRows, NDArray[np.int64]]:
        """The rows less repeated headers, which are no frames. Raises FrameLogError for another header."""
        assert rows.faults is not None
        if (rows.faults == OTHER_HEADER).any():
            row = row_numbers[int(np.argmax(rows.faults == OTHER_HEADER))]
            raise FrameLogError(
                f"{self._path}: data row {row} is a second header with other columns ({rows.sample!r}): "
                "the file holds two logs; split it, and read each with its own mapping"
            )
        again = rows.faults == HEADER_AGAIN
        if not again.any():
            return rows, row_numbers
        self.left_out[HEADER] += int(np.count_nonzero(again))
        kept = np.flatnonzero(~again)
        return pick_rows(rows, kept), row_numbers[kept]

    def _within_edges(
        self, rows: RawRows, row_numbers: NDArray[np.int64]
    ) -> tuple[RawRows, NDArray[np.int64]]:
        """The rows less those above the table; those below it are known at the end only."""
        if above := self._edges.above(rows, self._quantities):
            self.left_out[ABOVE] += above
            rows, row_numbers = pick_rows(rows, np.arange(above, rows.count)), row_numbers[above:]
        self._edges.count_below(rows, self._quantities, row_numbers)
        return rows, row_numbers

    def _first_is_none(self, rows: RawRows, interval_ms: NDArray[np.float64]) -> bool:
        """Whether the log's first interval is negative or no number: nothing came before it."""
        if self._began or not rows.count:
            return False
        self._began = True
        return not interval_ms[0] >= 0 and (rows.faults is None or not rows.faults[0])

    def _settle_below(self) -> None:
        """Rows below the table were counted as damage until it was known that no frame follows."""
        for reason, count in self._edges.below().items():
            self.left_out[BELOW] += min(count, self.faults[reason])
            self.faults[reason] -= min(count, self.faults[reason])

    def _ours(self, rows: RawRows, filter_column: str) -> NDArray[np.bool_]:
        """Rows of the wanted process, and those too damaged to tell whose they are."""
        column = pc.utf8_trim_whitespace(_words(rows.columns[filter_column]))
        ours = _is_one_of(column, self._mapping.filter_values)
        if rows.faults is not None:
            ours |= (rows.faults != 0) & column.is_null().to_numpy(zero_copy_only=False)
        self.left_out[OTHER_PROCESS] += int(len(ours) - np.count_nonzero(ours))
        if self.frames == 0 and len(self._seen_values) < 1000:
            for entry in pc.value_counts(column).to_pylist():
                self._seen_values[str(entry["values"])] += entry["counts"]
        return ours

    def _interval(self, rows: RawRows) -> NDArray[np.float64] | None:
        """The interval column in ms."""
        reference = self._mapping.interval_column
        if reference is None:
            return None
        values = np.asarray(as_numpy(rows.columns[reference]), np.float64)
        if reference in rows.unread:
            values = np.where(np.isnan(rows.unread[reference]), values, np.nan)
        in_ms = self._mapping.interval_scale.ms(values)
        if self._worst is not None or _bad(in_ms, lowest=0.0) is not None:
            return np.array(in_ms)  # its own copy: what is missing may be filled in
        return in_ms

    def _relative_time(self, rows: RawRows) -> NDArray[np.float64] | None:
        """The time column in its own unit, from the log's first usable time on."""
        reference = self._mapping.time_column
        if reference is None:
            return None
        values = as_numpy(rows.columns[reference])
        if self._origin is None:
            usable = (values >= -LARGEST) & (values <= LARGEST)
            if rows.faults is not None:
                usable &= rows.faults == 0
            if not usable.any():
                return np.full(len(values), np.nan)
            self._origin = values[int(np.argmax(usable))].item()
        assert self._origin is not None
        relative: NDArray[np.float64] = np.subtract(values, self._origin, dtype=np.float64)
        if values.dtype == np.int64 and isinstance(self._origin, int):
            near = np.abs(relative) < 2.0**62  # whole-number differences are exact but must not overflow
            relative[near] = values[near] - self._origin
        if rows.faults is not None and reference in rows.unread:
            relative[~np.isnan(rows.unread[reference])] = np.nan
        relative[~(np.abs(values) <= LARGEST)] = np.nan
        return relative

    def _damage(
        self,
        rows: RawRows,
        interval_ms: NDArray[np.float64] | None,
        time: NDArray[np.float64] | None,
        none_shown: NDArray[np.bool_] | None,
        row_numbers: NDArray[np.int64],
    ) -> NDArray[np.bool_] | None:
        """Rows that can't be used, counted by reason; None when there are none. Mends ``interval_ms``."""
        lost = None
        if rows.faults is not None:
            lost = np.isin(rows.faults, _ROW_IS_LOST)
        bad_interval = None if interval_ms is None else _bad(interval_ms, lowest=0.0)
        bad_time = None if time is None else _bad(time, lowest=-np.inf)
        if interval_ms is not None and time is not None:
            told = self._compare(interval_ms, time, bad_interval, bad_time, lost, none_shown, row_numbers)
            if bad_interval is not None:
                bad_interval = bad_interval & ~told
            bad_time = None  # the place follows from the intervals
        bad = [mask for mask in (lost, bad_interval, bad_time) if mask is not None]
        if not bad:
            return None
        damage: NDArray[np.bool_] = np.logical_or.reduce(bad)
        if none_shown is not None:
            damage &= ~none_shown | (False if lost is None else lost)
        if not damage.any():
            return None
        reasons: list[tuple[str, NDArray[np.bool_]]] = []
        if rows.faults is not None:
            codes = np.unique(rows.faults[rows.faults > 0])
            reasons += [(FAULTS[code], rows.faults == code) for code in codes]
        if interval_ms is not None:
            reasons.append((NEGATIVE, interval_ms < 0))
        reasons.append((NOT_FINITE, damage))
        left = damage.copy()
        for reason, found in reasons:
            new = found & left
            self.faults[reason] += int(np.count_nonzero(new))
            left &= ~new
        if not self._first_damage:
            place = int(np.argmax(damage))
            reason = next(reason for reason, found in reasons if found[place])
            sample = f" ({rows.sample!r})" if rows.sample and reason in FAULTS else ""
            self._first_damage = f"data row {row_numbers[place]}: {reason}{sample}"
        if self._worst is not None and time is None and interval_ms is not None:
            inside = row_numbers <= self._worst.last_inside
            return self._as_long_frames(rows, interval_ms, damage & inside) | (damage & ~inside)
        return damage

    def _as_long_frames(
        self, rows: RawRows, interval_ms: NDArray[np.float64], damage: NDArray[np.bool_]
    ) -> NDArray[np.bool_]:
        """Gives unreadable rows the length that they may have had; what stays damaged."""
        reference = self._mapping.interval_column
        long_ms = np.full(rows.count, UNKNOWN_FRAME_MS)
        if reference is not None and reference in rows.unread:
            said_ms = self._mapping.interval_scale.ms(rows.unread[reference])
            long_ms = np.where(np.isfinite(said_ms), said_ms, long_ms)
        cut_off = damage & (rows.faults == CUT_OFF) if rows.faults is not None else np.zeros(rows.count, bool)
        interval_ms[damage & ~cut_off] = long_ms[damage & ~cut_off]
        return cut_off

    def _compare(
        self,
        interval_ms: NDArray[np.float64],
        time: NDArray[np.float64],
        bad_interval: NDArray[np.bool_] | None,
        bad_time: NDArray[np.bool_] | None,
        lost: NDArray[np.bool_] | None,
        none_shown: NDArray[np.bool_] | None,
        row_numbers: NDArray[np.int64],
    ) -> NDArray[np.bool_]:
        """Hold intervals against times; each tells what the other lacks. Rows whose interval was told."""
        count = len(interval_ms)
        told = np.zeros(count, bool)
        if not count:
            return told
        no_interval = np.zeros(count, bool) if bad_interval is None else bad_interval
        gone = np.zeros(count, bool) if lost is None else lost
        known_ms = interval_ms if bad_interval is None and lost is None else interval_ms.copy()
        if known_ms is not interval_ms:
            known_ms[no_interval | gone] = 0.0
        time_ms = self._mapping.time_scale.ms(time)
        if gone.any():
            time_ms = np.where(gone, np.nan, time_ms)
        agreement = self.agreement
        noise = 2 * math.ulp(abs(float(self._origin or 0)) + 1)
        agreement.look_at(time, 1e3 / self._mapping.time_scale.units_per_s, noise)
        steps = agreement.steps(time_ms, known_ms)
        agreement.count(steps, row_numbers, ~no_interval)
        if self._worst is not None and self._worst.agreement.one_quantity:
            ends = self._worst.agreement.ends
            differs = agreement.differing(steps, ends) | no_interval[steps.rows]
            places = steps.rows[differs]
            interval_ms[no_interval] = 0.0
            interval_ms[places] = np.maximum(known_ms[places] + steps.excess_ms(ends)[differs], 0.0)
            told[places] = no_interval[places]
            return told
        if self._mapping.presentation_time_column is not None and (missing := no_interval | gone).any():
            told = self._tell_intervals(interval_ms, np.isfinite(time_ms), missing, steps) & ~gone
            self._count_mended(told if none_shown is None else told & ~none_shown, row_numbers)
        elif np.isfinite(time_ms).any():
            self._missing_since = 0
        if bad_time is not None:
            untold = bad_time & ~gone & ~no_interval
            self._count_mended(untold if none_shown is None else untold & ~none_shown, row_numbers)
        return told

    def _tell_intervals(
        self,
        interval_ms: NDArray[np.float64],
        timed: NDArray[np.bool_],
        missing: NDArray[np.bool_],
        steps: Steps,
    ) -> NDArray[np.bool_]:
        """The one interval that is missing in a step of the clock is what is left of it; rows so told."""
        told = np.zeros(len(interval_ms), bool)
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

    def _count_mended(self, rows: NDArray[np.bool_], row_numbers: NDArray[np.int64]) -> None:
        count = int(np.count_nonzero(rows))
        if count and not self.mended:
            self._first_mended = f"data row {row_numbers[int(np.argmax(rows))]}"
        self.mended += count

    def _flagged(self, rows: RawRows) -> Iterator[tuple[str, NDArray[np.bool_]]]:
        """Rows that a flag column leaves out, by reason. Raises FrameLogError for values that say nothing."""
        mapping = self._mapping
        flags = [(NOT_SHOWN, "dropped", mapping.dropped_column, mapping.dropped_values)]
        if mapping.generated_frames == "leave-out":
            flags.append((GENERATED, "generated", mapping.generated_column, mapping.generated_values))
        for reason, kind, reference, words in flags:
            if reference is not None:
                column = pc.utf8_lower(pc.utf8_trim_whitespace(_words(rows.columns[reference])))
                self._know_flags(kind, reference, column, rows)
                yield reason, _is_one_of(column, [word.lower() for word in words])

    def _know_flags(self, kind: str, reference: str, column: pa.Array, rows: RawRows) -> None:
        """Keep the values of a flag column; with the usual words for yes, all must be a yes or a no."""
        key = f"{kind}_values"
        seen = self._flag_values.setdefault(key, Counter())
        if rows.faults is not None:
            column = column.filter(pa.array(~np.isin(rows.faults, _ROW_IS_LOST)))
        if len(seen) < 1000:
            for entry in pc.value_counts(column).to_pylist():
                seen[str(entry["values"] or "")] += entry["counts"]
        if key in self._mapping.model_fields_set:
            return
        known = {*TRUE_WORDS, *FALSE_WORDS}
        strange = [value for value in seen if value not in known]
        if strange:
            listed = ", ".join(f"{value!r} ({count} rows)" for value, count in seen.most_common(8))
            raise FrameLogError(
                f"{self._path}: column {reference!r} ({kind}_column) holds values that mean neither "
                f"yes nor no: {listed}; set {key} to those that mark such a frame"
            )

    def _from_intervals(
        self,
        rows: RawRows,
        interval_ms: NDArray[np.float64],
        time: NDArray[np.float64] | None,
        damage: NDArray[np.bool_] | None,
        shown: NDArray[np.bool_],
    ) -> CleanBatch:
        if damage is not None:
            interval_ms = np.where(damage, 0.0, interval_ms)
        lengths = self._merge(interval_ms, shown)
        t_s = self._interval_times(interval_ms, time)
        positive = lengths > 0
        if len(lengths) == rows.count and positive.all():
            return CleanBatch(t_s, lengths, self._kept(rows, None))
        self.faults[NO_TIME] += int(np.count_nonzero(~positive))
        chosen = np.flatnonzero(shown)[positive]
        return CleanBatch(t_s[chosen] if len(t_s) else t_s, lengths[positive], self._kept(rows, chosen))

    def _interval_times(
        self, interval_ms: NDArray[np.float64], time: NDArray[np.float64] | None
    ) -> NDArray[np.float64]:
        """Ends in log time of all rows, those left out included: they take time too."""
        if not self._want_times:
            return np.empty(0)
        if time is not None:
            return self._log_time(self._placed(time, interval_ms))
        start_ms = self._elapsed.value
        self._elapsed.add(float(np.sum(interval_ms)))
        # The sum carried along may round below the last batch's end; no frame ends before the one before.
        ends_ms = np.maximum(start_ms + np.cumsum(interval_ms), self._latest_ms)
        self._latest_ms = float(ends_ms[-1]) if len(ends_ms) else self._latest_ms
        return ends_ms / 1e3

    def _placed(self, time: NDArray[np.float64], interval_ms: NDArray[np.float64]) -> NDArray[np.float64]:
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
        placed: NDArray[np.float64] = np.where(known, time, anchor + run)
        self._last_place = float(placed[-1])
        return placed

    def _merge(self, interval_ms: NDArray[np.float64], shown: NDArray[np.bool_]) -> NDArray[np.float64]:
        """Each shown frame's time plus that of the frames left out just before it."""
        if shown.all() and not self._pending_ms:
            return interval_ms
        ends = np.flatnonzero(shown)
        if not len(ends):
            self._pending_ms.append(math.fsum(interval_ms))
            return np.empty(0)
        starts = np.concatenate(([0], ends[:-1] + 1))
        lengths = np.add.reduceat(interval_ms[: ends[-1] + 1], starts)
        lengths[0] += math.fsum(self._pending_ms)
        tail = interval_ms[ends[-1] + 1 :]
        self._pending_ms = [math.fsum(tail)] if len(tail) else []
        return lengths

    def _from_times(
        self,
        rows: RawRows,
        time: NDArray[np.float64],
        damage: NDArray[np.bool_] | None,
        shown: NDArray[np.bool_],
        usable: NDArray[np.bool_],
        row_numbers: NDArray[np.int64],
    ) -> CleanBatch:
        if self._mapping.start_time_column is not None:
            return self._from_starts(rows, time, damage, shown, usable, row_numbers)
        chosen = np.flatnonzero(shown)
        after_damage = self._after_damage(damage, chosen)
        times = time[chosen]
        if not len(times):
            return CleanBatch(np.empty(0), np.empty(0), self._kept(rows, chosen))
        starts_log = self._previous is None
        lengths = self._steps(time, chosen, row_numbers)
        if starts_log:
            self.left_out[FIRST] += 1
            after_damage[0] = False
        return self._timed(times, lengths, after_damage, starts_log, self._kept(rows, chosen))

    def _from_starts(
        self,
        rows: RawRows,
        time: NDArray[np.float64],
        damage: NDArray[np.bool_] | None,
        shown: NDArray[np.bool_],
        usable: NDArray[np.bool_],
        row_numbers: NDArray[np.int64],
    ) -> CleanBatch:
        """A frame ends where the next row begins; the row that ends a batch waits for that.

        As everywhere, the time of a frame left out counts to the next one that is shown.
        """
        places = np.flatnonzero(usable)
        after_damage = self._after_damage(damage, places)
        kept = self._kept(rows, places)
        if not len(places):
            return CleanBatch(np.empty(0), np.empty(0), kept)
        if self._held is None:
            ended, kept_of_ended = shown[places[:-1]], {name: column[:-1] for name, column in kept.items()}
            ends, after_damage = time[places[1:]], after_damage[1:]
            self._previous = float(time[places[0]])
        else:
            ended = np.concatenate(([self._held_shown], shown[places[:-1]]))
            kept_of_ended = {
                name: pa.concat_arrays([self._held[name], column[:-1]]) for name, column in kept.items()
            }
            ends = time[places]
        self._held, self._held_shown = (
            {name: column[-1:] for name, column in kept.items()},
            bool(shown[places[-1]]),
        )
        begins = self._previous
        self._steps(time, places, row_numbers)  # refuses times that run backwards
        last = np.flatnonzero(ended)
        # Damage anywhere between two shown frames hides the time of the latter.
        damaged = np.concatenate(([self._damaged_start], after_damage)).cumsum()
        hidden = np.diff(damaged[np.concatenate(([0], last + 1))]) > 0
        if len(last):
            hidden[0] |= self._damaged_start
        self._damaged_start = bool(damaged[-1] - damaged[last[-1] + 1 if len(last) else 0] > 0) or (
            self._damaged_start and not len(last)
        )
        stops = ends[last]
        self._frame_began = begins if self._frame_began is None else self._frame_began
        lengths = np.diff(stops, prepend=self._frame_began if self._frame_began is not None else 0.0)
        if len(stops):
            self._frame_began = float(stops[-1])
        places_kept = pa.array(last)
        kept_of_ended = {name: column.take(places_kept) for name, column in kept_of_ended.items()}
        return self._timed(stops, lengths, hidden, False, kept_of_ended)

    def _timed(
        self,
        times: NDArray[np.float64],
        lengths: NDArray[np.float64],
        after_damage: NDArray[np.bool_],
        starts_log: bool,
        kept: dict[str, pa.Array],
    ) -> CleanBatch:
        """Frames that end at these times, less those without a length."""
        frametime_ms = self._mapping.time_scale.ms(lengths)
        if self._worst is not None:  # the whole time that the damage hides was one frame
            after_damage = np.zeros(len(times), bool)
        good = (frametime_ms > 0) & ~after_damage
        same = ~good & ~after_damage
        if len(same):
            same[0] &= not starts_log
        self.faults[AFTER_DAMAGE] += int(np.count_nonzero(after_damage))
        self.faults[NO_TIME] += int(np.count_nonzero(same))
        t_s = self._log_time(times[good]) if self._want_times else np.empty(0)
        mask = pa.array(good)
        return CleanBatch(
            t_s, frametime_ms[good], {name: column.filter(mask) for name, column in kept.items()}
        )

    def _steps(
        self, time: NDArray[np.float64], chosen: NDArray[np.int64], row_numbers: NDArray[np.int64]
    ) -> NDArray[np.float64]:
        """Time from the chosen row before to each (the first: none). Raises where time runs backwards."""
        times = time[chosen]
        if not len(times):
            return times
        known = self._previous is not None
        steps = np.diff(times, prepend=times[0] if self._previous is None else self._previous)
        self._counts_rows = self._counts_rows and bool((steps[0 if known else 1 :] == 1).all())
        self._previous = float(times[-1])
        if float(steps.min()) < 0:
            place = int(np.argmax(steps < 0))
            self._refuse_backwards(-float(steps[place]), int(row_numbers[chosen[place]]))
        return steps

    def _after_damage(self, damage: NDArray[np.bool_] | None, chosen: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Which of the chosen rows have an unreadable row between themselves and the chosen one before."""
        after = np.zeros(len(chosen), bool)
        if not len(chosen):
            self._damaged_before |= damage is not None and bool(damage.any())
            return after
        if damage is not None:
            after = np.diff(np.cumsum(damage)[chosen], prepend=0) > 0
        after[0] |= self._damaged_before
        self._damaged_before = damage is not None and bool(damage[chosen[-1] + 1 :].any())
        return after

    def _log_time(self, relative: NDArray[np.float64]) -> NDArray[np.float64]:
        scale = self._mapping.time_scale
        return (self._origin or 0) / scale.units_per_s + scale.s(relative)

    def _refuse_backwards(self, back: float, row: int) -> None:
        back_s = back / self._mapping.time_scale.units_per_s
        raise FrameLogError(
            f"{self._path}: data row {row}, column {self._mapping.time_column!r}: time goes back by "
            f"{back_s:.6g} s; the log holds several runs (set when_time_goes_back = 'last-run'), several "
            "processes (set filter_column and filter_value) or unordered rows (set when_time_goes_back = "
            "'sort')"
        )

    def _kept(self, rows: RawRows, chosen: NDArray[np.int64] | None) -> dict[str, pa.Array]:
        kept = {reference: rows.columns[reference] for reference in self._mapping.keep_columns}
        if chosen is None:
            return kept
        places = pa.array(chosen)
        return {reference: column.take(places) for reference, column in kept.items()}

    def _stop_if_hopeless(self, *, final: bool) -> None:
        damaged = sum(self.faults[reason] for reason in DAMAGE)
        if not damaged:
            return
        own = self.rows_read - self.left_out[OTHER_PROCESS]
        share_pct = 100.0 * damaged / own
        limit_pct = self._mapping.damaged_rows_at_most_pct
        if share_pct <= limit_pct or (not final and damaged < own and own < 1_000_000):
            return
        cut_off_only = damaged == self.faults["cut off at the end of the file"] and self.frames
        if cut_off_only:
            return
        raise FrameLogError(
            f"{self._path}: {damaged} of {own} rows can't be used ({share_pct:.3g} %, allowed "
            f"{limit_pct:g} %); first: {self._first_damage}; check delimiter, decimal and the mapped "
            "columns, or raise damaged_rows_at_most_pct"
        )

    def _stop_if_contradictory(self) -> None:
        """Refuse a log whose intervals and times, taken together, are not the same time."""
        agreement = self.agreement
        if agreement.compared < LEAST_ROWS:
            return
        ratio, interval, time = agreement.ratio, self._mapping.interval_column, self._mapping.time_column
        if not agreement.one_quantity and abs(ratio - 1) > CONTRADICTION:
            raise FrameLogError(
                f"{self._path}: the intervals in column {interval!r} add up to "
                f"{agreement.interval_sum_ms[agreement.ends] / 1e3:.6g} s, but column {time!r} advances by "
                f"{agreement.step_sum_ms / 1e3:.6g} s over the same rows: unit, time_unit or ticks_per_s is "
                "wrong, or the interval is not the whole frame's, or several processes share the log (set "
                "filter_column)"
            )
        if agreement.untimed_ms > CONTRADICTION * agreement.interval_sum_ms[agreement.ends]:
            raise FrameLogError(
                f"{self._path}: the last {agreement.untimed_rows} rows have no time in column {time!r} and "
                f"add {agreement.untimed_ms / 1e3:.6g} s: they look like totals below the table; "
                "remove them, or mark them as comments"
            )

    def _stop_if_frame_numbers(self) -> None:
        """Refuse a time column that counts rows."""
        if self._mapping.interval_column is None and self._counts_rows and self.frames >= LEAST_COUNTED:
            raise FrameLogError(
                f"{self._path}: column {self._mapping.time_column!r} rises by exactly 1 in each of "
                f"{self.frames} rows: these are frame numbers and no times; map the column of times"
            )

    def _stop_if_too_coarse(self) -> None:
        """Refuse times so large that a binary floating-point number can't tell frames apart."""
        if self._mapping.interval_column is not None or self.frames == 0:
            return
        if not isinstance(self._origin, float) or self._previous is None:
            return
        step = math.ulp(max(abs(self._origin), abs(self._origin + self._previous)))
        mean = abs(self._previous) / self.frames
        if step > 0.01 * mean:
            raise FrameLogError(
                f"{self._path}: column {self._mapping.time_column!r} holds times near "
                f"{self._origin:.6g} that are known only to "
                f"{1e3 * step / self._mapping.time_scale.units_per_s:.3g} ms; write whole numbers below "
                "2**63, or times since the start of the log"
            )


def _bad(values: NDArray[np.float64], lowest: float) -> NDArray[np.bool_] | None:
    """Where there is no number from ``lowest`` to ``LARGEST``; None where all are (without a copy)."""
    if not len(values) or (float(values.min()) >= max(lowest, -LARGEST) and float(values.max()) <= LARGEST):
        return None
    bad: NDArray[np.bool_] = ~((values >= max(lowest, -LARGEST)) & (values <= LARGEST))
    return bad


def _is_one_of(column: pa.Array, words: Sequence[str]) -> NDArray[np.bool_]:
    mask = pc.is_in(column, value_set=pa.array(list(words), pa.string())).fill_null(False)
    found: NDArray[np.bool_] = mask.to_numpy(zero_copy_only=False).astype(bool)
    return found


def _words(column: pa.Array) -> pa.Array:
    return column if pa.types.is_string(column.type) else column.cast(pa.string())
