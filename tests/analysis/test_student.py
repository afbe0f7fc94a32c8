"""Student's t and the noncentral t in plain Python, against SciPy (``scipy.special``) and by simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import special

from harness.analysis.student import noncentral_upper_tail, upper_quantile, upper_tail

DFS = [1.0, 1.5, 2.0, 3.0, 4.0, 7.0, 12.5, 29.0, 99.5, 999.0]
TAILS = [1e-9, 1e-6, 1e-4, 0.00625, 0.025, 0.05, 0.2, 0.49]


@pytest.mark.parametrize("df", DFS)
def test_tails_and_quantiles_are_scipys(df):
    for tail in TAILS:
        t = upper_quantile(df, tail)
        assert t == pytest.approx(-special.stdtrit(df, tail), rel=1e-10)
        assert upper_tail(df, t) == pytest.approx(special.stdtr(df, -t), rel=1e-10)
        assert upper_tail(df, -t) == pytest.approx(special.stdtr(df, t), rel=1e-10)
        assert upper_quantile(df, 1 - tail) == pytest.approx(-t, rel=1e-7)
    assert upper_quantile(df, 0.5) == pytest.approx(0, abs=1e-12)


def test_a_quantile_needs_a_tail_and_the_whole_of_it_has_no_end():
    assert upper_quantile(3.0, 1.0) == -math.inf
    with pytest.raises(ValueError, match="above 0"):
        upper_quantile(3.0, 0.0)


@pytest.mark.parametrize("df", DFS)
def test_the_noncentral_tail_is_scipys(df):
    rng = np.random.default_rng(int(10 * df))
    for tail in TAILS:
        t = upper_quantile(df, tail)
        for shift in [0.0, *rng.uniform(-10, 30, 6)]:
            expected = 1 - special.nctdtr(df, shift, t)  # NaN where SciPy's own code gives up
            if not math.isnan(expected):
                assert noncentral_upper_tail(df, float(shift), t) == pytest.approx(expected, abs=1e-10)
    assert noncentral_upper_tail(df, 1.3, 0.0) == pytest.approx(special.ndtr(1.3), abs=1e-12)


@pytest.mark.parametrize(
    ("df", "shift", "t"),
    [(1, 84, 80), (1, 86, 80), (2, 300, 200), (4, 100, 90), (1, 5000, 3000), (3, 1e5, 7e4)],
)
def test_large_shifts_come_out_too_as_few_pairs_at_a_small_error_rate_need_them(df, shift, t):
    """Below, in and above the sums that are thinned out; by simulation, as SciPy is not made for them."""
    rng = np.random.default_rng(7)
    scatter = np.sqrt(rng.chisquare(df, 400_000) / df)
    share = ((rng.standard_normal(scatter.size) + shift) / scatter > t).mean()
    found = noncentral_upper_tail(float(df), float(shift), float(t))
    assert found == pytest.approx(share, abs=4 * math.sqrt(share * (1 - share) / scatter.size))
    assert found == pytest.approx(1 - special.nctdtr(df, shift, t), abs=2e-6)


@pytest.mark.parametrize("shift", [1e6, 1e9, 1e300])
def test_a_difference_beyond_all_scatter_is_certain(shift):
    assert noncentral_upper_tail(4.0, shift, 2.8) == 1.0
    assert noncentral_upper_tail(4.0, -shift, 2.8) == 0.0
