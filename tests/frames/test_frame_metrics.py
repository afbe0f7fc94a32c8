"""Frame metrics against published values and against their formulas written out in the plainest way."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from harness import tables
from harness.frames import metrics as fm
from harness.frames.stutter import stutter_mask

# NIST/SEMATECH e-Handbook of Statistical Methods, section 7.2.6.2 "Percentiles": twelve gauge readings
# (from memory, agrees on recomputing).
NIST_READINGS = np.array(
    [
        *(95.1772, 95.1567, 95.1937, 95.1959, 95.1442, 95.0610),
        *(95.1591, 95.1195, 95.1065, 95.0925, 95.1990, 95.1682),
    ]
)

# The metrics one by one, straight from their definitions: a second opinion on the whole set.


def average_fps(frametime_ms: np.ndarray) -> float:
    """``1000 n / T``."""
    return 1e3 * len(frametime_ms) / float(np.sum(frametime_ms))


def low_percentile_fps(frametime_ms: np.ndarray, share: float) -> float:
    """``1000 / P(1-share)``."""
    return 1e3 / float(np.percentile(frametime_ms, 100.0 * (1.0 - share)))


def low_mean_of_slowest_fps(frametime_ms: np.ndarray, share: float) -> float:
    """``1000 k / Σ x(n-k+1 … n)`` with ``k = ⌈share n⌉``, safe from the rounding of ``share``."""
    count = max(1, math.ceil(round(share * len(frametime_ms), 9)))
    return 1e3 * count / float(np.sum(np.sort(frametime_ms)[-count:]))


def low_time_share_fps(frametime_ms: np.ndarray, share: float) -> float:
    """``1000 / x(j)`` with the largest ``j`` for which ``Σ x(j … n) ≥ share T``."""
    wanted_ms = share * float(np.sum(frametime_ms)) * (1 - 1e-12)
    spent_ms = 0.0
    for value in np.sort(frametime_ms)[::-1]:
        spent_ms += float(value)
        if spent_ms >= wanted_ms:
            return 1e3 / float(value)
    return 1e3 / float(np.min(frametime_ms))


PERCENTILES = {
    "frametime_p1_ms": 1.0,
    "frametime_p5_ms": 5.0,
    "frametime_p25_ms": 25.0,
    "frametime_p50_ms": 50.0,
    "frametime_p75_ms": 75.0,
    "frametime_p95_ms": 95.0,
    "frametime_p99_ms": 99.0,
    "frametime_p99_9_ms": 99.9,
}
FRAMETIMES = arrays(
    np.float64, st.integers(1, 400), elements=st.floats(0.05, 2000, allow_nan=False, width=64)
)


def test_two_frames_of_10_and_30_ms_are_50_fps_and_not_66_67():
    # Definition: frames / elapsed time, the harmonic mean of instantaneous FPS.
    assert fm.frame_metrics(np.array([10.0, 30.0]))["average_fps"] == 50.0


@pytest.mark.parametrize(
    ("data", "q", "expected", "digits"),
    [
        # Hyndman and Fan, The American Statistician 50(4):361-365, 1996: type 7, p = (k-1)/(n-1).
        (NIST_READINGS, 90, 95.19568, 5),
        (np.arange(1.0, 11), 25, 3.25, 12),
        (np.arange(1.0, 101), 99, 99.01, 12),
        (np.arange(1.0, 151), 99, 148.51, 12),
        (np.arange(1.0, 251), 1, 3.49, 12),
    ],
)
def test_percentiles_are_hyndman_fan_type_7(data, q, expected, digits):
    assert fm.percentile_of_sorted(np.sort(data), q) == pytest.approx(expected, abs=0.5 * 10**-digits)


def test_the_published_type_6_value_is_not_ours_so_the_definition_matters():
    # The handbook prints 95.1981 by p(N+1), which is type 6.
    assert np.percentile(NIST_READINGS, 90, method="weibull") == pytest.approx(95.1981, abs=5e-5)
    assert abs(fm.percentile_of_sorted(np.sort(NIST_READINGS), 90) - 95.1981) > 2e-3


def test_the_three_definitions_of_the_1_percent_low_differ_on_a_worked_example():
    # 198 frames of 10 ms, one of 40 and one of 60 ms: T = 2080 ms, n = 200.
    frametime_ms = np.array([10.0] * 100 + [40.0, 60.0] + [10.0] * 98)
    result = fm.frame_metrics(frametime_ms)
    # h = 199 × 0.99 = 197.01: 10 + 0.01 × (40 - 10)
    assert result["one_percent_low_percentile_fps"] == pytest.approx(1000 / 10.3)
    # ⌈2⌉ slowest: mean of 40 and 60
    assert result["one_percent_low_mean_of_slowest_fps"] == pytest.approx(1000 / 50)
    # 1 % of T is 20.8 ms, which the 60 ms frame alone exceeds
    assert result["one_percent_low_time_share_fps"] == pytest.approx(1000 / 60)


def test_1_percent_of_700_frames_is_7_frames():
    # 0.01 × 700 is 7.000000000000001 in binary floating point.
    assert fm.slowest_count(700, 0.01) == 7
    assert fm.slowest_count(701, 0.01) == 8


def test_every_metric_has_a_column_in_the_attempts_table_and_every_frame_column_a_metric():
    names = [column.name for column in tables.ATTEMPT_COLUMNS]
    first, last = names.index("frame_count"), names.index("slow_time_pct")
    ours = [name for name in names[first : last + 1] if name != "average_fps_rse_pct"]  # from the ingest
    assert sorted(ours) == sorted(fm.frame_metrics(np.array([16.0])))


def test_a_window_without_frames_has_a_count_of_zero_and_no_figures():
    result = dict(fm.frame_metrics(np.empty(0), low_definition="time-share"))
    assert result.pop("frame_count") == 0
    assert result.pop("low_definition") == "time-share"
    assert set(result.values()) == {None}


def test_a_single_frame_has_no_change_and_all_percentiles_equal():
    result = fm.frame_metrics(np.array([16.0]))
    assert result["frametime_change_ms"] is None
    assert result["frametime_p1_ms"] == result["frametime_p99_9_ms"] == result["longest_frame_ms"] == 16.0
    assert result["average_fps"] == 62.5


@pytest.mark.parametrize("bad", [[0.0, 1.0], [-1.0], [math.nan], [math.inf, 1.0], [[1.0, 2.0]]])
def test_frame_times_that_are_no_frame_times_are_refused(bad):
    with pytest.raises(ValueError, match="frametime_ms must"):
        fm.frame_metrics(np.array(bad))


def test_time_below_a_stated_fps_is_the_share_of_time_in_slower_frames():
    # 1000 / 60 = 16.67 ms; 20 ms and 30 ms of 100 ms are slower.
    frametime_ms = np.array([10.0, 10, 10, 10, 10, 20, 30])
    assert fm.frame_metrics(frametime_ms, slow_below_fps=60)["slow_time_pct"] == pytest.approx(50.0)
    assert fm.frame_metrics(frametime_ms)["slow_time_pct"] is None
    with pytest.raises(ValueError, match="fps must be positive"):
        fm.slow_ms(frametime_ms, 0)


def test_the_per_second_series_counts_a_frame_to_the_seconds_it_spans():
    # 20 ms frames for one second, one frame of 1.5 s, then 10 ms frames up to 3 s.
    frametime_ms = np.array([20.0] * 50 + [1500.0] + [10.0] * 50)
    assert fm.per_second_fps(frametime_ms) == pytest.approx([50, 1 / 1.5, 0.5 / 1.5 + 50])


@given(FRAMETIMES)
def test_the_whole_set_agrees_with_the_single_functions(frametime_ms):
    result = fm.frame_metrics(frametime_ms, low_definition="mean-of-slowest")
    assert result["average_fps"] == pytest.approx(average_fps(frametime_ms), rel=1e-12)
    assert result["one_percent_low_fps"] == result["one_percent_low_mean_of_slowest_fps"]
    for prefix, share in (("one_percent_low", 0.01), ("point_one_percent_low", 0.001)):
        for name, function in (
            ("percentile", low_percentile_fps),
            ("mean_of_slowest", low_mean_of_slowest_fps),
            ("time_share", low_time_share_fps),
        ):
            assert result[f"{prefix}_{name}_fps"] == pytest.approx(function(frametime_ms, share), rel=1e-9)
    for key, q in PERCENTILES.items():
        assert result[key] == pytest.approx(np.percentile(frametime_ms, q), rel=1e-12)
    assert result["stutter_count"] == np.count_nonzero(stutter_mask(frametime_ms))


@given(FRAMETIMES, st.sampled_from([2.0**-3, 2.0**4, 1000.0]))
def test_a_change_of_unit_scales_times_and_rates_and_leaves_counts_alone(frametime_ms, factor):
    before = fm.frame_metrics(frametime_ms)
    after = fm.frame_metrics(frametime_ms * factor)
    for key, value in before.items():
        if key.endswith("_fps"):
            assert after[key] == pytest.approx(value / factor, rel=1e-9)
        elif key.endswith("_ms") and value is not None:
            assert after[key] == pytest.approx(value * factor, rel=1e-9)
        elif key in ("frame_count", "low_definition") or (key == "stutter_count" and factor < 1000):
            assert after[key] == value  # powers of two change no rounding


@given(FRAMETIMES, st.randoms(use_true_random=False))
def test_the_order_of_frames_does_not_matter_where_it_must_not(frametime_ms, random):
    shuffled = frametime_ms.copy()
    random.shuffle(shuffled)
    before, after = fm.frame_metrics(frametime_ms), fm.frame_metrics(shuffled)
    by_order = ("frametime_change_ms", "stutter_count", "stutter_time_pct")
    for key, value in before.items():
        if key not in by_order and isinstance(value, float):
            assert after[key] == pytest.approx(value, rel=1e-9), key


@given(FRAMETIMES, st.integers(2, 5))
def test_a_run_repeated_has_the_same_average_and_time_share_low(frametime_ms, times):
    once, often = fm.frame_metrics(frametime_ms), fm.frame_metrics(np.tile(frametime_ms, times))
    for name in ("average_fps", "one_percent_low_time_share_fps", "point_one_percent_low_time_share_fps"):
        assert often[name] == pytest.approx(once[name], rel=1e-9)


@given(FRAMETIMES)
def test_bounds_hold_between_the_metrics(frametime_ms):
    result = fm.frame_metrics(frametime_ms)
    slack = 1 + 1e-9
    slowest = 1000 / result["longest_frame_ms"]
    for low in ("percentile", "mean_of_slowest", "time_share"):
        one, tenth = result[f"one_percent_low_{low}_fps"], result[f"point_one_percent_low_{low}_fps"]
        assert slowest <= tenth * slack <= one * slack**2
    assert result["one_percent_low_mean_of_slowest_fps"] <= result["average_fps"] * slack
    assert 0 <= result["stutter_time_pct"] <= 100
    values = [result[key] for key in PERCENTILES]
    assert values == sorted(values)


@given(FRAMETIMES)
def test_the_per_second_series_adds_up_to_the_frames_of_its_seconds(frametime_ms):
    series = fm.per_second_fps(frametime_ms)
    total_s = float(np.sum(frametime_ms)) / 1e3
    assert len(series) == math.floor(total_s + 1e-9)
    assert np.all(series >= 0)
    if len(series):
        edges_s = np.concatenate(([0], np.cumsum(frametime_ms) / 1e3))
        done = np.interp(len(series), edges_s, range(len(edges_s)))
        assert float(np.sum(series)) == pytest.approx(float(done), rel=1e-9, abs=1e-9)


def plain_stutters(frametime_ms, multiple, half_width):
    return np.array(
        [
            x > multiple * np.median(frametime_ms[max(0, i - half_width) : i + half_width + 1])
            for i, x in enumerate(frametime_ms)
        ]
    )


@settings(max_examples=200)
@given(
    arrays(np.float64, st.integers(1, 300), elements=st.sampled_from([4.0, 5.0, 8.0, 10.0, 16.0, 40.0])),
    st.sampled_from([1.2, 2.0, 3.0]),
    st.sampled_from([1, 2, 7, 30]),
)
def test_stutter_is_exactly_the_comparison_with_the_local_median(frametime_ms, multiple, half_width):
    expected = plain_stutters(frametime_ms, multiple, half_width)
    assert np.array_equal(stutter_mask(frametime_ms, multiple, half_width), expected)


def test_rare_hitches_in_a_long_run_are_found_as_by_the_medians_themselves():
    random = np.random.default_rng(21)
    frametime_ms = random.lognormal(np.log(8.3), 0.1, 20_000)
    hitches = np.sort(random.choice(20_000, 40, replace=False))
    frametime_ms[hitches] *= random.uniform(1.5, 3, 40)
    padded = np.pad(frametime_ms, 30, constant_values=np.nan)
    medians = np.nanmedian(np.lib.stride_tricks.sliding_window_view(padded, 61), axis=1)
    wanted = np.flatnonzero(frametime_ms > 2 * medians)
    assert 0 < len(wanted) < 40
    assert np.flatnonzero(stutter_mask(frametime_ms, 2.0, 30)).tolist() == wanted.tolist()


def test_a_slow_scene_is_no_stutter_but_a_hitch_in_it_is():
    frametime_ms = np.array([5.0] * 200 + [20.0] * 200)
    assert np.count_nonzero(stutter_mask(frametime_ms)) <= 30  # only within half a window of the cut
    frametime_ms[300] = 50.0
    mask = stutter_mask(frametime_ms)
    assert mask[300]
    assert not mask[240:300].any()
    assert not mask[301:].any()


def test_the_course_counts_frames_per_second_whatever_their_lengths():
    course = fm.per_second_fps(np.concatenate([np.full(100, 10.0), np.full(40, 50.0)]))
    assert course == pytest.approx([100, 20, 20])
    assert fm.per_second_fps(np.empty(0)).size == 0
