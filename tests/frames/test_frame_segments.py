"""Frames joined with telemetry."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from harness import tables
from harness.frames.segments import SECONDS, SEGMENTS, by_frame_rate, per_second


def frames_of(frametime_ms):
    ends = np.cumsum(frametime_ms) / 1e3
    return pa.Table.from_arrays(
        [pa.array(ends), pa.array(np.asarray(frametime_ms, float))], schema=tables.FRAMES
    )


def telemetry_of(t_s, **quantities):
    return pa.table({"t_s": np.asarray(t_s, float), **quantities})


def test_energy_of_linear_power_over_uneven_samples_is_exact():
    # Power 100 + 20 t W sampled at 0, 1, 2.5, 4, 7 s: 1190 J by the trapezoid rule (Atkinson, Introduction to
    # Numerical Analysis: exact for a linear integrand); the mean of the samples, 158 W, would be wrong.
    t_s = np.array([0, 1, 2.5, 4, 7])
    seconds = per_second(frames_of([10.0] * 700), telemetry_of(t_s, power_w=100 + 20 * t_s), longest_gap_s=4)
    assert seconds.schema.equals(SECONDS)
    assert sum(seconds["power_w"].to_pylist()) == pytest.approx(1190, rel=1e-12)
    assert by_frame_rate(seconds, [])["power_w"].to_pylist() == [pytest.approx(170, rel=1e-12)]


def test_power_energy_and_clocks_come_apart_by_frame_rate():
    # Two seconds at 50 FPS and 100 W, then two at 100 FPS and 200 W.
    t_s = np.array([0, 1.999999, 2, 4])
    telemetry = telemetry_of(t_s, power_w=[100, 100, 200, 200], core_clock_mhz=[1500.0, 1500, 1800, 1800])
    segments = by_frame_rate(per_second(frames_of([20.0] * 100 + [10.0] * 200), telemetry), [75])
    assert segments.schema.equals(SEGMENTS)
    slow, fast = segments.to_pylist()
    assert (slow["seconds"], slow["time_pct"]) == (2, 50)
    assert slow["average_fps"] == pytest.approx(50)
    assert slow["energy_j"] == pytest.approx(200, rel=1e-5)
    assert slow["energy_per_frame_j"] == pytest.approx(2, rel=1e-5)
    assert fast["energy_per_frame_j"] == pytest.approx(2, rel=1e-5)
    assert fast["core_clock_mhz"] == pytest.approx(1800)
    assert slow["memory_clock_mhz"] is None


def test_a_second_in_a_gap_of_the_telemetry_has_no_power_and_a_missing_reading_is_never_zero():
    t_s = [0, 0.5, 1, 4, 4.5, 5]
    seconds = per_second(frames_of([10.0] * 500), telemetry_of(t_s, power_w=[100.0] * 6))
    assert seconds["power_w"].to_pylist() == [pytest.approx(100), None, None, None, pytest.approx(100)]
    assert by_frame_rate(seconds, [])["energy_j"].to_pylist() == [pytest.approx(200)]
    assert seconds["core_temp_c"].null_count == 5


def test_seconds_beyond_the_telemetry_have_no_power():
    seconds = per_second(frames_of([10.0] * 300), telemetry_of([1, 2], power_w=[50.0, 50.0]))
    assert seconds["power_w"].to_pylist() == [None, pytest.approx(50), None]


def test_without_telemetry_the_frame_rate_alone_is_given():
    seconds = per_second(frames_of([10.0] * 99 + [510.0] + [10.0] * 50), None)
    assert seconds["fps"].to_pylist() == pytest.approx([99 + 0.01 / 0.51, 0.5 / 0.51 + 50])
    assert seconds["longest_frame_ms"].to_pylist() == [10.0, 510.0]
    assert seconds["power_w"].null_count == 2


def test_a_window_without_frames_has_no_seconds():
    seconds = per_second(tables.FRAMES.empty_table(), None)
    assert seconds.num_rows == 0
    assert by_frame_rate(seconds, [60])["seconds"].to_pylist() == [0, 0]


def test_a_segment_that_never_occurs_is_shown_without_figures():
    segments = by_frame_rate(per_second(frames_of([10.0] * 200), None), [60, 500]).to_pylist()
    assert [row["seconds"] for row in segments] == [0, 2, 0]
    assert segments[0]["average_fps"] is None


def test_edges_that_do_not_rise_are_refused():
    with pytest.raises(ValueError, match="rise"):
        by_frame_rate(SECONDS.empty_table(), [60, 60])
