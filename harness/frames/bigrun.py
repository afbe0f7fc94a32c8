"""The metrics of a run of any length, exact, from a stream of frame times in bounded memory.

A positive floating-point number orders like its own bit pattern. The first pass counts frame times by the
leading bits of that pattern; the counts tell which bins hold the wanted order statistics and the slowest
1 %, and a second pass fetches only those. A bin that holds too many frames (a steady 60 FPS puts all into
one) is split by its next bits first, so the result is exact for any data; nothing is estimated.

The slowest ceil(n/100) frames hold all three lows, for the k slowest frames last at least k T / n.

The stream is read again for each pass unless it is short enough to be held.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from harness.frames.bounds import as_frame_log_error
from harness.frames.cleaning import Cleaner
from harness.frames.mapping import ColumnMapping
from harness.frames.metrics import (
    FrameMetrics,
    RunStatistics,
    frame_metrics,
    interpolate,
    percentile_rank,
    slow_ms,
    slowest_count,
    wanted_percentiles,
)
from harness.frames.reader import in_order, stream_log
from harness.frames.stutter import HALF_WIDTH_FRAMES, MULTIPLE, stutter_places
from harness.frames.sums import RunningSum
from harness.plan.schema import LowDefinition

Floats = NDArray[np.float64]
Bits = NDArray[np.int64]

HOLD_FRAMES = 25_000_000
CROWDED_FRAMES = 2_000_000
SORT_FRAMES = 500_000
_FIRST_SHIFT = 40
_STEP_BITS = 16
_CHUNK = 1 << 17


@dataclass(frozen=True)
class LogSummary:
    """Metrics of a whole log, with its account.

    Attributes:
        metrics: As :func:`harness.frames.metrics.frame_metrics`.
        rows_read: Rows in the file.
        dropped: Rows that could not be used, by reason.
        left_out: Rows that the mapping leaves out or that are no frames, by reason.
        notes: What a person should know of this log.
        worst: The metrics if each doubtful row was as bad as it may have been; None without doubt.
    """

    metrics: FrameMetrics
    rows_read: int
    dropped: dict[str, int]
    left_out: dict[str, int]
    notes: tuple[str, ...]
    worst: FrameMetrics | None = None


def summarise_log(
    path: Path,
    mapping: ColumnMapping,
    *,
    low_definition: LowDefinition = "percentile",
    slow_below_fps: float | None = None,
    beside: Callable[[Floats], None] | None = None,
) -> LogSummary:
    """All metrics of a frame log of any size.

    Args:
        path: The log.
        mapping: What its columns hold.
        low_definition: As in the plan.
        slow_below_fps: Rate for ``slow_time_pct``.
        beside: Is given each batch of frame times (ms) once, in order, as it is read.
    Raises:
        FrameLogError: It can't be read as the mapping says.
    """
    cleaners: list[Cleaner] = []
    settled: Cleaner | None = None

    def stream() -> Iterator[Floats]:
        cleaners.append(Cleaner(path, mapping, want_times=False, worst=settled))
        tell = beside if len(cleaners) == 1 else None
        for batch in stream_log(path, mapping, cleaners[-1]):
            if tell is not None:
                tell(batch.frametime_ms)
            yield batch.frametime_ms

    with as_frame_log_error(path):
        metrics = summarise(stream, low_definition=low_definition, slow_below_fps=slow_below_fps)
    first = cleaners[0].account
    notes = tuple(cleaners[0].notes())
    worst = None
    if cleaners[0].doubtful:
        settled = cleaners[0]
        with as_frame_log_error(path):
            worst = summarise(stream, low_definition=low_definition, slow_below_fps=slow_below_fps)
    return LogSummary(metrics, first.rows_read, dict(+first.faults), dict(+first.left_out), notes, worst)


def summarise(
    stream: Callable[[], Iterable[Floats]],
    *,
    low_definition: LowDefinition = "percentile",
    stutter_multiple: float = MULTIPLE,
    stutter_half_width: int = HALF_WIDTH_FRAMES,
    slow_below_fps: float | None = None,
    hold_frames: int = HOLD_FRAMES,
    crowded_frames: int = CROWDED_FRAMES,
    sort_frames: int = SORT_FRAMES,
) -> FrameMetrics:
    """The same figures as :func:`harness.frames.metrics.frame_metrics`, for a stream.

    Args:
        stream: Starts the run again and gives its frame times (ms, positive) in batches, in order.
        low_definition: As in the plan.
        stutter_multiple: See :mod:`harness.frames.stutter`.
        stutter_half_width: See there.
        slow_below_fps: Rate for ``slow_time_pct``.
        hold_frames: Runs up to this length are held and read once.
        crowded_frames: A bin with more frames than this is split before it is fetched.
        sort_frames: Runs up to this length are sorted whole.
    """
    held: list[Floats] | None = []
    first = _FirstPass(stutter_multiple, stutter_half_width, slow_below_fps)
    for batch in stream():
        first.add(batch)
        if held is not None:
            held.append(batch)
            if first.n > hold_frames:
                held = None
    if held is not None and first.n <= sort_frames:
        return frame_metrics(
            np.concatenate(held) if held else np.empty(0),
            low_definition=low_definition,
            stutter_multiple=stutter_multiple,
            stutter_half_width=stutter_half_width,
            slow_below_fps=slow_below_fps,
        )
    first.finish()

    def again() -> Iterator[Floats]:
        yield from stream() if held is None else held

    n = first.n
    positions = {q: percentile_rank(n, q) for q in wanted_percentiles()}
    tail_rank = n - slowest_count(n, 0.01)
    ranks = {tail_rank, *(r for low, _ in positions.values() for r in (low, min(low + 1, n - 1)))}
    values, slowest = _order_statistics(again, first.histogram, n, sorted(ranks), tail_rank, crowded_frames)
    return RunStatistics(
        n=n,
        total_ms=first.total_ms.value,
        percentiles={
            q: interpolate(values[low], values[min(low + 1, n - 1)], fraction)
            for q, (low, fraction) in positions.items()
        },
        slowest=slowest,
        change_ms=first.changes_ms.value / (n - 1) if n > 1 else None,
        stutter_count=first.stutter_count,
        stutter_ms=first.stutter_ms.value,
        slow_ms=None if slow_below_fps is None else first.slow_ms.value,
        low_definition=low_definition,
    ).metrics()


class _Histogram:
    """Counts by the leading bits of the pattern, over the range that occurs."""

    def __init__(self) -> None:
        self.base = 0
        self.counts: NDArray[np.int64] = np.empty(0, np.int64)

    def add(self, keys: Bits) -> None:
        """Count them; the array is used up."""
        low, high = int(keys.min()), int(keys.max())
        if not len(self.counts):
            self.base, self.counts = low, np.zeros(high - low + 1, np.int64)
        new_base, new_end = min(self.base, low), max(self.base + len(self.counts), high + 1)
        if (new_base, new_end) != (self.base, self.base + len(self.counts)):
            grown = np.zeros(new_end - new_base, np.int64)
            grown[self.base - new_base : self.base - new_base + len(self.counts)] = self.counts
            self.base, self.counts = new_base, grown
        keys -= low
        found = np.bincount(keys)
        self.counts[low - self.base : low - self.base + len(found)] += found


class _FirstPass:
    """Everything that one look at each frame gives."""

    def __init__(self, multiple: float, half_width: int, slow_below_fps: float | None) -> None:
        self.n = 0
        self.slow_ms = RunningSum()
        self._slow_below_fps = slow_below_fps
        self.total_ms = RunningSum()
        self.changes_ms = RunningSum()
        self.stutter_ms = RunningSum()
        self.stutter_count = 0
        self.histogram = _Histogram()
        self._multiple, self._half_width = multiple, half_width
        self._tail: Floats = np.empty(0)  # judged neighbours, then frames whose neighbours are still to come
        self._judged = 0  # leading frames of the tail that are judged already

    def add(self, frametime_ms: Floats) -> None:
        for chunk in _chunks([frametime_ms]):
            self._add(chunk)

    def _add(self, x: Floats) -> None:
        self.n += len(x)
        self.total_ms.add(float(np.sum(x)))
        if self._slow_below_fps is not None:
            self.slow_ms.add(slow_ms(x, self._slow_below_fps))
        self.histogram.add(_bits(x) >> _FIRST_SHIFT)
        joined = np.concatenate((self._tail, x))
        changes = np.diff(joined[max(0, len(self._tail) - 1) :])
        self.changes_ms.add(float(np.sum(np.abs(changes, out=changes))))
        self._judge(joined, behind=self._half_width)

    def _judge(self, joined: Floats, behind: int) -> None:
        if len(joined) - behind <= self._judged:
            self._tail = joined
            return
        places = stutter_places(joined, self._multiple, self._half_width, self._judged, behind)
        self.stutter_count += len(places)
        self.stutter_ms.add(float(np.sum(joined[places])))
        keep_from = max(0, len(joined) - behind - self._half_width)
        self._judged = len(joined) - behind - keep_from
        self._tail = joined[keep_from:]

    def finish(self) -> None:
        self._judge(self._tail, behind=0)


@dataclass(frozen=True)
class _Cell:
    """Bit patterns from ``low`` on that share all but the last ``shift`` bits.

    Attributes:
        below: Frames below this cell.
        count: Frames in it.
    """

    low: int
    shift: int
    below: int
    count: int

    @property
    def end(self) -> int:
        return self.low + (1 << self.shift)


def _order_statistics(
    again: Callable[[], Iterator[Floats]],
    histogram: _Histogram,
    n: int,
    ranks: list[int],
    tail_rank: int,
    crowded_frames: int,
) -> tuple[dict[int, float], Floats]:
    """Rank (from 0) -> value, and all values of rank ``tail_rank`` and above, ascending."""
    cells = _cells_of(ranks, histogram.counts, histogram.base << _FIRST_SHIFT, _FIRST_SHIFT, 0)
    while crowded := {c for c in cells.values() if c.count > crowded_frames and c.shift > 0}:
        for cell in crowded:
            shift = max(0, cell.shift - _STEP_BITS)
            counts = np.zeros(1 << (cell.shift - shift), np.int64)
            for batch in _chunks(again()):
                bits = _bits(batch)
                inside = bits[(bits >> cell.shift) == (cell.low >> cell.shift)]
                counts += np.bincount((inside - cell.low) >> shift, minlength=len(counts))
            mine = [rank for rank, c in cells.items() if c == cell]
            cells |= _cells_of(mine, counts, cell.low, shift, cell.below)
    tail_end = cells[tail_rank].end
    fetched = _fetch(again, histogram, [cell for cell in cells.values() if cell.shift > 0], tail_end)
    bits = _bits(fetched)
    values: dict[int, float] = {}
    for rank, cell in cells.items():
        if cell.shift == 0:  # one value, known without looking
            values[rank] = float(np.array(cell.low, np.int64).view(np.float64))
        else:
            values[rank] = float(fetched[np.searchsorted(bits, cell.low) + rank - cell.below])
    cell = cells[tail_rank]
    of_cell = cell.below + cell.count - tail_rank
    above = fetched[np.searchsorted(bits, tail_end) :]
    if cell.shift == 0:
        return values, np.concatenate((np.full(of_cell, values[tail_rank]), above))
    return values, fetched[len(fetched) - len(above) - of_cell :]


def _cells_of(
    ranks: list[int], counts: NDArray[np.int64], low: int, shift: int, below: int
) -> dict[int, _Cell]:
    ends = below + np.cumsum(counts)
    found = {}
    for rank in ranks:
        place = int(np.searchsorted(ends, rank, side="right"))
        count = int(counts[place])
        found[rank] = _Cell(low + (place << shift), shift, int(ends[place]) - count, count)
    return found


def _fetch(
    again: Callable[[], Iterator[Floats]], histogram: _Histogram, cells: list[_Cell], tail_end: int
) -> Floats:
    """The frame times in these cells and all from ``tail_end`` on (as bit pattern), ascending."""
    wanted = np.zeros(len(histogram.counts), bool)  # bins of the first pass to look into
    for cell in cells:
        wanted[(cell.low >> _FIRST_SHIFT) - histogram.base] = True
    wanted[max(0, (tail_end >> _FIRST_SHIFT) - histogram.base) :] = True
    split = [cell for cell in cells if cell.shift < _FIRST_SHIFT]
    whole = wanted.copy()
    for cell in split:
        whole[(cell.low >> _FIRST_SHIFT) - histogram.base] = False

    def picked(chunk: Floats) -> Bits:
        bits = _bits(chunk)
        some = bits[wanted[(bits >> _FIRST_SHIFT) - histogram.base]]
        if split:
            kept = whole[(some >> _FIRST_SHIFT) - histogram.base] | (some >= tail_end)
            for cell in split:
                kept |= (some >= cell.low) & (some < cell.end)
            some = some[kept]
        return np.asarray(some)

    def of_batch(batch: Floats) -> Bits:
        return np.concatenate([np.empty(0, np.int64), *map(picked, _chunks([batch]))])

    joined = np.concatenate(list(in_order(of_batch, again())))
    joined.sort()
    return joined.view(np.float64)


def _chunks(batches: Iterable[Floats]) -> Iterator[Floats]:
    """The same in pieces that stay in the processor's cache."""
    for batch in batches:
        for begin in range(0, len(batch), _CHUNK):
            yield batch[begin : begin + _CHUNK]


def _bits(values: Floats) -> Bits:
    """The bit patterns of positive numbers as whole numbers, which have the same order."""
    return values.view(np.int64)
