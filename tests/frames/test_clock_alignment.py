"""Tying the clocks of frame log and telemetry together."""

from __future__ import annotations

import math

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.frames.align import align_by_load, align_by_markers, tie_log
from harness.rig import ClockMarker, FrameLog


def scene(seconds, seed, offset_s, period_s=0.1, noise=2.0):
    """Frames whose rate changes every few seconds, and a load that follows it on another clock."""
    random = np.random.default_rng(seed)
    levels = random.uniform(40, 160, int(seconds / 3) + 2)
    ends, t = [], 0.0
    while t < seconds:
        t += 1 / levels[int(t / 3)] * random.lognormal(0, 0.05)
        ends.append(t)
    log_t_s = np.array(ends)
    frametime_ms = 1e3 * np.diff(log_t_s, prepend=0.0)
    rig_t_s = np.arange(-5, seconds + 5, period_s)
    inside = (rig_t_s >= 0) & (rig_t_s < seconds)
    load = np.where(inside, 100 - levels[np.clip((rig_t_s / 3).astype(int), 0, len(levels) - 1)] / 3, 5.0)
    return log_t_s, frametime_ms, rig_t_s + offset_s, load + random.normal(0, noise, len(rig_t_s))


@settings(max_examples=6, deadline=None)
@given(st.integers(0, 10**6), st.floats(-4, 4))
def test_the_load_finds_an_unknown_offset_within_three_uncertainties(seed, offset_s):
    log_t_s, frametime_ms, rig_t_s, load = scene(60, seed, 1000 + offset_s)
    found = align_by_load(log_t_s, frametime_ms, rig_t_s, load, least_offset_s=992, most_offset_s=1008)
    assert found is not None
    assert (
        abs(found.offset_s - 1000 - offset_s) * 1e3 <= 3 * found.uncertainty_ms + 50
    )  # samples 100 ms apart
    assert 0 < found.uncertainty_ms < 1000
    assert found.agreement > 0.5


def test_a_load_without_a_pattern_gives_no_offset():
    log_t_s, frametime_ms, rig_t_s, load = scene(60, 1, 0.0)
    flat = np.full_like(load, 97.0)
    assert align_by_load(log_t_s, frametime_ms, rig_t_s, flat, least_offset_s=-5, most_offset_s=5) is None
    noise = np.random.default_rng(4).uniform(0, 100, len(load))
    assert align_by_load(log_t_s, frametime_ms, rig_t_s, noise, least_offset_s=-5, most_offset_s=5) is None


def test_a_periodic_scene_is_ambiguous_and_gives_no_offset():
    log_t_s = np.cumsum(np.where(np.arange(6000) // 200 % 2, 0.005, 0.015))
    rig_t_s = np.arange(0, log_t_s[-1], 0.1)
    load = np.where(np.interp(rig_t_s, log_t_s, np.arange(6000)) // 200 % 2, 90.0, 40.0)
    lengths = 1e3 * np.diff(log_t_s, prepend=0.0)
    assert align_by_load(log_t_s, lengths, rig_t_s, load, least_offset_s=-20, most_offset_s=20) is None


def test_gaps_in_the_load_are_left_out():
    log_t_s, frametime_ms, rig_t_s, load = scene(60, 3, 7.0)
    load[::5] = math.nan
    found = align_by_load(log_t_s, frametime_ms, rig_t_s, load, least_offset_s=0, most_offset_s=15)
    assert found is not None
    assert found.offset_s == pytest.approx(7.0, abs=0.3)


def test_a_log_too_short_gives_no_offset():
    few = np.arange(5.0)
    assert align_by_load(few, few + 1, few, few, least_offset_s=-1, most_offset_s=1) is None


def test_the_smallest_difference_bounds_the_offset_and_the_next_one_tells_how_well():
    # Differences 10.0, 10.2, 10.4, seen exactly: no delay is negative, so the offset is 10.0 at most; the gap
    # to the second smallest is the standard uncertainty.
    found = align_by_markers(
        [ClockMarker(1.0, 11.0, 0), ClockMarker(2.0, 12.2, 0), ClockMarker(3.0, 13.4, 0)]
    )
    assert found.offset_s == pytest.approx(10.0)
    assert found.uncertainty_ms == pytest.approx(200)


def test_one_marker_is_as_uncertain_as_its_resolution():
    # Rectangular distribution of full width r: u = r / sqrt(12), JCGM 100:2008 (GUM), 4.3.7.
    found = align_by_markers([ClockMarker(1.0, 4.0, 0.012)])
    assert (found.offset_s, found.method) == (3.0, "markers")
    assert found.uncertainty_ms == pytest.approx(12 / math.sqrt(12))


@pytest.mark.parametrize("markers", [[], [ClockMarker(math.nan, 1.0, 0.1)]])
def test_markers_that_are_none_are_refused(markers):
    with pytest.raises(ValueError, match="marker"):
        align_by_markers(markers)


@pytest.mark.parametrize("held_back", [1, 20])
@pytest.mark.parametrize("mean_delay_s", [0.0001, 0.03, 0.3])
def test_the_uncertainty_covers_what_a_loaded_machine_and_a_full_buffer_do_to_a_line(held_back, mean_delay_s):
    # A title stamps a line each second and is then interrupted for a random time before it hands it on; so
    # many are written at once, with the last; the rig sees them at any moment of the next 0.1 s. The truth is
    # an offset of 1000 s.
    rng = np.random.default_rng(7)
    within = 0
    for _ in range(400):
        log_s = np.arange(300.0) + rng.random()
        written_s = log_s + 1000 + rng.exponential(mean_delay_s, 300)
        written_s = written_s[held_back - 1 :: held_back].repeat(held_back)
        seen_s = written_s + (0.1 * rng.random(300 // held_back)).repeat(held_back)
        markers = [ClockMarker(t, s - 0.05, 0.1) for t, s in zip(log_s, seen_s, strict=True)]
        found = align_by_markers(markers)
        within += abs(found.offset_s - 1000) <= 2 * found.uncertainty_ms / 1e3
    assert within >= 0.95 * 400  # two standard uncertainties


def test_a_log_of_intervals_is_tied_within_the_bounds_of_its_run():
    log_t_s, frametime_ms, rig_t_s, load = scene(60, 9, 503.0)
    frames = pa.table({"t_s": log_t_s, "frametime_ms": frametime_ms})
    log = FrameLog(frames, rows_read=len(log_t_s))
    telemetry = pa.table(
        {"t_s": rig_t_s - 520.0, "gpu_load_pct": np.full(len(rig_t_s), 99.0), "power_w": load}
    )
    found = tie_log(log, telemetry, window_start_s=520.0, launched_s=499.0, ended_s=570.0)
    assert found is not None
    assert found.offset_s == pytest.approx(503.0, abs=0.2)
    assert tie_log(log, telemetry, window_start_s=520.0, launched_s=499.0, ended_s=555.0) is None  # too short
    assert tie_log(log, None, window_start_s=520.0, launched_s=499.0, ended_s=570.0) is None
