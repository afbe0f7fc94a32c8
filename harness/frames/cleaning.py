"""From raw rows to frames, with an account: every row becomes a frame, is left out as the mapping asks, or is
counted as a fault; the latter two are kept apart, so that nobody has to tell them by their words.

The arithmetic works on batches and carries its state from one to the next, so a log of any length is
cleaned in bounded memory. Times are taken relative to the log's first time before anything is added or
subtracted, which keeps large clock readings (nanoseconds since a boot or an epoch) exact.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from harness.errors import FrameLogError
from harness.frames.mapping import ColumnMapping
from harness.frames.rows import FAULTS, RawRows, pick_rows
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
DAMAGE = frozenset((*FAULTS[1:], NOT_FINITE, NEGATIVE))


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
    """Cleans batch after batch of one log. ``faults`` and ``left_out`` are complete after :meth:`finish`."""

    def __init__(self, path: Path, mapping: ColumnMapping, *, want_times: bool = True) -> None:
        """Set up for one log; without ``want_times`` the batches' ``t_s`` is empty, which saves its cost."""
        self._want_times = want_times
        self._path = path
        self._mapping = mapping
        self.rows_read = 0
        self.frames = 0
        self.faults: Counter[str] = Counter()  # rows that can't be used, by reason
        self.left_out: Counter[str] = Counter()  # rows that the mapping leaves out, or that are no frames
        self._first_damage: str = ""
        self._origin: float | int | None = None
        self._previous: float | None = None  # time of the last usable row, relative to the origin
        self._damaged_before = False
        self._pending_ms: list[float] = []  # time of frames left out that the next frame takes over
        self._elapsed = RunningSum()
        self._latest_ms = 0.0
        self._seen_values: Counter[str] = Counter()

    def clean(self, rows: RawRows) -> CleanBatch:
        """Frames of the next rows. Raises FrameLogError where time runs backwards or too much is damaged."""
        first = self.rows_read + 1
        row_numbers: NDArray[np.int64] | range = range(first, first + rows.count)
        self.rows_read += rows.count
        if self._mapping.filter_column is not None:
            ours = np.flatnonzero(self._ours(rows, self._mapping.filter_column))
            row_numbers = ours + first
            rows = pick_rows(rows, ours)
        interval_ms = self._interval(rows)
        time = self._relative_time(rows)
        damage = self._damage(rows, interval_ms, time, row_numbers)
        shown = np.ones(rows.count, bool) if damage is None else ~damage
        for reason, flagged in self._flagged(rows):
            left_out = flagged & shown
            self.left_out[reason] += int(np.count_nonzero(left_out))
            shown &= ~left_out
        if interval_ms is not None:
            if time is not None:
                self._steps(time, np.flatnonzero(shown), row_numbers)
            batch = self._from_intervals(rows, interval_ms, time, damage, shown)
        else:
            assert time is not None
            batch = self._from_times(rows, time, damage, shown, row_numbers)
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
        self._stop_if_hopeless(final=True)
        self._stop_if_too_coarse()

    def set_aside(self, reason: str, count: int) -> None:
        """Account for rows that never reached :meth:`clean`."""
        self.left_out[reason] += count
        self.rows_read += count

    def notes(self) -> list[str]:
        """What a person should know of this log, in sentences."""
        notes = []
        if self._first_damage:
            damaged = sum(self.faults[reason] for reason in DAMAGE)
            notes.append(f"{damaged} unreadable rows were left out; first: {self._first_damage}")
            if self._mapping.time_column is None:
                notes.append("the time axis is short by those rows, as their frame times are unknown")
        flagged = (NOT_SHOWN, GENERATED)
        return notes + [f"{self.left_out[r]} frames: {r}" for r in flagged if self.left_out[r]]

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
        values = np.asarray(rows.columns[reference].to_numpy(zero_copy_only=False), np.float64)
        return self._mapping.interval_scale.ms(values)

    def _relative_time(self, rows: RawRows) -> NDArray[np.float64] | None:
        """The time column in its own unit, from the log's first usable time on."""
        reference = self._mapping.time_column
        if reference is None:
            return None
        values = rows.columns[reference].to_numpy(zero_copy_only=False)
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
        return relative

    def _damage(
        self,
        rows: RawRows,
        interval_ms: NDArray[np.float64] | None,
        time: NDArray[np.float64] | None,
        row_numbers: NDArray[np.int64] | range,
    ) -> NDArray[np.bool_] | None:
        """Rows that can't be used, counted by reason; None when there are none."""
        reasons: list[tuple[str, NDArray[np.bool_]]] = []
        if rows.faults is not None:
            codes = np.unique(rows.faults[rows.faults > 0])
            reasons += [(FAULTS[code], rows.faults == code) for code in codes]
        for values in (interval_ms, time):
            if values is None or not len(values):
                continue
            if not (float(values.min()) >= -LARGEST and float(values.max()) <= LARGEST):  # NaN fails both
                reasons.append((NOT_FINITE, ~(np.abs(values) <= LARGEST)))
        if interval_ms is not None and interval_ms.size and not float(interval_ms.min()) >= 0:
            reasons.append((NEGATIVE, interval_ms < 0))
        if not reasons:
            return None
        damage = np.zeros(rows.count, bool)
        for reason, found in reasons:
            new = found & ~damage
            self.faults[reason] += int(np.count_nonzero(new))
            damage |= new
        if not damage.any():
            return None
        if not self._first_damage:
            place = int(np.argmax(damage))
            reason = next(reason for reason, found in reasons if found[place])
            sample = f" ({rows.sample!r})" if rows.sample and reason in FAULTS else ""
            self._first_damage = f"data row {row_numbers[place]}: {reason}{sample}"
        return damage

    def _flagged(self, rows: RawRows) -> Iterator[tuple[str, NDArray[np.bool_]]]:
        """Rows that a flag column leaves out, by reason."""
        mapping = self._mapping
        flags = [(NOT_SHOWN, mapping.dropped_column, mapping.dropped_values)]
        if mapping.generated_frames == "leave-out":
            flags.append((GENERATED, mapping.generated_column, mapping.generated_values))
        for reason, reference, words in flags:
            if reference is not None:
                column = pc.utf8_lower(pc.utf8_trim_whitespace(_words(rows.columns[reference])))
                yield reason, _is_one_of(column, [word.lower() for word in words])

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
            return self._log_time(time)
        start_ms = self._elapsed.value
        self._elapsed.add(float(np.sum(interval_ms)))
        # The sum carried along may round below the last batch's end; no frame ends before the one before.
        ends_ms = np.maximum(start_ms + np.cumsum(interval_ms), self._latest_ms)
        self._latest_ms = float(ends_ms[-1]) if len(ends_ms) else self._latest_ms
        return ends_ms / 1e3

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
        row_numbers: NDArray[np.int64] | range,
    ) -> CleanBatch:
        chosen = np.flatnonzero(shown)
        after_damage = self._after_damage(damage, chosen)
        times = time[chosen]
        if not len(times):
            return CleanBatch(np.empty(0), np.empty(0), self._kept(rows, chosen))
        starts_log = self._previous is None
        lengths = self._steps(time, chosen, row_numbers)
        if starts_log:
            self.left_out[LAST if self._mapping.start_time_column else FIRST] += 1
            after_damage[0] = False
        frametime_ms = self._mapping.time_scale.ms(lengths)
        good = (frametime_ms > 0) & ~after_damage
        same = ~good & ~after_damage
        same[0] &= not starts_log
        self.faults[AFTER_DAMAGE] += int(np.count_nonzero(after_damage))
        self.faults[NO_TIME] += int(np.count_nonzero(same))
        t_s = self._log_time(times[good]) if self._want_times else np.empty(0)
        return CleanBatch(t_s, frametime_ms[good], self._kept(rows, chosen[good]))

    def _steps(
        self, time: NDArray[np.float64], chosen: NDArray[np.int64], row_numbers: NDArray[np.int64] | range
    ) -> NDArray[np.float64]:
        """Time from the chosen row before to each (the first: none). Raises where time runs backwards."""
        times = time[chosen]
        if not len(times):
            return times
        steps = np.diff(times, prepend=times[0] if self._previous is None else self._previous)
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


def _is_one_of(column: pa.Array, words: Sequence[str]) -> NDArray[np.bool_]:
    mask = pc.is_in(column, value_set=pa.array(list(words), pa.string())).fill_null(False)
    found: NDArray[np.bool_] = mask.to_numpy(zero_copy_only=False).astype(bool)
    return found


def _words(column: pa.Array) -> pa.Array:
    return column if pa.types.is_string(column.type) else column.cast(pa.string())
