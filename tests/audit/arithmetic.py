"""Every published figure once more, from its definition, by code that shares nothing with the program.

Only NumPy, pandas, SciPy and the standard library. Where the program takes a short cut (blocks, partial
sorts, closed forms) this does the plain thing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

Row = dict[str, Any]


# -- one repeat's frames ---------------------------------------------------------------------------------


def quantile7(x: np.ndarray, share: float) -> float:
    """Hyndman and Fan's type 7, by hand."""
    ordered = sorted(x.tolist())
    place = (len(ordered) - 1) * share
    low = math.floor(place)
    high = min(low + 1, len(ordered) - 1)
    return ordered[low] + (place - low) * (ordered[high] - ordered[low])


def local_medians(x: np.ndarray, reach: int = 30) -> np.ndarray:
    """Median of each frame and the 30 on either side that exist."""
    return pd.Series(x).rolling(2 * reach + 1, center=True, min_periods=1).median().to_numpy()


def frame_figures(x: np.ndarray, definition: str, multiple: float, slow_below: float | None) -> Row:
    """Columns of an attempt that follow from its frame times ``x`` in ms, in order."""
    n, total = len(x), math.fsum(x)
    descending = sorted(x.tolist(), reverse=True)
    lows: dict[str, float] = {}
    for stem, share in (("one_percent_low", 0.01), ("point_one_percent_low", 0.001)):
        slowest = descending[: max(1, math.ceil(round(n * share, 6)))]
        lows[f"{stem}_percentile_fps"] = 1000 / quantile7(x, 1 - share)
        lows[f"{stem}_mean_of_slowest_fps"] = 1000 * len(slowest) / math.fsum(slowest)
        gone = 0.0
        for one in descending:
            gone += one
            if gone >= share * total * (1 - 1e-12):
                lows[f"{stem}_time_share_fps"] = 1000 / one
                break
        lows[f"{stem}_fps"] = lows[f"{stem}_{definition.replace('-', '_')}_fps"]
    medians = local_medians(x)
    stutters = x[x > multiple * medians]
    found = {
        "frame_count": n,
        "average_fps": 1000 * n / total,
        **lows,
        **{
            f"frametime_p{name}_ms": quantile7(x, q)
            for name, q in (
                ("1", 0.01),
                ("5", 0.05),
                ("25", 0.25),
                ("50", 0.5),
                ("75", 0.75),
                ("95", 0.95),
                ("99", 0.99),
                ("99_9", 0.999),
            )
        },
        "frametime_change_ms": math.fsum(np.abs(np.diff(x))) / (n - 1) if n > 1 else math.nan,
        "longest_frame_ms": descending[0],
        "stutter_count": len(stutters),
        "stutter_time_pct": 100 * math.fsum(stutters) / total,
        "long_frame_count": int(np.sum((x > 3 * medians) & (x > medians + 15))),
        "slow_time_pct": math.nan
        if slow_below is None
        else 100 * math.fsum(x[x > 1000 / slow_below]) / total,
    }
    size = n // 20
    if size >= 2:
        means = [np.mean(x[k * size : (k + 1) * size]) for k in range(20)]
        found["average_fps_rse_pct"] = 100 * stats.sem(means) / np.mean(means)
    return found


# -- one repeat's telemetry ------------------------------------------------------------------------------


def area(t: np.ndarray, y: np.ndarray, a: float, b: float) -> float:
    """Integral of the polygon through the readings, from a to b, segment by segment."""
    total = 0.0
    for t0, t1, y0, y1 in zip(t[:-1], t[1:], y[:-1], y[1:], strict=True):
        low, high = max(t0, a), min(t1, b)
        if high > low:
            at_low = y0 + (y1 - y0) * (low - t0) / (t1 - t0)
            at_high = y0 + (y1 - y0) * (high - t0) / (t1 - t0)
            total += (at_low + at_high) / 2 * (high - low)
    return total


