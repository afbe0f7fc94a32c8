"""Frames joined with telemetry: a row per second, and power, energy and clocks by frame rate.

Power is integrated by the trapezoid rule over its samples, with the values at the seconds' edges
interpolated, which is exact for power that changes linearly between samples. A second without a reading, or
inside a gap between readings, has no value.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from harness.columns import Column, F, I, schema_of
from harness.frames.metrics import per_second_fps

Floats = NDArray[np.float64]

SECOND_COLUMNS: tuple[Column, ...] = (
    Column("second_s", F, "s", "start of the second, from the window's start", nullable=False),
    Column("fps", F, "1/s", "frames in this second; a frame counts to the seconds it spans", nullable=False),
    Column("longest_frame_ms", F, "ms", "longest frame that ended in this second"),
    Column("power_w", F, "W", "mean power of the card over this second"),
    Column("core_clock_mhz", F, "MHz", "mean core clock over this second"),
    Column("memory_clock_mhz", F, "MHz", "mean memory clock over this second"),
    Column("core_temp_c", F, "°C", "mean core temperature over this second"),
    Column("gpu_load_pct", F, "%", "mean load of the card over this second"),
)
SEGMENT_COLUMNS: tuple[Column, ...] = (
    Column("from_fps", F, "1/s", "seconds of at least this frame rate", nullable=False),
    Column("below_fps", F, "1/s", "and below this one; infinite for the last segment", nullable=False),
    Column("seconds", I, "", "seconds in the segment", nullable=False),
    Column("time_pct", F, "%", "share of the whole seconds of the window", nullable=False),
    Column("frames", F, "", "frames in them", nullable=False),
    Column("average_fps", F, "1/s", "frames / seconds"),
    Column("energy_j", F, "J", "energy in the seconds that have a power reading"),
    Column("power_w", F, "W", "mean power over these"),
    Column("energy_per_frame_j", F, "J", "energy / frames of these"),
    Column("core_clock_mhz", F, "MHz", "mean core clock"),
    Column("memory_clock_mhz", F, "MHz", "mean memory clock"),
    Column("core_temp_c", F, "°C", "mean core temperature"),
    Column("gpu_load_pct", F, "%", "mean load of the card"),
)
SECONDS = schema_of(SECOND_COLUMNS)
SEGMENTS = schema_of(SEGMENT_COLUMNS)
_MEANS = ("power_w", "core_clock_mhz", "memory_clock_mhz", "core_temp_c", "gpu_load_pct")


def per_second(frames: pa.Table, telemetry: pa.Table | None, *, longest_gap_s: float = 2.0) -> pa.Table:
    """One row for each whole second of the window that frames cover.

    Args:
        frames: Columns of ``harness.tables.FRAMES``; without pauses, as cut to the window.
        telemetry: Columns of ``harness.tables.TELEMETRY``; those it lacks are null.
        longest_gap_s: Readings further apart than this say nothing about the time between them.
    Returns:
        Schema :data:`SECONDS`.
    """
    if not frames.num_rows:
        return SECONDS.empty_table()
    frametime_ms = frames["frametime_ms"].to_numpy()
    end_s = frames["t_s"].to_numpy()
    start_s = float(end_s[0] - frametime_ms[0] / 1e3)
    fps = per_second_fps(frametime_ms, start_s)
    seconds = np.ceil(start_s - 1e-9) + np.arange(len(fps))
    columns: dict[str, pa.Array] = {
        "second_s": pa.array(seconds),
        "fps": pa.array(fps),
        "longest_frame_ms": pa.array(_longest(end_s, frametime_ms, seconds), from_pandas=True),
    }
    for name in _MEANS:
        values = np.full(len(seconds), np.nan)
        if telemetry is not None and name in telemetry.column_names and len(seconds):
            readings = telemetry[name].to_numpy().astype(float)
            values = _means(telemetry["t_s"].to_numpy(), readings, seconds, longest_gap_s)
        columns[name] = pa.array(values, from_pandas=True)
    return pa.table(columns, schema=SECONDS)


def by_frame_rate(seconds: pa.Table, edges_fps: Sequence[float]) -> pa.Table:
    """Power, energy and clocks by frame-rate segment.

    Args:
        seconds: As from :func:`per_second`.
        edges_fps: Rising bounds between segments, 1/s; ``[60, 120]`` makes three.
    Returns:
        Schema :data:`SEGMENTS`, one row per segment, those without a second included.
    """
    edges = [0.0, *edges_fps, np.inf]
    if any(not low < high for low, high in pairwise(edges)):
        raise ValueError(f"edges_fps must be positive and rise, got {list(edges_fps)}")
    fps = seconds["fps"].to_numpy()
    values = {name: seconds[name].to_numpy().astype(float) for name in _MEANS}
    rows = [_segment(low, high, fps, (fps >= low) & (fps < high), values) for low, high in pairwise(edges)]
    return pa.Table.from_pylist(rows, schema=SEGMENTS)


def _segment(
    low: float, high: float, fps: Floats, mine: NDArray[np.bool_], values: Mapping[str, Floats]
) -> dict[str, float | int | None]:
    count = int(np.count_nonzero(mine))
    frames = float(np.sum(fps[mine]))
    powered = mine & np.isfinite(values["power_w"])
    energy_j = float(np.sum(values["power_w"][powered])) if powered.any() else None
    frames_powered = float(np.sum(fps[powered]))
    row: dict[str, float | int | None] = {
        "from_fps": low,
        "below_fps": high,
        "seconds": count,
        "time_pct": 100.0 * count / len(fps) if len(fps) else 0.0,
        "frames": frames,
        "average_fps": frames / count if count else None,
        "energy_j": energy_j,
        "energy_per_frame_j": energy_j / frames_powered if energy_j is not None and frames_powered else None,
    }
    for name in _MEANS:
        known = values[name][mine & np.isfinite(values[name])]
        row[name] = float(np.mean(known)) if len(known) else None
    return row


def _longest(end_s: Floats, frametime_ms: Floats, seconds: Floats) -> Floats:
    longest = np.full(len(seconds), np.nan)
    if not len(seconds):
        return longest
    second = np.ceil(end_s - 1e-12) - 1 - seconds[0]
    inside = (second >= 0) & (second < len(seconds))
    np.fmax.at(longest, second[inside].astype(int), frametime_ms[inside])
    return longest


def _means(t_s: Floats, readings: Floats, seconds: Floats, longest_gap_s: float) -> Floats:
    """Mean of the piecewise linear reading over each second; NaN where it isn't known throughout."""
    known = np.isfinite(readings)
    t_s, readings = t_s[known], readings[known]
    means = np.full(len(seconds), np.nan)
    if len(t_s) < 2:
        return means
    edges = np.append(seconds, seconds[-1] + 1.0)
    points = np.unique(np.concatenate((t_s, edges)))
    values = np.interp(points, t_s, readings)
    areas = np.concatenate(([0.0], np.cumsum(np.diff(points) * (values[1:] + values[:-1]) / 2)))
    integral = areas[np.searchsorted(points, edges)]
    means = np.diff(integral)
    gap = np.flatnonzero(np.diff(t_s) > longest_gap_s)
    unknown = (seconds < t_s[0] - 1e-9) | (seconds + 1 > t_s[-1] + 1e-9)
    for place in gap:
        unknown |= (seconds < t_s[place + 1]) & (seconds + 1 > t_s[place])
    means[unknown] = np.nan
    return means
