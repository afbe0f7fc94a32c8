"""Does the interval column agree, row by row, with the time column? Gaps, lost or doubled rows, wrong units.

Between two rows with a readable time lies a step of the clock, and the intervals of the rows in between add
up to it: those up to the later row where a time is the frame's end, those from the earlier row on where it is
the frame's start. Both ways are counted; the one that fits better is the log's own, and where that is plain
after the first rows, only it is followed further.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.frames.rows import RowNumbers
from harness.numerals import counted

Floats = NDArray[np.float64]
Places = NDArray[np.int64]

#: Rows that must be compared before anything is concluded.
LEAST_ROWS = 10
#: Relative difference that counts as one.
TOLERANCE = 0.02
#: Up to this share of differing rows the columns are taken for one quantity, and those rows for faults.
SAME_QUANTITY = 0.2
#: Rows that tell the step of the time column, and which end of a frame it is.
LOOK_ROWS = 10_000
#: A way that differs in more of the first rows than this share, where the other fits, is not the log's.
OTHER_WAY = 0.5
#: Differing steps that are kept; beyond them the columns are of two clocks anyhow.
_MOST_APART = 4_000_000


@dataclass(frozen=True)
class Steps:
    """The steps of one batch.

    Attributes:
        rows: Place of each row that ends a step, in the batch.
        begins: Place of the row that began it; -1 where that was in a batch before.
        step_ms: By the time column.
        up_to_ms: Sum of the intervals up to and with that row.
        from_ms: Sum of the intervals from the row that began the step on, without that row.
    """

    rows: Places
    begins: Places
    step_ms: Floats
    up_to_ms: Floats
    from_ms: Floats

    def at(self, places: NDArray[np.bool_] | NDArray[np.int64] | slice) -> Steps:
        """Some of the steps."""
        return Steps(
            self.rows[places],
            self.begins[places],
            self.step_ms[places],
            self.up_to_ms[places],
            self.from_ms[places],
        )

    def excess_ms(self, ends: bool) -> Floats:
        """How much longer the clock's step is."""
        return self.step_ms - (self.up_to_ms if ends else self.from_ms)


