"""From raw rows to frames, with an account of what became of every row.

The steps work on batches and carry their state from one to the next, so a log of any length is cleaned in
bounded memory: ``selection`` chooses rows, ``quantities`` reads their numbers, ``damage`` finds what can't be
used, ``interval_frames`` or ``time_frames`` make the frames, ``refusals`` looks at the whole.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from harness.frames.account import Account
from harness.frames.agreement import Agreement
from harness.frames.batch import CleanBatch
from harness.frames.damage import Damage, Settled
from harness.frames.interval_frames import IntervalFrames
from harness.frames.mapping import ColumnMapping
from harness.frames.quantities import Quantities
from harness.frames.refusals import (
    refuse_coarse_times,
    refuse_contradictions,
    refuse_frame_numbers,
    refuse_total,
)
from harness.frames.rows import RawRows
from harness.frames.selection import Selection
from harness.frames.time_frames import ClockSteps, TimeFrames


class Cleaner:
    """Cleans batch after batch of one log.

    Attributes:
        account: Of every row; complete after :meth:`finish`.
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
        self._path = path
        self._mapping = mapping
        settled = None if worst is None else worst.settled
        self.account = Account(path, mapping)
        self._selection = Selection(path, mapping, self.account)
        self._quantities = Quantities(mapping, own_copy=settled is not None)
        self._damage = Damage(mapping, self.account, settled)
        self._clock = ClockSteps(path, mapping)
        self._intervals = IntervalFrames(mapping, self.account, self._quantities, want_times=want_times)
        self._times = TimeFrames(
            mapping,
            self.account,
            self._quantities,
            self._clock,
            want_times=want_times,
            damage_is_frame=settled is not None,
        )
        self._more_notes: list[Callable[[], list[str]]] = []

    @property
    def agreement(self) -> Agreement:
        """Of interval and time."""
        return self._damage.agreement

    @property
    def settled(self) -> Settled:
        """What a second reading needs to know, once the log has been read."""
        return Settled(self.agreement, self._selection.last_inside)

    @property
    def doubtful(self) -> bool:
        """Whether rows could not be read, or contradict each other, so that the figures are open."""
        differ = self.agreement.one_quantity and self.agreement.differ[self.agreement.ends] > 0
        return self.account.lost or differ

    def clean(self, rows: RawRows) -> CleanBatch:
        """Frames of the next rows. Raises FrameLogError where time runs backwards or too much is damaged."""
        batch = self._selection.wanted(rows)
        batch.interval_ms = self._quantities.interval_ms(batch.rows)
        batch = self._selection.without_first(batch)
        batch.time = self._quantities.time(batch.rows)
        flagged = self._selection.flagged(batch.rows)
        none_shown = np.logical_or.reduce(list(flagged.values())) if flagged else None
        batch.damage = self._damage.find(batch, none_shown, float(self._quantities.origin or 0))
        batch.shown = np.ones(batch.rows.count, bool) if batch.damage is None else ~batch.damage
        for reason, mask in flagged.items():
            left_out = mask & batch.shown
            self.account.leave_out(reason, left_out)
            batch.shown &= ~left_out
        if batch.interval_ms is None:
            frames = self._times.frames(batch)
        else:
            if batch.time is not None:
                self._clock.take(batch.time, np.flatnonzero(batch.shown & batch.timed), batch.numbers)
            frames = self._intervals.frames(batch)
        self.account.frames += len(frames.frametime_ms)
        self.account.stop_if_hopeless(final=False)
        return frames

    def finish(self) -> None:
        """Close the account. Raises FrameLogError when too much of the log was damaged or nothing is left."""
        self._selection.finish()
        self._times.finish()
        self.account.stop_if_hopeless(final=True)
        path, mapping, frames = self._path, self._mapping, self.account.frames
        refuse_coarse_times(path, mapping, self._quantities.origin, self._clock.previous, frames)
        refuse_frame_numbers(path, mapping, self._clock.counts_rows, frames)
        refuse_contradictions(path, mapping, self.agreement)
        refuse_total(path, mapping, self._intervals.last_ms, self._intervals.total_ms, frames)

    def add_notes(self, notes: Callable[[], list[str]]) -> None:
        """Let another stage of the reading add to :meth:`notes`, once the log has been read."""
        self._more_notes.append(notes)

    def set_aside(self, reason: str, count: int) -> None:
        """Account for rows that never reached :meth:`clean`."""
        self.account.left_out[reason] += count
        self.account.rows_read += count

    def notes(self) -> list[str]:
        """What a person should know of this log, in sentences."""
        notes = self.account.notes(self.agreement, self._selection.edge_note)
        return notes + self._selection.flag_notes() + [note for more in self._more_notes for note in more()]
