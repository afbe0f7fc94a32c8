"""Cutting a log to the measured window."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness import tables
from harness.frames.window import cut_to_window
from harness.rig import FrameLog


def log_of(frametime_ms, start_s=0.0, clock="log"):
    t_s = start_s + np.cumsum(frametime_ms) / 1e3
    frames = pa.Table.from_arrays(
        [pa.array(t_s), pa.array(np.asarray(frametime_ms, float))], schema=tables.FRAMES
    )
    return FrameLog(frames, rows_read=len(t_s), clock=clock)


def test_frames_before_after_and_across_the_edges_are_cut_and_counted():
    log = log_of([100.0] * 10, start_s=50.0, clock="rig")
    cut = cut_to_window(log, window_start_s=50.25, window_end_s=50.75, clock_offset_s=None)
    assert cut.frames["t_s"].to_pylist() == pytest.approx([0.15, 0.25, 0.35, 0.45])
    assert cut.cut == {"before the window": 2, "after the window": 2, "across the window's edge": 2}
    assert (cut.clock, cut.clock_uncertainty_ms) == ("rig", 0.0)


def test_a_window_on_frame_boundaries_cuts_no_frame_of_its_own():
    log = log_of([100.0] * 10, start_s=50.0, clock="rig")
    cut = cut_to_window(log, window_start_s=50.2, window_end_s=50.7, clock_offset_s=None)
    assert cut.frames.num_rows == 5
    assert cut.cut == {"before the window": 2, "after the window": 3}


def test_a_known_offset_ties_the_log_to_the_rig():
    log = log_of([100.0] * 10)
    cut = cut_to_window(
        log, window_start_s=1000.2, window_end_s=1000.5, clock_offset_s=1000.0, clock_uncertainty_ms=3
    )
    assert cut.frames["t_s"].to_pylist() == pytest.approx([0.1, 0.2, 0.3])
    assert (cut.clock, cut.clock_uncertainty_ms) == ("offset", 3)


def test_without_any_clock_the_log_is_taken_to_end_with_the_window_and_the_uncertainty_is_unknown():
    cut = cut_to_window(log_of([100.0] * 10), window_start_s=77.0, window_end_s=77.3, clock_offset_s=None)
    assert cut.frames["t_s"].to_pylist() == pytest.approx([0.1, 0.2, 0.3])
    assert (cut.clock, cut.clock_uncertainty_ms) == ("log-end", None)


def test_a_log_outside_the_window_leaves_no_frame_and_a_full_account():
    cut = cut_to_window(
        log_of([10.0] * 5, clock="rig"), window_start_s=9.0, window_end_s=10.0, clock_offset_s=None
    )
    assert cut.frames.num_rows == 0
    assert cut.cut == {"before the window": 5}


def test_kept_columns_stay_beside_their_frames():
    log = log_of([100.0] * 4, clock="rig")
    log = FrameLog(log.frames.append_column("scene", [["a", "b", "c", "d"]]), rows_read=4, clock="rig")
    cut = cut_to_window(log, window_start_s=0.1, window_end_s=0.3, clock_offset_s=None)
    assert cut.frames["scene"].to_pylist() == ["b", "c"]


def test_a_window_that_ends_before_it_begins_is_refused():
    with pytest.raises(ValueError, match="must end after"):
        cut_to_window(log_of([1.0]), window_start_s=1.0, window_end_s=1.0, clock_offset_s=None)


@given(
    st.lists(st.integers(1, 2000), min_size=1, max_size=60),
    st.integers(0, 20_000),
    st.integers(1, 20_000),
    st.sampled_from([0.0, 1e5, 1e9]),
)
def test_every_frame_is_kept_or_counted_and_the_kept_fit_into_the_window(
    frametime_ms, begin_ms, length_ms, origin_s
):
    log = log_of([float(x) for x in frametime_ms], start_s=origin_s, clock="rig")
    start_s = origin_s + begin_ms / 1e3
    cut = cut_to_window(
        log, window_start_s=start_s, window_end_s=start_s + length_ms / 1e3, clock_offset_s=None
    )
    assert cut.frames.num_rows + sum(cut.cut.values()) == len(frametime_ms)
    assert sum(cut.frames["frametime_ms"].to_pylist()) <= length_ms * (1 + 1e-6) + 1e-3 * origin_s
    ends_ms = np.cumsum(frametime_ms)
    inside = (ends_ms - frametime_ms >= begin_ms) & (ends_ms <= begin_ms + length_ms)
    assert cut.frames["frametime_ms"].to_pylist() == [
        x for x, kept in zip(frametime_ms, inside, strict=True) if kept
    ]
