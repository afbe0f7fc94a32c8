"""How far a source's mean over a window can be off under a load that goes on and off. Pure.

The mean of looks at times φ + jT, each averaging over w, of a load u(t) with Fourier transform U(f) over the
window is ``Σ_k U(k/T)·sinc(k·w/T)·exp(2πikφ/T)``: all that the load holds at multiples of the looks' rhythm
turns into an error, which depends on the phase φ that nobody knows (aliasing; sampling theorem, Shannon,
Proc. IRE 37(1):10-21, 1949). The load's transform comes from its own frame times, so jitter, drift of the
rate and the length of the window are in it. Errors by the window's edges are not part of this.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from harness.power_sensor.model import PowerSensorModel, SourceModel

#: Bins of the load's course: so short at best, and so many at most.
_BIN_S: Final = 5e-5
_MOST_BINS: Final = 600_000
#: Of a longer window only so much is looked at: what it could tell apart beyond that is not claimed.
_LONGEST_S: Final = 120.0
_HIGHEST_HZ: Final = 1500.0
_FEWEST_ORDERS: Final = 48
_PHASES: Final = 128
#: The looks' rhythm is tried within so many standard uncertainties.
_COVER: Final = 2.0
_MOST_RHYTHMS: Final = 200
#: Duties that are tried where a title's is not known.
_DUTIES: Final = (0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9)


@dataclass(frozen=True)
class RhythmError:
    """What the rhythm can do to the mean of one source over a window.

    Attributes:
        relative_bound: Largest error over all phases, as a share of the mean power.
        relative_u: Standard uncertainty of the mean by the unknown phase, as a share of it.
        swing_bound: The first as a share of the difference between power under load and between loads.
        harmonic: Which multiple of the looks' rhythm carries most of it; 0 where there is no error.
        load_hz: The load's frequency there, so that a person can be told what meets what.
        apart_hz: The window can't tell rates apart that lie closer than this.
    """

    relative_bound: float
    relative_u: float
    swing_bound: float
    harmonic: int = 0
    load_hz: float = 0.0
    apart_hz: float = 0.0


def rhythm_error(
    model: PowerSensorModel,
    *,
    window_s: float,
    rate_hz: float | None = None,
    frametimes_ms: Sequence[float] | NDArray[np.float64] | None = None,
    duty: float | None = None,
    jitter: float = 0.0,
    mean_w: float | None = None,
) -> dict[str, RhythmError]:
    """What each source of the model can be off by, for one load; name of the source -> error.

    Args:
        model: Of the card.
        window_s: Length of the measured window, s.
        rate_hz: Frames (loads) a second, where the frame times are not at hand.
        frametimes_ms: The frame times of the window instead, 1-D, ms.
        duty: Share of the time that the card works; None: the worst of several is taken.
        jitter: With ``rate_hz``: standard deviation of each load's start, as a share of the period.
        mean_w: Mean power of the title; None: that of the model's own load at this duty.

    Raises:
        ValueError: Neither or both of rate and frame times, or a number that can't be one.
    """
    times_s = _frame_ends(window_s, rate_hz, frametimes_ms, jitter)
    found: dict[str, RhythmError] = {}
    for each in _DUTIES if duty is None else (duty,):
        if not 0 < each <= 1:
            raise ValueError(f"duty must lie in (0, 1], got {each}")
        spectrum = _Spectrum(times_s, each)
        share = swing_share(model, each, mean_w)
        for source in model.sources:
            error = _of_source(source, spectrum, share)
            if source.name not in found or error.relative_bound > found[source.name].relative_bound:
                found[source.name] = error
    return found


def swing_share(model: PowerSensorModel, duty: float, mean_w: float | None = None) -> float:
    """Power under load less that between loads, as a share of the mean power."""
    if mean_w is None:
        return (model.on_w - model.off_w) / (model.off_w + duty * (model.on_w - model.off_w))
    return max(0.0, mean_w - model.off_w) / duty / mean_w if mean_w > 0 else 0.0


def _frame_ends(
    window_s: float,
    rate_hz: float | None,
    frametimes_ms: Sequence[float] | NDArray[np.float64] | None,
    jitter: float,
) -> NDArray[np.float64]:
    """Begin of the first frame and ends of all, s."""
    if (rate_hz is None) == (frametimes_ms is None):
        raise ValueError("give either rate_hz or frametimes_ms")
    if frametimes_ms is not None:
        frames_s = np.asarray(frametimes_ms, np.float64) / 1e3
        if frames_s.ndim != 1 or frames_s.size == 0 or not np.all(frames_s > 0):
            raise ValueError("frametimes_ms must be a non-empty 1-D array of positive numbers")
        ends_s = np.concatenate((np.zeros(1), np.cumsum(frames_s)))
        return np.asarray(ends_s[ends_s <= min(window_s, _LONGEST_S) + frames_s[0]], np.float64)
    if not (window_s > 0 and rate_hz is not None and 0 < rate_hz <= 1e4):
        raise ValueError(f"window_s and rate_hz must be positive, got {window_s} and {rate_hz}")
    count = max(1, round(min(window_s, _LONGEST_S) * rate_hz))
    ends_s = np.arange(count + 1) / rate_hz
    if jitter > 0:
        shifts = np.random.default_rng(0).normal(0.0, jitter / rate_hz, ends_s.size)
        ends_s = np.sort(ends_s + shifts)
    return np.asarray(ends_s, np.float64)


class _Spectrum:
    """Fourier transform of the load's course (0 or 1) about its mean, time from the window's middle."""

    def __init__(self, ends_s: NDArray[np.float64], duty: float) -> None:
        begins_s, lengths_s = ends_s[:-1], np.diff(ends_s)
        work_s = np.minimum(duty * float(np.mean(lengths_s)), lengths_s)
        self.length_s = float(ends_s[-1] - ends_s[0])
        self.rate_hz = len(lengths_s) / self.length_s
        begin_s = float(ends_s[0])
        bins = max(8, min(_MOST_BINS, math.ceil(self.length_s / _BIN_S)))
        edges_s = begin_s + np.arange(bins + 1) * (self.length_s / bins)
        # Time under load up to any moment: linear between begins and ends of loads, so exact in each bin.
        at_s = np.column_stack((begins_s, begins_s + work_s)).ravel()
        done_s = np.column_stack((np.cumsum(work_s) - work_s, np.cumsum(work_s))).ravel()
        course = np.diff(np.interp(edges_s, at_s, done_s)) / (self.length_s / bins)
        self.duty = float(course.mean())
        padded = 1 << (4 * bins - 1).bit_length()  # other lengths take up to ten times as long
        self._step_hz = bins / self.length_s / padded
        self._values = np.fft.rfft(course - self.duty, padded) / bins

    def at(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Its values at these frequencies, Hz; any shape."""
        index = np.rint(frequency_hz / self._step_hz).astype(int)
        known = index < len(self._values)
        to_middle = np.exp(1j * np.pi * index * self._step_hz * self.length_s)
        return np.where(known, self._values[np.where(known, index, 0)] * to_middle, 0)


