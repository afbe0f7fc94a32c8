"""Looks in a rhythm of their own, that is no whole part of a source's refresh. Pure.

The phase of the looks is open, and a rhythm that is a little wrong runs out of step with it. So the values
are cut into stretches, each of which may have another phase, and the rhythm that explains most in all of them
is taken; then again with finer steps and longer stretches.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.power_sensor.course import Array, WorkTable
from harness.power_sensor.published import Published

_SHORTEST_S: Final = 0.0045
_LONGEST_S: Final = 0.12
_PHASES: Final = 10
#: Stretches of each round, s; the rhythm's steps are such that a stretch stays in step.
_STRETCHES_S: Final = (1.6, 6.0)
_SLIP_S: Final = 0.003
_KEPT: Final = 12
_SHARES: Final = (0.15, 0.35, 0.6, 0.85)


@dataclass(frozen=True)
class FreeRhythm:
    """The rhythm that explains most.

    Attributes:
        rhythm_s: Of the looks.
        rhythm_u: Its relative standard uncertainty.
        look_s: A look averages so long.
        span_s: A value averages so long.
        delay_s: From the middle of that to its appearance.
        open: Share of the values' variance that is left open.
        predicted: Shares under load, one a value.
    """

    rhythm_s: float
    rhythm_u: float
    look_s: float
    span_s: float
    delay_s: float
    open: float
    predicted: Array


def best_free_rhythm(series: Published, table: WorkTable, spread_s: tuple[float, float]) -> FreeRhythm | None:
    """The rhythm of looks that explains the values best.

    Args:
        series: The values.
        table: Of the loads.
        spread_s: How long a value averages, and how far its middle lies before it appears, s.
    """
    span_s, delay_s = spread_s
    if span_s < 2 * _SHORTEST_S:
        return None
    finder = _Finder(series, table, span_s, delay_s)
    longest_s = min(_LONGEST_S, 0.8 * span_s)
    if longest_s <= _SHORTEST_S:
        return None
    best: list[tuple[float, float, float]] = []
    for number, stretch_s in enumerate(_STRETCHES_S):
        if number == 0:
            count = math.ceil(math.log(longest_s / _SHORTEST_S) * stretch_s / _SLIP_S)
            rhythms = np.geomspace(_SHORTEST_S, longest_s, count)
            tries = [(float(r), 0.4 * float(r)) for r in rhythms]
        else:
            step = _SLIP_S / stretch_s
            around = np.arange(-6, 7) * step / 2
            tries = [
                (rhythm_s * (1 + off), share * rhythm_s)
                for _, rhythm_s, _ in best
                for off in around
                for share in _SHARES
            ]
        scored = [(finder.left_open(r, w, stretch_s), r, w) for r, w in tries]
        best = sorted(scored)[:_KEPT]
    _, rhythm_s, look_s = best[0]
    predicted = finder.predicted(rhythm_s, look_s, _STRETCHES_S[-1])
    rhythm_u = _SLIP_S / _STRETCHES_S[-1] / 2
    return FreeRhythm(rhythm_s, rhythm_u, look_s, span_s, delay_s, best[0][0], predicted)


class _Finder:
    def __init__(self, series: Published, table: WorkTable, span_s: float, delay_s: float) -> None:
        self._work = table
        self._series = series
        self._begin_s = series.times_s - delay_s - span_s / 2
        self._span_s = span_s
        self._values = series.values_w - series.values_w.mean()
        self._total = float(self._values @ self._values)

    def left_open(self, rhythm_s: float, look_s: float, stretch_s: float) -> float:
        """Share of the variance that is left open, phases of the stretches chosen at their best."""
        predicted = self.predicted(rhythm_s, look_s, stretch_s)
        clean = predicted - predicted.mean()
        size = float(clean @ clean)
        along = float(clean @ self._values)
        return 1.0 if size <= 1e-12 or along <= 0 else max(0.0, 1 - along * along / size / self._total)

    def predicted(self, rhythm_s: float, look_s: float, stretch_s: float) -> Array:
        """Shares under load with the best phase of each stretch; one a value."""
        by_phase = np.stack(
            [self._means(rhythm_s, look_s, phase / _PHASES * rhythm_s) for phase in range(_PHASES)]
        )
        # Levels from the mean over phases, so that stretches are judged on one scale:
        middle = by_phase.mean(axis=0)
        scale, level = np.polyfit(middle, self._values, 1) if np.ptp(middle) > 0 else (1.0, 0.0)
        missed = (self._values - level - scale * by_phase) ** 2
        begin_s = self._series.times_s[0]
        stretch = ((self._series.times_s - begin_s) / stretch_s).astype(int)
        sums = np.stack([np.bincount(stretch, row) for row in missed])
        chosen = np.argmin(sums, axis=0)[stretch]
        return np.asarray(by_phase[chosen, np.arange(len(chosen))], np.float64)

    def _means(self, rhythm_s: float, look_s: float, shift_s: float) -> Array:
        """Mean of the looks in each value's span."""
        first_s = float(self._begin_s[0]) - rhythm_s
        count = int((float(self._begin_s[-1]) + self._span_s - first_s) / rhythm_s) + 2
        looks_s = np.asarray(first_s + shift_s + np.arange(count) * rhythm_s, np.float64)
        seen = self._work.share(looks_s, look_s)
        total = np.concatenate((np.zeros(1), np.cumsum(seen)))
        from_ = np.searchsorted(looks_s, self._begin_s)
        until = np.searchsorted(looks_s, self._begin_s + self._span_s)
        number = np.maximum(1, until - from_)
        return np.asarray((total[np.maximum(until, from_ + 1).clip(max=count)] - total[from_]) / number)
