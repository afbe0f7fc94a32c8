"""Bootstrap, variance split, instrument uncertainty, sample sizes and group-sequential levels against
published values. Each check names its source."""

import math

import numpy as np
import pytest

from harness.analysis.bootstrap import bca, bca_of_average
from harness.analysis.estimate import interval, of_mean
from harness.analysis.pareto import dominators
from harness.analysis.power import repeats_that_decide
from harness.analysis.spending import crossing_probabilities, nominal_levels, repeated_p
from harness.analysis.uncertainty import (
    combine,
    covariance,
    coverage_factor,
    effective_df,
    instrument_u,
    propagate,
)
from harness.analysis.variance import best_repeats, two_levels
from harness.plan.report_table import Instrument

# Davies & Goldsmith, Statistical Methods in Research and Production, 1972: yield of 6 batches of dyestuff.
DYESTUFF = [
    np.array(batch, dtype=float)
    for batch in (
        [1545, 1440, 1440, 1520, 1580],
        [1540, 1555, 1490, 1560, 1495],
        [1595, 1550, 1605, 1510, 1560],
        [1445, 1440, 1595, 1465, 1545],
        [1595, 1630, 1515, 1635, 1625],
        [1520, 1455, 1450, 1480, 1445],
    )
]


def with_moments(n: int, mean: float, sd: float) -> np.ndarray:
    """n values that have exactly this mean and standard deviation."""
    values = np.arange(n, dtype=float)
    return mean + sd * (values - values.mean()) / values.std(ddof=1)


def test_the_two_level_split_of_the_dyestuff_data_is_the_published_one():
    """Source: Davies & Goldsmith 1972; components as in Bates et al., J. Stat. Softw. 67(1), 2015."""
    found = two_levels(DYESTUFF)
    assert (found.ms_between, found.ms_within) == pytest.approx((11271.5, 2451.25))
    assert found.between == pytest.approx(1764.05)
    assert found.top.value == pytest.approx(1527.5)
    assert found.top.se == pytest.approx(19.3834, abs=5e-5)


def test_the_two_level_split_of_the_gum_example_is_the_printed_one():
    """Source: JCGM 100:2008, H.5, Table H.9: ten days of five readings, day means and within-day sd in uV."""
    means = [172, 116, 13, 144, 106, 31, 60, 125, 163, 41]
    sds = [60, 77, 111, 101, 67, 93, 80, 73, 88, 86]
    found = two_levels([with_moments(5, m, s) for m, s in zip(means, sds, strict=True)])
    assert found.mean == pytest.approx(97, abs=0.5)
    assert math.sqrt(found.ms_between) == pytest.approx(128, abs=0.5)
    assert math.sqrt(found.ms_within) == pytest.approx(85, abs=0.5)
    assert found.ms_between / found.ms_within == pytest.approx(2.26, abs=0.01)
    assert math.sqrt(found.between) == pytest.approx(43, abs=0.5)
    assert found.top.se == pytest.approx(18, abs=0.5)


def test_the_mean_squares_are_the_certified_ones_of_the_silicon_resistance_data():
    """Source: NIST StRD, one-way analysis of variance, SiRstv: F = 1.18046237440255."""
    resistance = [
        np.array([float(value) for value in line.split()])
        for line in (
            "196.3052 196.1240 196.1890 196.2569 196.3403",
            "196.3042 196.3825 196.1669 196.3257 196.0422",
            "196.1303 196.2005 196.2889 196.0343 196.1811",
            "196.2795 196.1748 196.1494 196.1485 195.9885",
            "196.2119 196.1051 196.1850 196.0052 196.2090",
        )
    ]
    found = two_levels(resistance)
    assert found.ms_between / found.ms_within == pytest.approx(1.18046237440255, rel=1e-10)
    assert found.ms_between == pytest.approx(1.278656540e-2, rel=1e-9)
    assert found.ms_within == pytest.approx(1.083182800e-2, rel=1e-9)


def test_unequal_groups_are_split_as_in_the_general_analysis_of_variance():
    """Source: expected mean squares: within is unbiased, between too, with groups of 2 to 9 (simulation)."""
    random = np.random.default_rng(4)
    found = [
        two_levels([random.normal(random.normal(0, 2.0), 1.0, n) for n in (2, 3, 5, 9, 4, 6)])
        for _ in range(3000)
    ]
    assert np.mean([f.within for f in found]) == pytest.approx(1.0, rel=0.03)
    assert np.mean([(f.ms_between - f.ms_within) for f in found]) > 0
    assert np.mean([f.between for f in found]) == pytest.approx(4.0, rel=0.08)


