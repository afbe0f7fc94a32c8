"""Frames of a log that tells when each ended, or when each began."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa

from harness.errors import FrameLogError
from harness.frames.account import AFTER_DAMAGE, FIRST, LAST, NO_TIME, Account
from harness.frames.batch import Batch, CleanBatch, Floats, Mask, Places
from harness.frames.mapping import ColumnMapping
from harness.frames.quantities import Quantities
from harness.frames.rows import RowNumbers


class ClockSteps:
    """The steps of a log's time column, which must not run backwards.

    Attributes:
        previous: Time of the last row, relative to the log's first; None before one was seen.
        counts_rows: So far each time is the one before plus 1.
    """

    def __init__(self, path: Path, mapping: ColumnMapping) -> None:
        self._path = path
        self._mapping = mapping
        self.previous: float | None = None
        self.counts_rows = True

    def take(self, time: Floats, chosen: Places, numbers: RowNumbers) -> Floats:
        """Time from the chosen row before to each (the first: none). Raises where time runs backwards."""
        times = time[chosen]
        if not len(times):
            return times
        known = self.previous is not None
        steps = np.diff(times, prepend=times[0] if self.previous is None else self.previous)
        self.counts_rows = self.counts_rows and bool((steps[0 if known else 1 :] == 1).all())
        self.previous = float(times[-1])
        if float(steps.min()) < 0:
            place = int(np.argmax(steps < 0))
            self._refuse_backwards(-float(steps[place]), int(numbers[chosen[place]]))
        return steps

    def _refuse_backwards(self, back: float, row: int) -> None:
        back_s = back / self._mapping.time_scale.units_per_s
        raise FrameLogError(
            f"{self._path}: data row {row}, column {self._mapping.time_column!r}: time goes back by "
            f"{back_s:.6g} s; the log holds several runs (set when_time_goes_back = 'last-run'), several "
            "processes (set filter_column and filter_value) or unordered rows (set when_time_goes_back = "
            "'sort')"
        )


class TimeFrames:
    """Makes frames of batch after batch of one log without intervals."""

    def __init__(
        self,
        mapping: ColumnMapping,
        account: Account,
        quantities: Quantities,
        clock: ClockSteps,
        *,
        want_times: bool,
        damage_is_frame: bool,
    ) -> None:
        """Set up for one log.

        Args:
            mapping: What the columns hold.
            account: Where rows that become no frame are counted.
            quantities: For the log's first time.
            clock: Steps of the time column.
            want_times: Without, the batches' ``t_s`` is empty.
            damage_is_frame: Whether the time that damaged rows hide counts as one frame.
        """
        self._mapping = mapping
        self._account = account
        self._quantities = quantities
        self._clock = clock
        self._want_times = want_times
        self._damage_is_frame = damage_is_frame
        self._damaged_before = False
        # For times that are the frames' starts:
        self._held: dict[str, pa.Array] | None = None  # kept columns of the row whose end is still to come
        self._held_shown = False
        self._frame_began: float | None = None
        self._damaged_start = False

    def frames(self, batch: Batch) -> CleanBatch:
        """The frames of the next rows. Raises FrameLogError where time runs backwards."""
        return self._from_ends(batch) if self._mapping.start_time_column is None else self._from_starts(batch)

    def finish(self) -> None:
        """Account for the last row of a log of starts: its end is not known."""
        if self._held_shown:
            self._account.left_out[LAST] += 1
            self._held_shown = False

    def _from_ends(self, batch: Batch) -> CleanBatch:
        assert batch.time is not None
        chosen = np.flatnonzero(batch.shown & batch.timed)
        after_damage = self._after_damage(batch.damage, chosen)
        kept = batch.kept(self._mapping.keep_columns, chosen)
        times = batch.time[chosen]
        if not len(times):
            return CleanBatch(np.empty(0), np.empty(0), kept)
        starts_log = self._clock.previous is None
        lengths = self._clock.take(batch.time, chosen, batch.numbers)
        if starts_log:
            self._account.left_out[FIRST] += 1
            after_damage[0] = False
        return self._timed(times, lengths, after_damage, starts_log, kept)

    def _from_starts(self, batch: Batch) -> CleanBatch:
        """A frame ends where the next row begins; the row that ends a batch waits for that.

        As everywhere, the time of a frame left out counts to the next one that is shown.
        """
        assert batch.time is not None
        places = np.flatnonzero(batch.timed)
        after_damage = self._after_damage(batch.damage, places)
        kept = batch.kept(self._mapping.keep_columns, places)
        if not len(places):
            return CleanBatch(np.empty(0), np.empty(0), kept)
        time, shown = batch.time, batch.shown[places]
        if self._held is None:
            ended, kept_of_ended = shown[:-1], {name: column[:-1] for name, column in kept.items()}
            ends, after_damage = time[places[1:]], after_damage[1:]
            self._clock.previous = float(time[places[0]])
        else:
            ended = np.concatenate(([self._held_shown], shown[:-1]))
            kept_of_ended = {
                name: pa.concat_arrays([self._held[name], column[:-1]]) for name, column in kept.items()
            }
            ends = time[places]
        self._held, self._held_shown = {name: column[-1:] for name, column in kept.items()}, bool(shown[-1])
        begins = self._clock.previous
        self._clock.take(time, places, batch.numbers)  # refuses times that run backwards
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
        times: Floats,
        lengths: Floats,
        after_damage: Mask,
        starts_log: bool,
        kept: dict[str, pa.Array],
    ) -> CleanBatch:
        """Frames that end at these times, less those without a length."""
        frametime_ms = self._mapping.time_scale.ms(lengths)
        if self._damage_is_frame:
            after_damage = np.zeros(len(times), bool)
        good = (frametime_ms > 0) & ~after_damage
        same = ~good & ~after_damage
        if len(same):
            same[0] &= not starts_log
        self._account.fault(AFTER_DAMAGE, after_damage)
        self._account.fault(NO_TIME, same)
        t_s = self._quantities.log_time_s(times[good]) if self._want_times else np.empty(0)
        mask = pa.array(good)
        return CleanBatch(
            t_s, frametime_ms[good], {name: column.filter(mask) for name, column in kept.items()}
        )

    def _after_damage(self, damage: Mask | None, chosen: Places) -> Mask:
        """Which of the chosen rows have an unreadable row between themselves and the chosen one before."""
        after: Mask = np.zeros(len(chosen), bool)
        if not len(chosen):
            self._damaged_before |= damage is not None and bool(damage.any())
            return after
        if damage is not None:
            after = np.diff(np.cumsum(damage)[chosen], prepend=0) > 0
        after[0] |= self._damaged_before
        self._damaged_before = damage is not None and bool(damage[chosen[-1] + 1 :].any())
        return after
