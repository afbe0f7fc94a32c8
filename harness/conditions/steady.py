"""Is a signal steady? Decided by bounds on slope and variation, not by readings that happen to agree.

Two traps are met. A sensor of whole degrees reads the same for a minute while the temperature climbs by
nearly a degree: the bound on the slope widens by what rounding can hide. And readings that follow each
other closely say little new: the standard error uses the effective number of readings of a first-order
autoregressive series, n (1 - r) / (1 + r) (Bayley & Hammersley, Suppl. J. R. Stat. Soc. 8, 184-197, 1946).
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, stdtrit

Array = NDArray[np.float64]

#: One-sided confidence of every bound here. Gates look many times, so it is higher than a single look needs.
CONFIDENCE = 0.975
#: Trailing windows that are tried, as multiples of the shortest: a coarse sensor needs a longer one.
_WINDOW_FACTORS = (1.0, 1.5, 2.0, 3.0, 4.0, 6.0)
_FRESH_S = 10.0
#: Readings may be missing inside a window for this long, and for this share of it.
_HOLE_S = 15.0
_HOLE_SHARE = 0.25
#: A bound that exceeds a limit by no more than this meets it, 1/min.
_ROUNDING = 1e-9


class Readings:
    """The last readings of one quantity, with their times.

    Args:
        keep_s: Older readings are forgotten.
        apart_s: A reading that follows the one before sooner is passed over: it would say little new.
    """

    def __init__(self, keep_s: float, apart_s: float = 0.0) -> None:
        self._keep_s = keep_s
        self._apart_s = apart_s
        self._readings: deque[tuple[float, float]] = deque()
        #: The same as an array, in the rows from _first on; rows already given out are never written again.
        self._array: Array = np.empty((0, 2))
        self._first = self._end = 0

    def add(self, t_s: float, value: float | None) -> bool:
        """Take a reading; None (no reading) is passed over. Returns whether it was kept."""
        if value is None or not math.isfinite(value):
            return False
        if self._readings and t_s < self._readings[-1][0] + self._apart_s:
            return False
        self._readings.append((t_s, value))
        while self._readings[0][0] < t_s - self._keep_s:
            self._readings.popleft()
            self._first += 1
        if self._end == len(self._array):
            kept = self._array[self._first :]
            self._array = np.empty((max(256, 2 * len(kept)), 2))
            self._array[: len(kept)] = kept
            self._first, self._end = 0, len(kept)
        self._array[self._end] = t_s, value
        self._end += 1
        return True

    def __len__(self) -> int:
        return len(self._readings)

    def arrays(self) -> tuple[Array, Array]:
        """Times and values of all readings kept."""
        kept = self._array[self._first : self._end]
        return kept[:, 0], kept[:, 1]

    def latest(self, now_s: float, within_s: float) -> float | None:
        """Median of the readings of the last ``within_s`` seconds; None where there are none."""
        recent: list[float] = []
        for t_s, value in reversed(self._readings):
            if t_s < now_s - within_s:
                break
            recent.append(value)
        return float(median(recent)) if recent else None

    def trailing(self, now_s: float, window_s: float) -> tuple[Array, Array] | None:
        """Times and values of the trailing window; None unless fresh readings cover it."""
        return trailing(*self.arrays(), now_s, window_s)


def trailing(t_s: Array, values: Array, now_s: float, window_s: float) -> tuple[Array, Array] | None:
    """Times and values of a series' trailing window; None unless fresh readings cover it without a hole."""
    end = int(t_s.searchsorted(now_s, side="right"))
    if end == 0 or t_s[end - 1] < now_s - min(_FRESH_S, window_s) or t_s[0] > now_s - 0.95 * window_s:
        return None
    begin = int(t_s.searchsorted(now_s - window_s))
    if end - begin < 4 or float(_steps(t_s[begin:end]).max()) > max(_HOLE_S, _HOLE_SHARE * window_s):
        return None
    return t_s[begin:end], values[begin:end]


# Gates look at short series a million times a night, and NumPy's own mean and diff cost several times what
# they work out there; these give the same numbers to the last bit.


def _mean(values: Array) -> float:
    return float(np.add.reduce(values)) / values.size


def _steps(values: Array) -> Array:
    steps: Array = values[1:] - values[:-1]
    return steps


@dataclass(frozen=True)
class SlopeBounds:
    """Slope of a series per minute, with the bounds that the readings leave for the true one."""

    estimate_per_min: float
    low_per_min: float
    high_per_min: float

    @property
    def largest_per_min(self) -> float:
        """Bound on the slope's size."""
        return max(abs(self.low_per_min), abs(self.high_per_min))


def resolution_of(values: Sequence[float] | Array) -> float:
    """Step of a sensor, told from its readings: 1 when all are whole, else the smallest change seen."""
    array = np.asarray(values, dtype=np.float64)
    if array.size and bool((array == np.rint(array)).all()):
        return 1.0
    steps = np.abs(_steps(array))
    steps = steps[steps > 1e-9]
    return float(min(1.0, steps.min())) if steps.size else 0.0


def lag_one_autocorrelation(values: Array) -> float:
    """Lag-1 autocorrelation, sum((x_t - m)(x_{t+1} - m)) / sum((x_t - m)^2); 0 for a constant series."""
    centred = values - _mean(values)
    total = float(centred @ centred)
    return float(centred[:-1] @ centred[1:]) / total if total > 0 else 0.0