class Agreement:
    """Compares batch after batch; nothing depends on where a batch ends.

    Attributes:
        resolution_ms: Step of the time column as far as it is known; differences up to it are rounding.
        compared: Steps compared so far.
        step_sum_ms: What they add up to by the clock.
        interval_sum_ms: And by the intervals, by way: time is the end (true) or the start (false) of a frame.
        untimed_rows: Rows with an interval after the last readable time.
        untimed_ms: What they add up to.
    """

    def __init__(self, resolution_ms: float | None = None) -> None:
        """Begin; the step of the time column is found out where it is not given."""
        self.resolution_ms = math.inf if resolution_ms is None else resolution_ms
        self._to_look_at = LOOK_ROWS if resolution_ms is None else 0
        self.compared = 0
        self.step_sum_ms = 0.0
        self.interval_sum_ms = {True: 0.0, False: 0.0}
        self.untimed_rows = 0
        self.untimed_ms = 0.0
        self._apart: list[tuple[Places, Floats, Floats, Floats]] = []  # steps that rounding must explain
        self._apart_count = 0
        self._way: bool | None = None  # whether times are ends, once that is plain
        self._last_ms: float | None = None
        self._since_ms = 0.0  # intervals of the rows after the last readable time
        self._last_interval_ms = 0.0

    def look_at(self, time: Floats, ms_per_unit: float, noise: float) -> None:
        """Learn the step of the time column from its first readings."""
        if self._to_look_at <= 0:
            return
        known = time[: self._to_look_at]
        if not np.isfinite(known).all():
            known = time[np.isfinite(time)][: self._to_look_at]
        if len(known):
            self._to_look_at -= len(known)
            step = max(decimal_step(known), noise)
            self.resolution_ms = min(self.resolution_ms, step * ms_per_unit)

    def steps(self, time_ms: Floats, interval_ms: Floats) -> Steps:
        """The steps of the next batch; NaN where a row has no readable time, 0 where it has no interval."""
        finite = np.isfinite(time_ms)
        rows = np.arange(len(time_ms)) if finite.all() else np.flatnonzero(finite)
        sums = np.cumsum(interval_ms)
        if not len(rows):
            self._since_ms += float(sums[-1]) if len(sums) else 0.0
            self.untimed_rows += int(np.count_nonzero(interval_ms))
            self.untimed_ms = self._since_ms
            return Steps(rows, rows, *(np.empty(0) for _ in range(3)))
        times, own, upto = time_ms, interval_ms, sums
        if len(rows) < len(time_ms):
            times, own, upto = time_ms[rows], interval_ms[rows], sums[rows]
        before = np.concatenate(([-self._since_ms], upto[:-1]))
        step = np.diff(times, prepend=times[0] if self._last_ms is None else self._last_ms)
        between = upto - before
        previous = np.concatenate(([self._last_interval_ms], own[:-1]))
        begins = np.concatenate(([-1], rows[:-1]))
        first = 1 if self._last_ms is None else 0  # nothing is known of the time before the first
        from_ms = between - own + previous
        found = Steps(rows[first:], begins[first:], step[first:], between[first:], from_ms[first:])
        self._last_ms, self._last_interval_ms = float(times[-1]), float(own[-1])
        tail = interval_ms[rows[-1] + 1 :]
        self._since_ms = float(np.sum(tail))
        self.untimed_rows, self.untimed_ms = int(np.count_nonzero(tail)), self._since_ms
        return found

    def count(self, steps: Steps, numbers: RowNumbers, usable: NDArray[np.bool_]) -> None:
        """Compare the steps that end in a usable row."""
        chosen = usable[steps.rows] & (steps.step_ms >= 0)
        if not chosen.all():
            steps = steps.at(chosen)
        self.step_sum_ms += float(steps.step_ms.sum())
        for ends, sums in ((True, steps.up_to_ms), (False, steps.from_ms)):
            self.interval_sum_ms[ends] += float(sums.sum())
        ahead = min(max(0, LOOK_ROWS - self.compared), len(steps.rows))
        if ahead:
            self._keep(steps.at(slice(0, ahead)), numbers)
        self.compared += ahead
        if self._way is None and self.compared == LOOK_ROWS:
            differ = self.differ
            other = not self.ends
            if differ[other] > OTHER_WAY * LOOK_ROWS and differ[not other] <= SAME_QUANTITY * LOOK_ROWS:
                self._way = not other
        if ahead < len(steps.rows):
            self._keep(steps.at(slice(ahead, None)), numbers)
        self.compared += len(steps.rows) - ahead

    def _keep(self, steps: Steps, numbers: RowNumbers) -> None:
        """Keep the steps that rounding must explain."""
        if self._apart_count >= _MOST_APART:
            return
        known_ms = self.resolution_ms if self._to_look_at <= 0 else 0.0
        apart = np.zeros(len(steps.rows), bool)
        for ends, sums in ((True, steps.up_to_ms), (False, steps.from_ms)):
            if self._way in (None, ends):
                apart |= _apart(steps.step_ms, sums, known_ms)
        places = np.flatnonzero(apart)
        if len(places):
            self._apart_count += len(places)
            kept = steps.at(places)
            rows = numbers[kept.rows]
            self._apart.append((rows, kept.step_ms, kept.up_to_ms, kept.from_ms))

    def differing(self, steps: Steps, ends: bool) -> NDArray[np.bool_]:
        """Steps that differ from their intervals by more than rounding."""
        return _apart(steps.step_ms, steps.up_to_ms if ends else steps.from_ms, self.resolution_ms)

    @property
    def differ(self) -> dict[bool, int]:
        """Steps that differ, by way; of the way that is not the log's, in the first rows only."""
        return {
            ends: sum(int(np.count_nonzero(mask)) for mask, _ in self._found(ends)) for ends in (True, False)
        }

    @property
    def first(self) -> tuple[int, float, float]:
        """The first step that differs: data row, ms by interval, ms by time."""
        for mask, (rows, step, *sums) in self._found(self.ends):
            if mask.any():
                place = int(np.argmax(mask))
                return int(rows[place]), float(sums[0 if self.ends else 1][place]), float(step[place])
        raise ValueError("nothing differs")

    def _found(self, ends: bool) -> Iterator[tuple[NDArray[np.bool_], tuple[Places, Floats, Floats, Floats]]]:
        for kept in self._apart:
            yield _apart(kept[1], kept[2] if ends else kept[3], self.resolution_ms), kept

    @property
    def ends(self) -> bool:
        """Whether the log's times are the ends of its frames."""
        differ = self.differ
        return differ[True] <= differ[False] if self._way is None else self._way

    @property
    def one_quantity(self) -> bool:
        """Whether the interval is the step of the time, but for single rows."""
        return self.compared >= LEAST_ROWS and self.differ[self.ends] <= SAME_QUANTITY * self.compared

    @property
    def ratio(self) -> float:
        """Time by the clock in a unit of time by the intervals; 1 where too little was compared."""
        total_ms = self.interval_sum_ms[self.ends]
        if self.compared < LEAST_ROWS or not total_ms > 0:
            return 1.0
        return self.step_sum_ms / total_ms

    def sentence(self) -> str:
        """What differs; empty where nothing does."""
        count = self.differ[self.ends]
        if self.compared < LEAST_ROWS or not count:
            return ""
        if not self.one_quantity:
            return (
                "interval and time differ from row to row (they may be of two clocks); together they agree "
                f"to {100 * abs(self.ratio - 1):.2g} %"
            )
        row, interval_ms, step_ms = self.first
        rows = counted(count, "row")
        return (
            f"interval and time differ in {rows} (gaps, lost, doubled or added rows); first: data row {row}, "
            f"{interval_ms:.6g} ms by interval, {step_ms:.6g} ms by time"
        )


def _apart(step_ms: Floats, interval_ms: Floats, resolution_ms: float) -> NDArray[np.bool_]:
    allowed = TOLERANCE * step_ms
    allowed += 1.01 * resolution_ms + 1e-6
    apart = step_ms - interval_ms
    np.abs(apart, out=apart)
    found: NDArray[np.bool_] = apart > allowed
    return found


def decimal_step(values: Floats) -> float:
    """The decimal step (a power of ten) on which the values lie; 0 where they lie on none."""
    known = values[np.isfinite(values)]
    if not len(known):
        return 0.0
    noise = 4 * math.ulp(float(np.abs(known).max()) + 1)
    for exponent in range(6, -13, -1):
        step = 10.0**exponent
        if step < 20 * noise:
            break
        if float(np.abs(known - np.round(known / step) * step).max()) <= noise + 1e-9 * step:
            return step
    return 0.0
