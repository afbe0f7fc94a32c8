"""What the telemetry of one window says: means over time, energy, limit reasons. Pure functions on a table.

All means are weighted by time (trapezoid rule over the readings, linear to the window's edges), because
readings are unevenly spaced where a sensor was slow; the plain mean of samples would be wrong there.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import ClassVar

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from harness.metrics import METRICS
from harness.metrics.inputs import Value
from harness.tables import QUANTITIES
from harness.telemetry.limits import IDLE_BIT, all_reasons
from harness.telemetry.power_sources import (
    Disagreement,
    SourceMean,
    best_source,
    disagreements,
    moves,
    source_means,
)

Floats = NDArray[np.float64]

#: Share of the window that readings must span for a mean or an energy to be stated.
LEAST_SPAN = 0.5
#: A quantity that was read less often tells nothing of how often it usually is.
_LEAST_READINGS = 4


@dataclass(frozen=True)
class TelemetrySummary(Mapping[str, object]):
    """What the telemetry of one window says, as a mapping under the names of its columns.

    Attributes:
        figures: Column -> value, of every metric with a formula of telemetry; None for what the rig lacks.
        energy_source: How the energy was come by; None where it was not.
        limit_reasons: Why the driver held the clock down; None where it says nothing of that.
        telemetry_samples: Rows inside the window.
        telemetry_gap_s: Time without telemetry inside the window; None where there is none at all.
        marks: What was unusual, a sentence each.
        dispute: What the card's sources of power disagree on; None where they agree.
        card_source: Quantity that the card's power was taken from; None for none.
    """

    figures: Mapping[str, Value]
    energy_source: str | None
    limit_reasons: list[str] | None
    telemetry_samples: int
    telemetry_gap_s: float | None
    marks: tuple[str, ...]
    dispute: str | None = None
    card_source: str | None = None

    _COLUMNS: ClassVar = ("energy_source", "limit_reasons", "telemetry_samples", "telemetry_gap_s")

    def __getitem__(self, column: str) -> object:
        return getattr(self, column) if column in self._COLUMNS else self.figures[column]

    def __iter__(self) -> Iterator[str]:
        yield from self.figures
        yield from self._COLUMNS

    def __len__(self) -> int:
        return len(self.figures) + len(self._COLUMNS)


def summarise_window(
    telemetry: pa.Table,
    start_s: float,
    end_s: float,
    *,
    frame_count: int | None,
    average_fps: float | None = None,
    rhythm: Rhythm | None = None,
) -> TelemetrySummary:
    """Summarise the telemetry of a measured window by the formulas of :mod:`harness.metrics`.

    Args:
        telemetry: Layout :data:`harness.tables.TELEMETRY`; rows outside the window may be there and help
            at its edges. Missing columns count as absent.
        start_s: Window's start on the table's clock, s.
        end_s: Window's end on the same clock, s; after ``start_s``.
        frame_count: Frames inside the window; None where the title has no frames.
        average_fps: Of these frames, over the time that they took.
        rhythm: What the rhythm of the frames does to each source of the card's power; None where that is
            not known.

    Raises:
        ValueError: The window is empty.
    """
    window = Window(telemetry, start_s, end_s, frame_count, average_fps, rhythm)
    masks = window.inside("limit_reasons")
    return TelemetrySummary(
        figures={m.name: m.of_telemetry(window) for m in METRICS.own() if m.of_telemetry is not None},
        energy_source=_energy_source(window),
        limit_reasons=all_reasons(int(mask) & ~IDLE_BIT for mask in np.unique(masks)) if masks.size else None,
        telemetry_samples=window.rows,
        telemetry_gap_s=window.gap_s(),
        marks=tuple(_marks(window)),
        dispute=window.disputes[0].sentence if window.disputes else None,
        card_source=window.card_source(),
    )


def _energy_source(window: Window) -> str | None:
    source = window.card_source()
    if source is None or source == "energy_j":
        return None if source is None else "counter"
    alone = len(window.power_means) == 1
    return "averaged reading" if source == "power_average_w" and not alone else "integral of power"


def _marks(window: Window) -> Iterator[str]:
    if window.was_reset("energy_j"):
        yield "the card's energy counter started again in the window: its driver was reset"


@dataclass(frozen=True)
class Rhythm:
    """What the rhythm of frames can do to each source of the card's power, by quantity.

    Attributes:
        u_w: Standard uncertainty of the mean, W.
        bound_w: How far the mean can be off at most, W.
    """

    u_w: Mapping[str, float] = field(default_factory=dict)
    bound_w: Mapping[str, float] = field(default_factory=dict)


class Window:
    """The readings of a table, cut to a window; :class:`harness.metrics.inputs.Telemetry` for formulas."""

    def __init__(
        self,
        telemetry: pa.Table,
        start_s: float,
        end_s: float,
        frame_count: int | None = None,
        average_fps: float | None = None,
        rhythm: Rhythm | None = None,
    ) -> None:
        if not end_s > start_s:
            raise ValueError(f"the window must have a length, got {start_s} to {end_s} s")
        self.frame_count = frame_count
        self.average_fps = average_fps
        self._rhythm = rhythm or Rhythm()
        self._read: dict[str, tuple[Floats, Floats]] = {}
        self.duration_s = end_s - start_s
        self._telemetry = telemetry
        self.start_s, self.end_s = start_s, end_s
        self._t_s = _floats(telemetry, "t_s")
        self._inside = (self._t_s >= start_s) & (self._t_s <= end_s)
        self.rows = int(self._inside.sum())

    def inside(self, quantity: str) -> Floats:
        """Readings inside the window, without the nulls."""
        values = _floats(self._telemetry, quantity)[self._inside]
        return values[np.isfinite(values)]

    def mean(self, quantity: str) -> float | None:
        """Mean over time; None without readings that span at least half of the window."""
        return _time_mean(*self.readings(quantity), self.start_s, self.end_s)

    def end_mean(self, quantity: str) -> float | None:
        """Mean over the window's last quarter."""
        quarter_s = self.end_s - self.duration_s / 4
        return Window(self._telemetry, quarter_s, self.end_s).mean(quantity)

    def highest(self, quantity: str) -> float | None:
        """Highest reading inside the window."""
        values = self.inside(quantity)
        return float(values.max()) if values.size else None

    def mean_level(self, quantity: str) -> float | None:
        """Energy mean of a level in dB: 10 lg of the mean over time of 10^(L/10) (ISO 1996-1)."""
        t_s, level_db = self.readings(quantity)
        mean = _time_mean(t_s, 10.0 ** (level_db / 10), self.start_s, self.end_s)
        return None if not mean else float(10 * np.log10(mean))

    def mean_power(self, energy: str, power: str) -> float | None:
        """Mean power, W: by the energy counter where there is one, else by readings of power."""
        by_counter = self.mean_rate(energy)
        return by_counter if by_counter is not None else self.mean(power)

    def mean_rate(self, counter: str) -> float | None:
        """Mean rate of a counter that grows, per second; None where it never moved or was reset in it.

        A counter that is polled faster than it moves is a staircase; only the moves count as readings, so
        that the interpolation at the edges is not biased by up to one step.
        """
        t_s, total = self.readings(counter)
        if not np.diff(total).any():
            return None
        moved = moves(total)
        t_s, total = t_s[moved], total[moved]
        begin_s, end_s = max(self.start_s, t_s[0]), min(self.end_s, t_s[-1])
        if self.was_reset(counter) or end_s - begin_s < LEAST_SPAN * (self.end_s - self.start_s):
            return None
        touched = slice(
            max(0, int(np.searchsorted(t_s, begin_s, "right")) - 1), int(np.searchsorted(t_s, end_s)) + 1
        )
        # differences before sums: a counter since driver load is large against one window's energy
        origin = total[touched][0]
        begin, end = np.interp([begin_s, end_s], t_s[touched], total[touched] - origin)
        return float((end - begin) / (end_s - begin_s))

    @cached_property
    def power_means(self) -> tuple[SourceMean, ...]:
        """Mean power of the card by each of its sources."""
        return source_means(self)

    @cached_property
    def disputes(self) -> tuple[Disagreement, ...]:
        """Pairs of these that disagree, the largest difference first."""
        return disagreements(self, self.power_means, bound_w=self._rhythm.bound_w)

    def card_source(self) -> str | None:
        """Quantity that the card's power is taken from: the best one for this title; None without any."""
        return None if self._best is None else self._best.quantity

    def card_u_w(self) -> float | None:
        """Standard uncertainty of the card's mean power, W; None without a mean."""
        return None if self._best is None else math.hypot(self._best.u_w, self.card_sensor_u_w() or 0.0)

    def card_sensor_u_w(self) -> float | None:
        """What of it repeats don't average out: by the rhythm, or by what sources disagree on."""
        best = self._best
        if best is None:
            return None
        apart_w = max((d.u_w for d in self.disputes if best in (d.one, d.other)), default=0.0)
        return max(apart_w, self.card_rhythm_u_w() or 0.0)

    def card_rhythm_u_w(self) -> float | None:
        """What of it comes from the rhythm of frames; None where that is not known."""
        return self._rhythm.u_w.get(self.card_source() or "")

    @cached_property
    def _best(self) -> SourceMean | None:
        return best_source(self.power_means, self._rhythm.u_w)

    def was_reset(self, counter: str) -> bool:
        """Whether a counter went back between two readings that touch the window."""
        t_s, total = self.readings(counter)
        back = np.diff(total) < 0
        return bool(np.any(back & (t_s[1:] > self.start_s) & (t_s[:-1] < self.end_s)))

    def gap_s(self) -> float | None:
        """Time without telemetry inside the window; None where the table is empty."""
        if self._t_s.size == 0:
            return None
        if self.rows == 0:
            return self.end_s - self.start_s
        t_s = self._t_s
        first, last = np.flatnonzero(self._inside)[[0, -1]]
        before = np.concatenate([[self.start_s], t_s[:-1]])
        steps = np.minimum(t_s, self.end_s) - np.maximum(before, self.start_s)
        marked = _gaps(self._telemetry) & _nothing_read(self._telemetry, t_s)
        touching = slice(first, min(last + 2, t_s.size))  # the row after the window closes its last step
        total = float(steps[touching][marked[touching]].clip(min=0).sum())
        usual_s = float(np.median(np.diff(t_s))) if t_s.size > 1 else 0.0
        if first == 0 and not marked[0]:
            total += _beyond(t_s[0] - self.start_s, usual_s)
        if last == t_s.size - 1:
            total += _beyond(self.end_s - t_s[-1], usual_s)
        return total

    def readings(self, quantity: str) -> tuple[Floats, Floats]:
        """Times and values that were read, inside the window and beside it; shapes (n,)."""
        if quantity not in self._read:
            values = _floats(self._telemetry, quantity)
            present = np.isfinite(values)
            self._read[quantity] = self._t_s[present], values[present]
        return self._read[quantity]


