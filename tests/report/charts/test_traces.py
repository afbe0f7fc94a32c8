"""Downsampling that hides nothing."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from harness.report.charts.traces import envelope, exceedance

times_ms = st.lists(st.floats(0.1, 500), min_size=1, max_size=400)


@given(times_ms, st.integers(1, 50))
def test_the_longest_and_the_shortest_frame_survive_whatever_the_number_of_buckets(
    frametimes: list[float], buckets: int
) -> None:
    y = np.array(frametimes)
    x = np.cumsum(y)
    short = envelope(x, y, buckets)
    assert short.high.max() == y.max()
    assert short.low.min() == y.min()
    assert short.x.size <= buckets
    assert short.samples == y.size


@given(times_ms, st.integers(1, 50))
def test_every_sample_lies_inside_the_envelope_of_its_bucket(frametimes: list[float], buckets: int) -> None:
    y = np.array(frametimes)
    x = np.arange(y.size, dtype=float)
    short = envelope(x, y, buckets, (0.0, float(y.size)))
    nearest = np.abs(x[:, None] + 0.0 - short.x[None, :]).argmin(axis=1)
    inside = (y >= short.low[nearest]) & (y <= short.high[nearest])
    edges = np.isclose(np.abs(x - short.x[nearest]), y.size / buckets / 2)
    assert (inside | edges).all()


def test_one_slow_frame_among_a_million_is_still_to_be_seen() -> None:
    y = np.full(1_000_000, 8.0)
    y[654_321] = 90.0
    short = envelope(np.cumsum(y) / 1000, y, 600)
    assert (short.high > 80).sum() == 1
    assert short.mean.max() < 9


def test_missing_samples_leave_a_gap_and_are_never_taken_for_zero() -> None:
    x = np.arange(100.0)
    y = np.where((x >= 40) & (x < 60), np.nan, 5.0)
    short = envelope(x, y, 10)
    assert short.low.min() == 5.0
    assert short.x.size == 8


def test_a_trace_without_samples_is_empty() -> None:
    assert envelope(np.empty(0), np.empty(0), 5).x.size == 0
    assert exceedance(np.empty(0))[0].size == 0


def test_shapes_and_bucket_counts_that_make_no_sense_are_refused() -> None:
    with pytest.raises(ValueError, match="equally long"):
        envelope(np.arange(3.0), np.arange(4.0), 2)
    with pytest.raises(ValueError, match="at least 1"):
        envelope(np.arange(3.0), np.arange(3.0), 0)


def test_the_share_of_slower_frames_is_the_empirical_survival_function() -> None:
    """Source: scipy.stats.ecdf, survival function of a complete sample."""
    values = np.random.default_rng(3).gamma(3.0, 4.0, 5000)
    level, share_pct = exceedance(values)
    survival = stats.ecdf(values).sf.evaluate(level)
    np.testing.assert_allclose(share_pct / 100, survival, atol=1e-12)
    assert (level[0], level[-1]) == (values.min(), values.max())


def test_equal_frames_are_not_slower_than_each_other() -> None:
    """Source: scipy.stats.ecdf, on frame times of a clock of whole milliseconds, most of them ties."""
    values = np.repeat([16.0, 17.0, 33.0], [162, 700, 138])
    level, share_pct = exceedance(values)
    assert level.tolist() == [16.0, 17.0, 33.0]
    np.testing.assert_allclose(share_pct / 100, stats.ecdf(values).sf.evaluate(level), atol=1e-12)
    assert share_pct.max() == pytest.approx(83.8)
