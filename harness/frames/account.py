"""The account of one log: every row becomes a frame, is left out as the mapping asks, or is a fault.

The latter two are kept apart, so that nobody has to tell them by their words.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from harness.errors import FrameLogError
from harness.frames.agreement import Agreement
from harness.frames.edges import BELOW
from harness.frames.mapping import ColumnMapping
from harness.frames.rows import CUT_OFF, FAULTS, HEADER_AGAIN, RowNumbers
from harness.numerals import agreed, beside_limit, counted, times

OTHER_PROCESS = "other process"
NOT_FINITE = "not a finite number"
NEGATIVE = "negative frame time"
NO_TIME = "no time since the frame before"
FIRST = "first row: no frame before it"
LAST = "last row: its end is not in the log"
AFTER_DAMAGE = "frame time spans an unreadable row"
NOT_SHOWN = "not shown; its time counts to the next frame"
GENERATED = "interpolated; its time counts to the next frame"
HEADER = FAULTS[HEADER_AGAIN]
DAMAGE = frozenset((*FAULTS[1:], NOT_FINITE, NEGATIVE))
#: Rows from which on a log is refused before its end.
_ROWS_THAT_TELL = 1_000_000
#: None of so many rows fits the mapping: it is the mapping that is wrong, and not the file that is damaged.
_ALL_OF_MANY = 50


class Account:
    """Counts of one log, and what a person should know of it.

    Attributes:
        rows_read: Rows so far, whatever became of them.
        frames: Frames so far.
        faults: Rows that can't be used, by reason.
        left_out: Rows that the mapping leaves out, or that are no frames, by reason.
        repaired: Rows whose missing interval or time the other column told.
        first_damage: The first row that can't be used, in words.
    """

    def __init__(self, path: Path, mapping: ColumnMapping) -> None:
        self._path = path
        self._mapping = mapping
        self.rows_read = 0
        self.frames = 0
        self.faults: Counter[str] = Counter()
        self.left_out: Counter[str] = Counter()
        self.repaired = 0
        self.first_damage = ""
        self._first_repaired = ""

    def leave_out(self, reason: str, mask: NDArray[np.bool_]) -> None:
        """Count rows that are left out."""
        self.left_out[reason] += int(np.count_nonzero(mask))

    def fault(self, reason: str, mask: NDArray[np.bool_]) -> None:
        """Count rows that can't be used."""
        self.faults[reason] += int(np.count_nonzero(mask))

    def repair(self, mask: NDArray[np.bool_], numbers: RowNumbers) -> None:
        """Count rows whose missing interval or time was told."""
        count = int(np.count_nonzero(mask))
        if count and not self.repaired:
            self._first_repaired = f"data row {numbers[int(np.argmax(mask))]}"
        self.repaired += count

    @property
    def damaged(self) -> int:
        """Rows that could not be read."""
        return sum(self.faults[reason] for reason in DAMAGE)

    @property
    def lost(self) -> bool:
        """Whether rows inside the log could not be read, so that a frame of unknown length is missing."""
        return any(self.faults[reason] for reason in (*DAMAGE, AFTER_DAMAGE) if reason != FAULTS[CUT_OFF])

    def stop_if_hopeless(self, *, final: bool) -> None:
        """Raises FrameLogError where more is damaged than the mapping allows."""
        damaged = self.damaged
        if not damaged:
            return
        own = self.rows_read - self.left_out[OTHER_PROCESS]
        share_pct = 100.0 * damaged / own
        limit_pct = self._mapping.damaged_rows_at_most_pct
        if share_pct <= limit_pct or (not final and damaged < own and own < _ROWS_THAT_TELL):
            return
        if damaged == self.faults[FAULTS[CUT_OFF]] and self.frames:
            return
        raise FrameLogError(
            f"{self._path}: {damaged} of {own} rows can't be used "
            f"({beside_limit(share_pct, limit_pct, 1)} %, allowed {limit_pct:g} %); "
            f"first: {self.first_damage}; check delimiter, decimal and the mapped "
            "columns, or raise damaged_rows_at_most_pct",
            permanent=damaged == own >= _ALL_OF_MANY,
        )

    def notes(self, agreement: Agreement, edges: Callable[[int], list[str]]) -> list[str]:
        """What a person should know of this log, in sentences."""
        notes = []
        if damaged := self.damaged:
            rows = f"{counted(damaged, 'unreadable row')} {agreed('was', damaged)}"
            notes.append(f"{rows} left out; first: {self.first_damage}")
            if self._mapping.time_column is None:
                notes.append("the time axis is short by those rows, as their frame times are unknown")
        if self.repaired:
            rows = f"{counted(self.repaired, 'row')} {agreed('was', self.repaired)}"
            notes.append(
                f"{rows} repaired: the missing interval or time follows from the other column; "
                f"first: {self._first_repaired}"
            )
        notes += edges(self.left_out[BELOW])
        if self.left_out[HEADER]:
            notes.append(
                f"the header stands {times(self.left_out[HEADER])} more inside the log: it may "
                "hold several runs"
            )
        if said := agreement.sentence():
            notes.append(said)
        if agreement.untimed_rows:
            notes.append(
                f"at the end {counted(agreement.untimed_rows, 'row')} without a time: nothing checks them"
            )
        if self.faults[NO_TIME]:
            notes.append(f"{counted(self.faults[NO_TIME], 'row')}: {NO_TIME}")
        return notes + [
            f"{counted(self.left_out[r], 'frame')}: {r}" for r in (NOT_SHOWN, GENERATED) if self.left_out[r]
        ]