def _time_mean(t_s: Floats, values: Floats, start_s: float, end_s: float) -> float | None:
    """Mean over time by the trapezoid rule, linear between readings, on the part that they span."""
    inside = (t_s > start_s) & (t_s < end_s)
    if t_s.size == 0 or not (inside.any() or (t_s[0] <= start_s and t_s[-1] >= end_s)):
        return None
    begin_s, stop_s = max(start_s, float(t_s[0])), min(end_s, float(t_s[-1]))
    if stop_s - begin_s < LEAST_SPAN * (end_s - start_s):
        return None
    edges = np.interp([begin_s, stop_s], t_s, values)
    grid = np.concatenate([[begin_s], t_s[inside], [stop_s]])
    curve = np.concatenate([edges[:1], values[inside], edges[1:]])
    return float(np.trapezoid(curve, grid) / (stop_s - begin_s))


def _beyond(silence_s: float, usual_s: float) -> float:
    """Length of a silence at the window's edge, 0 where it is no longer than two usual steps."""
    return float(silence_s) if silence_s > 2 * usual_s else 0.0


def _floats(table: pa.Table, name: str) -> Floats:
    """A column as float64 with NaN for null; all NaN where the table lacks it."""
    if name not in table.column_names:
        return np.full(table.num_rows, np.nan)
    column = table.column(name).cast(pa.float64(), safe=False)
    return np.asarray(column.to_numpy(zero_copy_only=False), dtype=np.float64)