@pytest.mark.parametrize(("ratio", "repeats"), [(1, 2), (10, 4), (60, 10)])
def test_the_best_count_of_repeats_follows_cost_and_variance(ratio, repeats):
    """Source: Kalibera & Jones, ISMM 2013 (formula), on the Dyestuff components."""
    assert best_repeats(2451.25, 1764.05, 1, ratio) == repeats


def test_the_bootstrap_interval_of_the_law_school_correlation_is_the_known_one():
    """Source: Efron & Tibshirani 1993, Table 3.1; BCa 90 % [.426, .926], 95 % [.324, .942]."""
    lsat = np.array([576, 635, 558, 578, 666, 580, 555, 661, 651, 605, 653, 575, 545, 572, 594.0])
    gpa = np.array([3.39, 3.30, 2.81, 3.03, 3.44, 3.07, 3.00, 3.43, 3.36, 3.13, 3.12, 2.74, 2.76, 2.88, 2.96])

    def correlation(x: np.ndarray, y: np.ndarray, axis: int = -1) -> np.ndarray:
        a, b = x - x.mean(axis=axis, keepdims=True), y - y.mean(axis=axis, keepdims=True)
        return (a * b).sum(axis=axis) / np.sqrt((a**2).sum(axis=axis) * (b**2).sum(axis=axis))

    assert correlation(lsat, gpa) == pytest.approx(0.7763745, abs=5e-8)
    assert bca([lsat, gpa], correlation, 0.90, paired=True) == pytest.approx((0.426, 0.926), abs=0.012)
    assert bca([lsat, gpa], correlation, 0.95, paired=True) == pytest.approx((0.324, 0.942), abs=0.02)


def test_the_bootstrap_interval_of_the_spatial_test_variance_is_the_published_one():
    """Source: Efron & Tibshirani 1993, Table 14.1; BCa 90 % about [115.4, 260.3]."""
    text = "48 36 20 29 42 42 20 42 22 41 45 14 6 0 33 28 34 4 32 24 47 41 24 26 30 41"
    scores = np.array([float(score) for score in text.split()])
    assert scores.var() == pytest.approx(171.534, abs=5e-4)
    assert bca([scores], np.var, 0.90) == pytest.approx((115.4, 260.3), abs=3)


def test_the_bootstrap_interval_of_a_mean_agrees_with_theory_on_many_values():
    """Source: Efron 1987: for a mean of many nearly normal values BCa equals the normal interval."""
    values = np.random.default_rng(2).normal(3, 1, 400)
    low, high = bca_of_average([values], 0.95)
    assert (low, high) == pytest.approx(interval(of_mean(values), 0.95), abs=0.01)


def test_the_bootstrap_interval_of_a_skewed_sample_leans_to_its_tail():
    """Source: Efron 1987: BCa corrects for skewness; the t interval is symmetric."""
    values = np.random.default_rng(3).exponential(1.0, 30)
    low, high = bca_of_average([values], 0.95)
    assert high - values.mean() > 1.15 * (values.mean() - low)


def test_the_combined_uncertainty_of_the_end_gauge_is_the_printed_one():
    """Source: JCGM 100:2008, H.1: u_c = 32 nm, effective degrees of freedom 16, U99 = 93 nm."""
    parts, dfs = [25, 9.7, 2.9, 16.6], [18, 25.6, 50, 2]
    df = effective_df(parts, dfs)
    assert combine(parts) == pytest.approx(31.67, abs=5e-3)
    assert df == pytest.approx(16.76, abs=0.01)
    assert coverage_factor(df, 0.99) == pytest.approx(2.92, abs=5e-3)
    assert coverage_factor(df, 0.99) * 32 == pytest.approx(93, abs=0.6)


def test_propagation_with_correlated_inputs_gives_the_gums_resistance_reactance_and_impedance():
    """Source: JCGM 100:2008, H.2, Tables H.2 to H.4: V, I and phi read at the same time, five times."""
    volts = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    amps = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) / 1000
    phi = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    v, i, p = volts.mean(), amps.mean(), phi.mean()
    u = covariance({"v": volts, "i": amps, "phi": phi})
    z = v / i
    gradients = {
        "R": np.array([np.cos(p) / i, -z / i * np.cos(p), -z * np.sin(p)]),
        "X": np.array([np.sin(p) / i, -z / i * np.sin(p), z * np.cos(p)]),
        "Z": np.array([1 / i, -z / i, 0.0]),
    }
    assert z * np.cos(p) == pytest.approx(127.732, abs=5e-4)
    assert z == pytest.approx(254.260, abs=5e-4)
    printed = {"R": 0.071, "X": 0.295, "Z": 0.236}
    for name, gradient in gradients.items():
        assert propagate(gradient, u) == pytest.approx(printed[name], abs=1e-3)
    power = np.array([i, v])
    assert propagate(power, u[:2, :2]) == pytest.approx(6.403e-5, rel=1e-3)
    assert propagate(power, np.diag(np.diag(u))[:2, :2]) == pytest.approx(7.889e-5, rel=1e-3)