def _of_source(source: SourceModel, spectrum: _Spectrum, share: float) -> RhythmError:
    round_s = source.round_s
    apart_hz = 1 / spectrum.length_s
    if round_s is None:
        return RhythmError(0.0, 0.0, 0.0, apart_hz=apart_hz)
    orders = np.arange(1, max(_FEWEST_ORDERS, min(400, math.ceil(_HIGHEST_HZ * round_s))))
    spread = _COVER * source.rhythm_u
    # Fine enough that no line of the load, a window's length wide, falls between two tries of a low order:
    tries = math.ceil(4 * spread * 10 / round_s / apart_hz) | 1
    rounds_s = round_s * (1 + spread * np.linspace(-1, 1, max(1, min(_MOST_RHYTHMS | 1, tries))))
    # Lanczos' factors against the overshoot of a series that ends (Applied Analysis, 1956, from memory):
    gains = looks_gain(source, orders) * np.sinc(orders / (orders[-1] + 1))
    lines = spectrum.at(orders[None, :] / rounds_s[:, None]) * gains[None, :]
    phases = np.exp(2j * np.pi * np.outer(orders, np.arange(_PHASES)) / _PHASES)
    errors = 2 * np.real(lines @ phases)
    worst = int(np.argmax(np.max(np.abs(errors), axis=1)))
    bound = float(np.max(np.abs(errors[worst])))
    rms = float(np.max(np.sqrt(np.mean(errors**2, axis=1))))
    order = int(orders[np.argmax(np.abs(lines[worst]))])
    return RhythmError(
        relative_bound=bound * share,
        relative_u=rms * share,
        swing_bound=bound,
        harmonic=order if bound > 0 else 0,
        load_hz=order / float(rounds_s[worst]) if bound > 0 else 0.0,
        apart_hz=apart_hz,
    )


def looks_gain(source: SourceModel, orders: NDArray[np.int64]) -> NDArray[np.complex128]:
    """How much of a load at these multiples of its round a source turns into a steady error."""
    round_s = source.round_s
    if round_s is None or source.rhythm_s is None:
        return np.zeros(orders.shape, np.complex128)
    gain = np.sinc(orders * source.look_s / round_s) / (1 + 2j * np.pi * orders * source.lag_s / round_s)
    if source.weights:
        turns = np.outer(orders, np.arange(len(source.weights))) / len(source.weights)
        gain = gain * (np.exp(2j * np.pi * turns) @ np.asarray(source.weights))
    return np.asarray(gain, np.complex128)


def bounds_over_rates(
    source: SourceModel, from_hz: float, until_hz: float, window_s: float = 1.5, duty: float = 0.5
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Largest error of a source over the rate of even loads: rates in Hz, shares of the swing; both 1-D."""
    rates_hz = np.geomspace(from_hz, until_hz, 400)
    peaks = [m / (source.round_s or 1.0) / n for m in range(1, 60) for n in range(1, 6)]
    rates_hz = np.unique(np.concatenate((rates_hz, [p for p in peaks if from_hz < p < until_hz])))
    bounds = []
    for rate_hz in rates_hz:
        spectrum = _Spectrum(_frame_ends(window_s, float(rate_hz), None, 0.0), duty)
        bounds.append(_of_source(source, spectrum, 1.0).swing_bound)
    return np.asarray(rates_hz, np.float64), np.asarray(bounds, np.float64)