def _nothing_read(telemetry: pa.Table, t_s: Floats) -> NDArray[np.bool_]:
    """Rows before which all telemetry is missing: no quantity was read there as often as it usually is.

    A row between two readings of a quantity that is read once a second lacks nothing.
    """
    uncovered = np.ones(t_s.size, dtype=np.bool_)
    if t_s.size < 2:
        return uncovered
    row_s = float(np.median(np.diff(t_s)))
    for quantity in QUANTITIES:
        if quantity not in telemetry.column_names:
            continue
        read = np.flatnonzero(telemetry.column(quantity).is_valid().to_numpy())
        if read.size < _LEAST_READINGS:
            continue
        steps = np.diff(t_s[read])
        usual = steps <= 1.5 * max(row_s, float(np.median(steps)))
        # +1 after the first row of a usual step, -1 after its last: rows within one have a positive sum
        edges = np.zeros(t_s.size + 1, dtype=np.int64)
        np.add.at(edges, read[:-1][usual] + 1, 1)
        np.add.at(edges, read[1:][usual] + 1, -1)
        uncovered &= np.cumsum(edges[:-1]) <= 0
    return uncovered


def _gaps(table: pa.Table) -> NDArray[np.bool_]:
    if "gap" not in table.column_names:
        return np.zeros(table.num_rows, dtype=np.bool_)
    column = table.column("gap").cast(pa.uint8()).fill_null(0)
    return np.asarray(column.to_numpy(zero_copy_only=False)).astype(np.bool_)
