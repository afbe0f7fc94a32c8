"""What the steps of the cleaning hand on: a batch of rows as quantities, and the frames that come of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from harness.frames.rows import RawRows, RowNumbers, pick_rows

Floats = NDArray[np.float64]
Places = NDArray[np.int64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class CleanBatch:
    """Frames in order.

    Attributes:
        t_s: End of each frame in log time, s; empty where the times are not wanted.
        frametime_ms: Length of each frame, ms, positive.
        kept: Further columns asked for, each as long as the frames.
    """

    t_s: Floats
    frametime_ms: Floats
    kept: Mapping[str, pa.Array]


@dataclass
class Batch:
    """Rows of the log that are wanted, on their way to frames.

    Attributes:
        rows: As parsed.
        numbers: Data row of each in the file.
        interval_ms: The interval column, ms; None where none is mapped.
        time: The time column in its own unit, from the log's first readable time on; NaN where it has none.
        damage: Rows that can't be used; None where all can.
        shown: Rows that end a frame: neither damaged nor left out by a flag.
    """

    rows: RawRows
    numbers: RowNumbers
    interval_ms: Floats | None = None
    time: Floats | None = None
    damage: Mask | None = None
    shown: Mask = field(default_factory=lambda: np.empty(0, bool))

    def pick(self, places: Places) -> Batch:
        """The same with these rows only; for a batch that was not looked at yet."""
        return Batch(
            pick_rows(self.rows, places),
            self.numbers.pick(places),
            None if self.interval_ms is None else self.interval_ms[places],
        )

    @property
    def timed(self) -> Mask:
        """Rows with a usable time."""
        assert self.time is not None
        known: Mask = np.isfinite(self.time)
        return known if self.damage is None else known & ~self.damage

    def kept(self, references: list[str], places: Places | None) -> dict[str, pa.Array]:
        """The columns to keep, of all rows or of some."""
        found = {reference: self.rows.columns[reference] for reference in references}
        if places is None:
            return found
        return {reference: column.take(pa.array(places)) for reference, column in found.items()}