def test_limits_of_error_and_resolution_count_as_rectangular():
    """Source: JCGM 100:2008, 4.3.7 (a / sqrt(3)) and F.2.2.1 (step / sqrt(12))."""
    assert instrument_u(Instrument(accuracy=3), 100) == pytest.approx(3 / math.sqrt(3))
    assert instrument_u(Instrument(accuracy_pct=5), 200) == pytest.approx(10 / math.sqrt(3))
    assert instrument_u(Instrument(resolution=1), 200) == pytest.approx(0.29, abs=0.002)


@pytest.mark.parametrize(("effect", "pairs"), [(0.2, 199), (0.5, 34), (0.8, 15)])
def test_the_count_that_decides_is_the_paired_sample_size_where_only_a_difference_can_decide(effect, pairs):
    """Source: Cohen 1988, power .80, two-sided .05; paired counts by the noncentral t."""
    assert repeats_that_decide(effect, 1.0, margin=1e-6, alpha=0.05) == pairs


@pytest.mark.parametrize(("margin", "normal"), [(1.0, 8.56), (0.5, 34.26)])
def test_the_count_for_same_is_the_normal_approximation_and_a_little_for_t(margin, normal):
    """Source: n = ((z.95 + z.90) / m)^2, Schuirmann 1987; t adds about two pairs."""
    assert normal < repeats_that_decide(0.0, 1.0, margin=margin, alpha=0.05) <= math.ceil(normal) + 2


@pytest.mark.parametrize(("looks", "constant"), [(2, 2.178), (3, 2.289), (5, 2.413)])
def test_the_looks_of_many_pairs_cross_pococks_boundary_as_often_as_published(looks, constant):
    """Source: Pocock, Biometrika 64:191-199, 1977, constants for two-sided .05 (from memory).

    Forty pairs between looks, so that t is nearly normal; the grid's error grows with the steps.
    """
    from scipy.special import ndtr

    levels = [float(ndtr(-constant))] * looks
    pairs = [40 * look for look in range(1, looks + 1)]
    assert 2 * crossing_probabilities(levels, pairs).sum() == pytest.approx(0.05, abs=0.0035)


@pytest.mark.parametrize("alpha", [0.05, 0.025, 0.005])
def test_looking_after_every_pair_spends_exactly_the_error_rate(alpha):
    """Source: direct simulation of the t statistic from 3 to 10 normal differences."""
    random = np.random.default_rng(9)
    x = random.normal(size=(300_000, 10))
    levels = nominal_levels(alpha, 3, 10)
    stopped = np.zeros(len(x), bool)
    from scipy.special import stdtrit

    for n, level in zip(range(3, 11), levels, strict=True):
        seen = x[:, :n]
        t = seen.mean(axis=1) / (seen.std(axis=1, ddof=1) / math.sqrt(n))
        stopped |= t > stdtrit(n - 1, 1 - level)
    tolerance = 3 * math.sqrt(alpha / len(x))
    assert stopped.mean() == pytest.approx(alpha, abs=tolerance + 0.01 * alpha)
    assert levels[0] == pytest.approx(alpha * 3 / 10, rel=0.01)


def test_a_repeated_p_value_falls_to_the_error_rate_exactly_at_the_looks_level():
    for alpha in (0.05, 0.01, 0.001):
        for look, level in zip(range(4, 13), nominal_levels(alpha, 4, 12), strict=True):
            assert repeated_p(level, look, 4, 12) == pytest.approx(alpha, rel=0.02)
    assert math.isnan(repeated_p(0.001, 3, 4, 12))
    assert repeated_p(0.9, 5, 4, 12) == 1.0


def test_no_profile_on_the_front_is_beaten_in_everything_and_all_others_are():
    """Source: the definition of Pareto efficiency, by brute force on random points."""
    values = np.random.default_rng(6).normal(size=(40, 3))
    better = [True, False, False]
    sign = np.array([1, -1, -1])
    for i, by in enumerate(dominators(values, better)):
        expected = [
            j
            for j in range(40)
            if ((values[j] - values[i]) * sign >= 0).all() and ((values[j] - values[i]) * sign > 0).any()
        ]
        assert by == expected
