"""Metrics of a stream: the same as of the whole array, whatever the batches, the splitting and the data."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from harness.errors import FrameLogError
from harness.frames.bigrun import summarise, summarise_log
from harness.frames.mapping import ColumnMapping
from harness.frames.metrics import frame_metrics
from harness.frames.sums import RunningSum

VALUES = st.one_of(
    st.floats(0.01, 5000),
    st.sampled_from(
        [16.0, 16.666666666666668, 16.66666666666667, 8.0, 33.3]
    ),  # crowded bins, last-bit neighbours
    st.floats(15.9, 16.1),
)
RUNS = arrays(np.float64, st.integers(1, 500), elements=VALUES)


def in_pieces(values, cuts):
    return lambda: np.split(values, sorted(cut for cut in cuts if 0 < cut < len(values)))


@settings(max_examples=150, deadline=None)
@given(RUNS, st.lists(st.integers(1, 499), max_size=6), st.sampled_from([0, 1, 7, 10**6]), st.booleans())
def test_a_stream_gives_the_figures_of_the_whole(values, cuts, crowded_frames, hold):
    expected = frame_metrics(values, low_definition="time-share", stutter_half_width=7, slow_below_fps=61)
    found = summarise(
        in_pieces(values, cuts),
        low_definition="time-share",
        stutter_half_width=7,
        slow_below_fps=61,
        sort_frames=0,
        hold_frames=10**6 if hold else 0,
        crowded_frames=crowded_frames,
    )
    assert found.keys() == expected.keys()
    for key, value in expected.items():
        if key.startswith("frametime_p") or key in ("frame_count", "longest_frame_ms", "stutter_count"):
            assert found[key] == value, key  # order statistics and counts are the same to the last bit
        elif isinstance(value, float):
            assert found[key] == pytest.approx(value, rel=1e-9), key


def test_a_steady_run_of_one_single_frame_time_is_split_down_to_the_last_bit():
    values = np.full(100_000, 1000 / 60)
    found = summarise(lambda: [values], sort_frames=0, crowded_frames=100)
    assert found["frametime_p1_ms"] == found["frametime_p99_9_ms"] == 1000 / 60
    assert found["one_percent_low_mean_of_slowest_fps"] == pytest.approx(60)


def test_an_empty_stream_has_no_figures():
    found = summarise(list)
    assert found["frame_count"] == 0
    assert found["average_fps"] is None


def test_a_stream_too_long_to_hold_is_read_twice_and_one_that_is_held_once():
    starts = []
    values = np.random.default_rng(1).lognormal(2, 0.1, 30_000)

    def stream():
        starts.append(1)
        return np.split(values, 3)

    summarise(stream, sort_frames=0)
    assert len(starts) == 1
    starts.clear()
    summarise(stream, sort_frames=0, hold_frames=1000)
    assert len(starts) == 2


@pytest.mark.parametrize(
    ("name", "base"),
    # NIST StRD univariate summary statistics: NumAcc3 is 1000000.2 then 500 × (1000000.1, 1000000.3), NumAcc4
    # the same at 10000000; certified means 1000000.2 and 10000000.2 (itl.nist.gov/div898/strd/univ).
    [("NumAcc3", 1_000_000.0), ("NumAcc4", 10_000_000.0)],
)
def test_the_running_sum_gives_the_certified_mean_of_nist_numacc_data(name, base):
    values = [base + 0.2, *[base + 0.1, base + 0.3] * 500]
    total = RunningSum()
    for value in values:
        total.add(value)
    assert total.value / len(values) == pytest.approx(base + 0.2, rel=1e-15)


@pytest.mark.parametrize("base", [1_000_000.0, 10_000_000.0])
def test_frame_times_from_nist_numacc_timestamps_keep_the_certified_spread(base, tmp_path):
    """The alternation of 0.1 and 0.3 survives at 10^7 as a mean absolute change of 0.2."""
    text = ["dt", f"{base + 0.2:.1f}", *[f"{base + 0.1:.1f}", f"{base + 0.3:.1f}"] * 500]
    path = tmp_path / "numacc.csv"
    path.write_text("\n".join(text) + "\n")
    metrics = summarise_log(path, ColumnMapping(interval_column="dt")).metrics
    assert 1000 / metrics["average_fps"] == pytest.approx(base + 0.2, rel=1e-15)
    assert metrics["frametime_change_ms"] == pytest.approx((0.1 + 0.2 * 999) / 1000, rel=1e-7)


def test_running_time_over_large_timestamps_does_not_drift(tmp_path):
    """A counter near 10^18 ns (30 years): frame times are exact, and so is their sum."""
    step_ns = np.tile([16_666_666, 16_666_667, 16_666_667], 100_000)
    shown = 10**18 + np.concatenate(([0], np.cumsum(step_ns)))
    pq.write_table(pa.table({"shown": shown}), tmp_path / "big.parquet")
    mapping = ColumnMapping(presentation_time_column="shown", unit="ns")
    summary = summarise_log(tmp_path / "big.parquet", mapping)
    assert summary.metrics["average_fps"] == pytest.approx(60, rel=1e-15)
    assert summary.metrics["frametime_p50_ms"] == 16.666667
    assert summary.left_out == {"first row: no frame before it": 1}


def test_a_log_on_disk_is_summarised_with_its_account(tmp_path):
    values = np.random.default_rng(2).lognormal(2, 0.1, 600_000).round(4)
    path = tmp_path / "log.csv"
    with path.open("w") as file:
        file.write("dt\n")
        file.writelines(f"{x}\n" for x in values)
        file.write("oops\n1\nend of the log\n")
    summary = summarise_log(path, ColumnMapping(interval_column="dt"))
    assert summary.rows_read == 600_003
    assert summary.dropped == {"not a number": 1}
    assert summary.left_out == {"below the last frame, without numbers": 1}
    expected = frame_metrics(np.append(values, 1.0))
    assert summary.metrics["frametime_p99_ms"] == expected["frametime_p99_ms"]
    assert summary.metrics["stutter_count"] == expected["stutter_count"]
    with pytest.raises(FrameLogError, match="no column 'gone'"):
        summarise_log(path, ColumnMapping(interval_column="gone"))


def test_frame_times_of_any_size_are_told_apart():
    values = np.array([1e-300, 1e-3, 1.0, 1e300] * 3)
    found = summarise(lambda: [values], sort_frames=0, crowded_frames=0)
    assert (found["frametime_p1_ms"], found["longest_frame_ms"]) == (1e-300, 1e300)
    assert found["frametime_p50_ms"] == np.percentile(values, 50)


@given(RUNS, RUNS)
@settings(deadline=None)
def test_joining_two_runs_adds_their_frames_and_their_time(one, other):
    joined = summarise(lambda: [one, other], sort_frames=0)
    parts = [frame_metrics(one), frame_metrics(other)]
    assert joined["frame_count"] == sum(part["frame_count"] for part in parts)
    time_s = sum(part["frame_count"] / part["average_fps"] for part in parts)
    assert joined["average_fps"] == pytest.approx(joined["frame_count"] / time_s, rel=1e-9)
    assert joined["longest_frame_ms"] == max(part["longest_frame_ms"] for part in parts)