def effective_count(values: Array) -> float:
    """Number of independent readings that the series is worth, between 2 and its length."""
    correlation = min(max(lag_one_autocorrelation(values), 0.0), 0.99)
    return max(2.0, values.size * (1 - correlation) / (1 + correlation))


def slope_bounds(
    t_s: Array,
    values: Array,
    resolution: float,
    confidence: float = CONFIDENCE,
    least_per_min: float = -math.inf,
    most_per_min: float = math.inf,
) -> SlopeBounds | None:
    """Least-squares slope with bounds for autocorrelation and rounding.

    The slope that rounding can hide in a series that shows none is one step over the series' span. A
    sensor whose own noise exceeds its step hides less: noise acts as dither, and what remains falls with
    exp(-2 (pi sigma / step)^2) (B. Widrow, I. Kollar, Quantization Noise, 2008; formula from memory).

    Args:
        t_s: Times, s, increasing, at least 4.
        values: Readings.
        resolution: Step of the sensor in the same unit; 0 for none.
        confidence: One-sided confidence of each bound.
        least_per_min, most_per_min: Bounds outside of these are of no interest: where what rounding hides
            leads there already, nothing more is worked out.

    Returns:
        None for too few readings, and where that is so.
    """
    span_s = float(t_s[-1] - t_s[0])
    if t_s.size < 4 or span_s <= 0:
        return None
    hidden = _hidden_by_rounding(values, resolution) / span_s
    centred_s = t_s - _mean(t_s)
    spread = float(centred_s @ centred_s)
    slope = float(centred_s @ values) / spread
    if not least_per_min <= 60 * (slope - hidden) <= 60 * (slope + hidden) <= most_per_min:
        return None
    residuals = values - _mean(values) - slope * centred_s
    worth = effective_count(residuals)
    variance = float(residuals @ residuals) / max(t_s.size - 2, 1)
    error = math.sqrt(variance / spread * t_s.size / worth)
    quantile = float(stdtrit(max(worth - 2, 1.0), confidence))
    half_width = quantile * error + hidden
    return SlopeBounds(60 * slope, 60 * (slope - half_width), 60 * (slope + half_width))


def _hidden_by_rounding(values: Array, resolution: float) -> float:
    if resolution <= 0:
        return 0.0
    noise_variance = _mean(np.square(_steps(values))) / 2 - resolution**2 / 12
    return resolution * math.exp(-2 * math.pi**2 * max(0.0, noise_variance) / resolution**2)


def variation_bound_pct(values: Array, confidence: float = CONFIDENCE) -> float:
    """Upper bound of the coefficient of variation, %, from the effective number of readings."""
    mean = abs(float(values.mean()))
    if mean == 0:
        return math.inf
    freedom = max(effective_count(values) - 1, 1.0)
    deviation = float(values.std(ddof=1))
    return 100 * deviation / mean * math.sqrt(freedom / float(chdtri(freedom, confidence)))


def recent_median(t_s: Array, values: Array, now_s: float, within_s: float) -> float | None:
    """Median of a series' last ``within_s`` seconds up to ``now_s``; None where it has none."""
    recent = values[np.searchsorted(t_s, now_s - within_s) : np.searchsorted(t_s, now_s, "right")]
    return float(np.median(recent)) if recent.size else None


def has_stopped_falling(
    t_s: Array, values: Array, now_s: float, limit_per_min: float, shortest_s: float
) -> bool:
    """The readings leave no slope below ``-limit_per_min`` possible, over some trailing window."""
    return any(
        bounds.low_per_min >= -limit_per_min - _ROUNDING
        for bounds in _bounds(t_s, values, now_s, shortest_s, -limit_per_min, math.inf)
    )


def is_level(t_s: Array, values: Array, now_s: float, limit_per_min: float, shortest_s: float) -> bool:
    """The readings leave no slope steeper than the limit possible, over some trailing window."""
    return any(
        bounds.largest_per_min <= limit_per_min + _ROUNDING
        for bounds in _bounds(t_s, values, now_s, shortest_s, -limit_per_min, limit_per_min)
    )


def varies_little(history: Readings, now_s: float, limit_pct: float, window_s: float) -> bool:
    """The coefficient of variation over the trailing window is inside the limit, by its upper bound."""
    window = history.trailing(now_s, window_s)
    return window is not None and variation_bound_pct(window[1]) <= limit_pct


def _bounds(
    t_s: Array, values: Array, now_s: float, shortest_s: float, least_per_min: float, most_per_min: float
) -> Iterator[SlopeBounds]:
    """Bounds over longer and longer trailing windows, as long as readings cover them.

    Windows whose own slope lies outside the limits are passed over: their bounds can only be wider.
    """
    for factor in _WINDOW_FACTORS:
        window = trailing(t_s, values, now_s, shortest_s * factor)
        if window is None:
            return
        centred_s = window[0] - _mean(window[0])
        per_min = 60 * float(centred_s @ window[1]) / float(centred_s @ centred_s)
        if not least_per_min <= per_min <= most_per_min:
            continue
        least, most = least_per_min - _ROUNDING, most_per_min + _ROUNDING
        bounds = slope_bounds(*window, resolution_of(window[1]), CONFIDENCE, least, most)
        if bounds is not None:
            yield bounds