def readings(samples: pd.DataFrame, quantity: str) -> tuple[np.ndarray, np.ndarray]:
    known = samples[samples[quantity].notna()]
    return known["t_s"].to_numpy(float), known[quantity].to_numpy(float)


def mean_over(samples: pd.DataFrame, quantity: str, a: float, b: float) -> float:
    """Mean over time from a to b, on the part that the readings span (half of it at least)."""
    t, y = readings(samples, quantity)
    if not len(t):
        return math.nan
    low, high = max(a, t[0]), min(b, t[-1])
    return area(t, y, low, high) / (high - low) if high - low >= 0.5 * (b - a) else math.nan


def rate_over(samples: pd.DataFrame, counter: str, a: float, b: float) -> float:
    """Mean rate of a counter from a to b; only readings at which it moved count where it sometimes stood."""
    t, y = readings(samples, counter)
    moved = np.concatenate([[False], y[1:] != y[:-1]]) if len(y) else np.zeros(0, bool)
    if not moved[1:].all() and moved.sum() >= 2:
        t, y = t[moved], y[moved]
    if len(t) < 2:
        return math.nan
    low, high = max(a, t[0]), min(b, t[-1])
    if high - low < 0.5 * (b - a):
        return math.nan
    return float(np.interp(high, t, y) - np.interp(low, t, y)) / (high - low)


MEANS = (
    "core_temp_c",
    "hotspot_temp_c",
    "memory_temp_c",
    "ambient_temp_c",
    "core_clock_mhz",
    "memory_clock_mhz",
    "core_voltage_mv",
    "fan_pct",
    "fan_rpm",
    "gpu_load_pct",
    "cpu_load_pct",
    "cpu_clock_mhz",
    "cpu_temp_c",
    "foreign_cpu_load_pct",
)


def telemetry_figures(samples: pd.DataFrame, window: float, frames: int | None, fps: float | None) -> Row:
    """Columns of an attempt that follow from its telemetry over ``0 … window`` s.

    Args:
        frames, fps: Frames in the window and average FPS; None for a title without frames.
    """
    found: Row = {f"mean_{name}": mean_over(samples, name, 0, window) for name in MEANS}
    counter = rate_over(samples, "energy_j", 0, window)
    integral = mean_over(samples, "power_w", 0, window)
    watts = integral if math.isnan(counter) else counter
    inside = samples[(samples["t_s"] >= 0) & (samples["t_s"] <= window)]
    end = mean_over(samples, "core_temp_c", 0.75 * window, window)
    t, level = readings(samples, "sound_level_dba")
    loud = samples.assign(sound_level_dba=10 ** (samples["sound_level_dba"] / 10))
    found |= {
        "mean_power_w": watts,
        "energy_j": watts * window,
        "energy_counter_j": counter * window,
        "energy_integral_j": integral * window,
        "mean_wall_power_w": rate_over(samples, "wall_energy_j", 0, window),
        "mean_cpu_power_w": rate_over(samples, "cpu_energy_j", 0, window),
        "max_core_temp_c": inside["core_temp_c"].max(),
        "end_core_temp_c": end,
        "core_above_ambient_k": end - found["mean_ambient_temp_c"],
        "mean_sound_level_dba": 10 * math.log10(mean_over(loud, "sound_level_dba", 0, window)),
        "telemetry_samples": len(inside),
    }
    assert len(t) == len(level)
    if frames is not None and fps is not None:
        found["energy_per_frame_j"] = watts * window / frames
        found["fps_per_w"] = fps / watts
    return found


# -- statistics ------------------------------------------------------------------------------------------


def mean_interval(values: Sequence[float], confidence: float) -> tuple[float, float, float]:
    """Mean and the ends of its Student t interval; NaN ends for a single value."""
    x = np.asarray(values, float)
    if len(x) < 2:
        return float(x.mean()), math.nan, math.nan
    half = stats.t.ppf(0.5 + confidence / 2, len(x) - 1) * stats.sem(x)
    return float(x.mean()), float(x.mean() - half), float(x.mean() + half)
