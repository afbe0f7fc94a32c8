"""Ties a frame log's clock to the rig's: by markers, or by how the load of the card follows the frames.

The result is an offset (log time + offset = rig time) with a standard uncertainty, both stored with the
attempt. Where neither method can tell, it says so; a guess is never passed off as a measurement.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from harness.rig import ClockMarker, FrameLog

Floats = NDArray[np.float64]

_FINEST_GRID_S = 0.02
_MOST_STEPS = 8000
_SMOOTH_S = 0.5
_LEAST_CORRELATION = 0.5
_LEAST_OVERLAP_S = 5.0
_RIVAL_SHARE = 0.9
_RIVAL_DISTANCE_S = 2.0


@dataclass(frozen=True)
class Alignment:
    """An offset between two clocks.

    Attributes:
        offset_s: Log time + this = rig time.
        uncertainty_ms: Standard uncertainty of the offset, ms.
        method: What it was found by.
        agreement: Correlation at the offset, or 1 for markers.
    """

    offset_s: float
    uncertainty_ms: float
    method: Literal["markers", "load"]
    agreement: float


def align_by_markers(markers: Sequence[ClockMarker]) -> Alignment:
    """Offset from markers that the log's clock took first and the rig saw later, each after a delay.

    A title reads its clock, is interrupted, prints, and may keep its lines back for seconds; no delay is
    negative. So no marker allows an offset above the rig's latest time for it less the log's, and the
    smallest of these differences bounds the offset from above for certain (the minimum filter of clock
    synchronisation; common practice). From below it is bounded by the smallest difference of the
    earliest times, as far as one line was printed as soon as its time was taken. The offset is the middle
    between both.

    Uncertainty: the bounds as a rectangular distribution (JCGM 100:2008, 4.3.7), and in quadrature how
    far the second smallest upper bound lies above the smallest, which is what the smallest of n delays
    leaves open: for delays exponentially distributed the expected gap is mean / (n - 1), the expected
    smallest delay mean / n.

    Raises:
        ValueError: No markers, or numbers that are not finite.
    """
    if not markers:
        raise ValueError("there is no marker")
    log_s, rig_s, resolution_s = np.array(markers, dtype=float).T
    middle_s = rig_s - log_s
    latest_s = np.sort(middle_s + resolution_s / 2)
    most_s, least_s = float(latest_s[0]), float((middle_s - resolution_s / 2).min())
    if not (math.isfinite(most_s) and math.isfinite(least_s)):
        raise ValueError("marker times must be finite")
    gap_s = float(latest_s[1]) - most_s if len(latest_s) > 1 else 0.0
    uncertainty_s = math.hypot((most_s - least_s) / math.sqrt(12), gap_s)
    return Alignment((most_s + least_s) / 2, 1e3 * uncertainty_s, "markers", 1.0)


def align_by_load(
    log_t_s: Floats,
    frametime_ms: Floats,
    rig_t_s: Floats,
    load: Floats,
    *,
    least_offset_s: float,
    most_offset_s: float,
) -> Alignment | None:
    """Offset at which the load (or power) of the card follows the frames best, by cross-correlation.

    Both series are put on a grid of 20 ms (coarser for runs of minutes) and smoothed over 0.5 s, as a load
    reading is an average itself: the frames as frame rate and as frame time, whichever agrees
    better. The offset is the maximum of the absolute correlation coefficient over the offsets allowed,
    refined by a parabola through its neighbours; offsets under which fewer than 5 s overlap don't count.

    Uncertainty: half the width of the peak within which the correlation is not worse than at the peak by
    one standard error of a correlation (Fisher's z, ``1/sqrt(m-3)`` with ``m`` independent half-seconds),
    taken as a rectangular distribution, and never less than the grid's.

    Args:
        log_t_s: End of each frame in log time, s.
        frametime_ms: Frame times, ms.
        rig_t_s: Times of the load samples on the rig's clock, s, rising.
        load: Load or power at these times; NaN where missing.
        least_offset_s: Smallest offset that can be, s.
        most_offset_s: Largest, s.
    Returns:
        None where the load shows no pattern, the best correlation is below 0.5, a rival peak elsewhere is
        nearly as high (a periodic scene), or the peak lies at the edge of what can be.
    """
    usable = np.isfinite(load)
    rig_t_s, load = rig_t_s[usable], load[usable]
    if len(log_t_s) < 20 or len(rig_t_s) < 20:
        return None
    longest_s = max(most_offset_s - least_offset_s, float(log_t_s[-1] - log_t_s[0]))
    grid_s = max(_FINEST_GRID_S, longest_s / _MOST_STEPS)
    offsets_s = np.arange(least_offset_s, most_offset_s + grid_s / 2, grid_s)
    loads = _load_series(rig_t_s, load, grid_s)
    best: tuple[float, Floats] | None = None
    for frames in _frame_series(log_t_s, frametime_ms, grid_s):
        correlation = _correlations(frames, loads, offsets_s, grid_s)
        peak = float(np.nanmax(np.abs(correlation), initial=0.0))
        if best is None or peak > best[0]:
            best = peak, np.abs(correlation)
    assert best is not None
    peak, strength = best
    if peak < _LEAST_CORRELATION:
        return None
    place = int(np.nanargmax(strength))
    if place in (0, len(strength) - 1):
        return None
    away = np.abs(offsets_s - offsets_s[place]) > _RIVAL_DISTANCE_S
    if away.any() and float(np.nanmax(strength[away], initial=0.0)) > _RIVAL_SHARE * peak:
        return None
    overlap_s = min(float(log_t_s[-1] - log_t_s[0]), float(rig_t_s[-1] - rig_t_s[0]))
    independent = max(4.0, overlap_s / _SMOOTH_S)
    worst = math.tanh(math.atanh(min(peak, 1 - 1e-9)) - 1 / math.sqrt(independent - 3))
    low = place
    while low > 0 and strength[low - 1] >= worst:
        low -= 1
    high = place
    while high < len(strength) - 1 and strength[high + 1] >= worst:
        high += 1
    half_width_s = max(grid_s, (offsets_s[high] - offsets_s[low]) / 2)
    return Alignment(
        float(offsets_s[place] + grid_s * _vertex(strength[place - 1 : place + 2])),
        1e3 * float(half_width_s) / math.sqrt(3),
        "load",
        peak,
    )


def tie_log(
    log: FrameLog,
    telemetry: pa.Table | None,
    *,
    window_start_s: float,
    launched_s: float,
    ended_s: float,
) -> Alignment | None:
    """Offset of a log with a clock of its own, from what the rig knows of the run.

    The whole log must lie between launch and end of the title, which bounds the offset; within the bounds
    the load of the card (else its power, else the processor's load) decides.

    Args:
        log: As read.
        telemetry: Columns of ``harness.tables.TELEMETRY``, ``t_s`` from the window's start.
        window_start_s: Start of the window on the rig's clock, s.
        launched_s: When the title was started, rig's clock, s.
        ended_s: When it was known to have ended, rig's clock, s.
    Returns:
        None where the bounds contradict each other or no reading shows a clear pattern.
    """
    if telemetry is None or log.frames.num_rows < 2:
        return None
    log_t_s, frametime_ms = log.frames["t_s"].to_numpy(), log.frames["frametime_ms"].to_numpy()
    least_s = launched_s - (float(log_t_s[0]) - float(frametime_ms[0]) / 1e3)
    most_s = ended_s - float(log_t_s[-1])
    if not most_s > least_s:
        return None
    rig_t_s = telemetry["t_s"].to_numpy() + window_start_s
    for quantity in ("gpu_load_pct", "power_w", "cpu_load_pct"):
        if quantity not in telemetry.column_names:
            continue
        readings = telemetry[quantity].to_numpy().astype(float)
        found = align_by_load(
            log_t_s, frametime_ms, rig_t_s, readings, least_offset_s=least_s, most_offset_s=most_s
        )
        if found is not None:
            return found
    return None


@dataclass(frozen=True)
class _Series:
    """Values on the grid from ``start_s`` on."""

    start_s: float
    values: Floats


def _frame_series(log_t_s: Floats, frametime_ms: Floats, grid_s: float) -> list[_Series]:
    """Frame rate, and frame time, as the load may follow either."""
    start_s = float(log_t_s[0])
    grid = np.arange(start_s, float(log_t_s[-1]), grid_s)
    if len(grid) < 3:
        return []
    done = np.interp(grid, log_t_s, np.arange(len(log_t_s), dtype=float))
    rate = _smooth(np.diff(done, append=done[-1:]) / grid_s, grid_s)
    length = _smooth(np.interp(grid, log_t_s, frametime_ms), grid_s)
    return [_Series(start_s, rate), _Series(start_s, length)]


def _load_series(rig_t_s: Floats, load: Floats, grid_s: float) -> _Series:
    grid = np.arange(float(rig_t_s[0]), float(rig_t_s[-1]), grid_s)
    return _Series(float(rig_t_s[0]), _smooth(np.interp(grid, rig_t_s, load), grid_s))


def _smooth(values: Floats, grid_s: float) -> Floats:
    width = max(1, min(len(values), round(_SMOOTH_S / grid_s)))
    padded = np.pad(values, (width // 2, width - 1 - width // 2), mode="edge")
    sums = np.cumsum(np.concatenate(([0.0], padded)))
    smoothed: Floats = (sums[width:] - sums[:-width]) / width
    return smoothed


def _correlations(frames: _Series, load: _Series, offsets_s: Floats, grid_s: float) -> Floats:
    """Pearson's correlation of what overlaps, for each offset; NaN where too little does or one is flat."""
    least = round(_LEAST_OVERLAP_S / grid_s)
    x, y = frames.values, load.values
    found = np.full(len(offsets_s), np.nan)
    for i, offset_s in enumerate(offsets_s):
        shift = round((frames.start_s + offset_s - load.start_s) / grid_s)
        begin, end = max(0, -shift), min(len(x), len(y) - shift)
        if end - begin < least:
            continue
        one, other = x[begin:end], y[begin + shift : end + shift]
        spread = float(one.std() * other.std())
        if spread > 1e-12 * max(1.0, abs(float(one.mean() * other.mean()))):
            found[i] = float(((one - one.mean()) * (other - other.mean())).mean()) / spread
    return found


def _vertex(three: Floats) -> float:
    """Vertex of the parabola through three values, in steps from the middle one, within half a step."""
    left, middle, right = (float(v) for v in three)
    curvature = left - 2 * middle + right
    if not math.isfinite(curvature) or curvature >= 0:
        return 0.0
    return min(0.5, max(-0.5, 0.5 * (left - right) / curvature))
