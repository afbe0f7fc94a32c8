"""The statistics against published values. Each check names its source."""

import math

import numpy as np
import pytest
from scipy import stats

from harness.analysis import AnalysisSettings
from harness.analysis.claims import decide
from harness.analysis.estimate import (
    Estimate,
    interval,
    of_average,
    of_mean,
    of_two_groups,
    p_difference,
    p_same,
    with_step,
)
from harness.analysis.evenness import at_least, at_most
from harness.analysis.family import Standing
from harness.metrics import METRICS

# Student, "The probable error of a mean", Biometrika 6:1-25, 1908: additional hours of sleep.
SLEEP_A = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0])
SLEEP_B = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])
# Benjamini & Hochberg, JRSS B 57:289-300, 1995: the paper's worked example, 15 p-values.
BH_P = np.array(
    [
        *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459),
        *(0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0000),
    ]
)


def with_moments(n: int, mean: float, sd: float) -> np.ndarray:
    """n values that have exactly this mean and standard deviation."""
    values = np.arange(n, dtype=float)
    return mean + sd * (values - values.mean()) / values.std(ddof=1)


def test_the_interval_of_a_mean_is_the_one_that_the_nist_handbook_prints():
    """Source: NIST/SEMATECH e-Handbook 1.3.5.2, heat-flow-meter data (n 195)."""
    low, high = interval(of_mean(with_moments(195, 9.261460, 0.02278881)), 0.95)
    assert (low, high) == (pytest.approx(9.258242, abs=1e-6), pytest.approx(9.264679, abs=1e-6))


def test_the_interval_of_a_mean_of_three_is_the_one_that_miller_and_miller_print():
    """Source: Miller & Miller, Statistics for Analytical Chemistry, 3rd ed. 1994 (n 3)."""
    low, high = interval(of_mean(with_moments(3, 37.8, 0.964365)), 0.95)
    assert (low, high) == (pytest.approx(35.40438, abs=1e-4), pytest.approx(40.19562, abs=1e-4))


def test_paired_differences_of_students_sleep_data_give_the_published_interval():
    """Source: Student 1908, result as printed in the R help of t.test (sleep data, paired)."""
    estimate = of_mean(SLEEP_A - SLEEP_B)
    assert estimate.value / estimate.se == pytest.approx(-4.0621, abs=5e-5)
    assert p_difference(estimate) == pytest.approx(0.002833, abs=5e-7)
    assert interval(estimate, 0.95) == pytest.approx((-2.4598858, -0.7001142), abs=5e-8)


def test_two_independent_groups_of_the_sleep_data_give_the_published_interval():
    """Source: Student 1908, result as printed in the R help of sleep (Welch)."""
    estimate = of_two_groups(SLEEP_A, SLEEP_B)
    assert estimate.df == pytest.approx(17.776, abs=5e-4)
    assert p_difference(estimate) == pytest.approx(0.07939, abs=5e-6)
    assert interval(estimate, 0.95) == pytest.approx((-3.3654832, 0.2054832), abs=5e-8)


def test_welch_on_the_car_data_gives_the_published_degrees_of_freedom():
    """Source: NIST e-Handbook 1.3.5.3 (AUTO83B), Welch form as printed in the Boost.Math examples."""
    estimate = of_two_groups(with_moments(249, 20.14458, 6.41470), with_moments(79, 30.48101, 6.10771))
    assert estimate.value / estimate.se == pytest.approx(-12.9463, abs=5e-5)
    assert estimate.df == pytest.approx(136.8750, abs=5e-4)
    assert p_difference(estimate) == pytest.approx(1.571e-25, rel=1e-3)


def test_two_one_sided_tests_give_the_equivalence_that_lakens_reports():
    """Source: Lakens, Soc. Psychol. Pers. Sci. 8:355-362, 2017: t(181) = -2.69, p = .004."""
    estimate = of_two_groups(with_moments(95, 5.25, 0.95), with_moments(89, 5.22, 0.83))
    bound = 0.43 * math.sqrt((0.95**2 + 0.83**2) / 2)
    assert estimate.df == pytest.approx(181.13, abs=5e-3)
    assert p_same(estimate, bound) == pytest.approx(0.00388, abs=5e-6)
    assert interval(estimate, 0.90) == pytest.approx((-0.18708, 0.24708), abs=5e-6)


def test_equivalence_is_claimed_exactly_when_the_ninety_percent_interval_lies_inside_the_margin():
    """Source: the duality of test and interval (Schuirmann 1987), on random cases."""
    random = np.random.default_rng(5)
    seen = set()
    for _ in range(400):
        estimate = of_mean(random.normal(random.normal(0, 0.5), 1, size=int(random.integers(2, 12))))
        low, high = interval(estimate, 0.90)
        claimed = p_same(estimate, 0.8) < 0.05
        assert claimed == (low > -0.8 and high < 0.8)
        seen.add(claimed)
    assert seen == {True, False}


def test_as_many_claims_stand_in_one_family_as_the_published_example_rejects():
    """Source: Benjamini & Hochberg 1995: Bonferroni rejects 3 of the 15, four stand at 0.05 by themselves
    at least; and each interval says what its adjusted p-value says.
    """
    values = stats.norm.isf(np.maximum(BH_P, 1e-12) / 2)
    estimates = [Estimate(float(value), 1.0, 1e9, 100, 10.0) for value in values]
    family = [Standing(True, 0.05 / 15, 15)] * 15
    metric = METRICS.compared_as["average_fps"]
    claims = decide(metric, estimates, family, AnalysisSettings("a"))
    assert [claim.p_difference for claim in claims] == pytest.approx(BH_P, abs=1e-6)
    rejected = [claim.p_difference_adjusted <= 0.05 for claim in claims]
    assert sum(rejected) == 3
    assert rejected == [claim.low > 0 for claim in claims] == [claim.decision == "faster" for claim in claims]
    alone = decide(
        METRICS.compared_as["average_fps"], estimates, [Standing(True, 0.05, 1)] * 15, AnalysisSettings("a")
    )
    assert sum(claim.decision == "faster" for claim in alone) == int((BH_P <= 0.05).sum()) == 9


@pytest.mark.parametrize(("events", "runs"), [(0, 9), (2, 9), (1, 30), (9, 9), (0, 1)])
def test_bounds_of_rare_events_are_those_of_clopper_and_pearson(events, runs):
    """Source: ``scipy.stats.binomtest``, one-sided; 0 of 9 allows 28.3 %, 1 - 0.05**(1/9)."""
    upper = stats.binomtest(events, runs, alternative="less").proportion_ci(0.95, method="exact").high
    lower = stats.binomtest(events, runs, alternative="greater").proportion_ci(0.95, method="exact").low
    assert at_most(events, runs) == pytest.approx(upper, abs=1e-12)
    assert at_least(events, runs) == pytest.approx(lower, abs=1e-12)
    assert at_most(0, 9) == pytest.approx(0.283, abs=5e-4)


def test_a_step_is_a_rectangular_distribution_in_the_gums_own_example():
    """Source: JCGM 100:2008, F.2.2.1: a resolution of dx has a standard uncertainty of 0.29 dx."""
    u = 1 / math.sqrt(12)
    assert u == pytest.approx(0.29, abs=5e-3)
    mean = of_mean(np.array([4.0, 5.0, 6.0]))
    assert with_step(mean, u).se == pytest.approx(math.sqrt(mean.se**2 + 1 / 12))
    assert with_step(of_mean(np.array([72.0, 72.0, 72.0])), u).se == pytest.approx(u)


def test_the_log_ratio_interval_of_the_gum_example_is_the_closed_form():
    """Source: data of JCGM 100:2008, H.2 (five pairs of V and I); interval of mean ln(V/I), 95 %."""
    volts = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    milliamps = np.array([19.663, 19.639, 19.640, 19.685, 19.678])
    estimate = of_mean(np.log(volts) - np.log(milliamps))
    low, high = interval(estimate, 0.95)
    assert math.exp(estimate.value) == pytest.approx(0.254259610, abs=5e-10)
    assert (math.exp(low), math.exp(high)) == pytest.approx((0.25360428, 0.25491664), abs=5e-9)


@pytest.mark.parametrize(("offset", "first"), [(1.0, 1.2), (1e6, 1000000.2), (1e7, 10000000.2)])
def test_scatter_on_a_large_offset_keeps_its_certified_digits(offset, first):
    """Source: NIST StRD, NumAcc2 to NumAcc4: standard deviation 0.1 (one-pass formulas give 0 on NumAcc4)."""
    values = np.array([first, *([first - 0.1, first + 0.1] * 500)])
    estimate = of_mean(values)
    assert estimate.value == pytest.approx(first, rel=1e-14)
    assert estimate.sd == pytest.approx(0.1, rel=1e-7)


def test_the_geometric_mean_ranks_alike_whatever_the_reference_and_the_arithmetic_mean_does_not():
    """Source: Fleming & Wallace, CACM 29:218-221, 1986; times from memory, the claim is exact."""
    times = {
        "R": np.array([417.0, 83.0, 66.0, 39449.0, 772.0]),
        "M": np.array([244.0, 70.0, 153.0, 33527.0, 368.0]),
    }

    def geometric(one: str, other: str) -> float:
        estimates = [
            of_mean(np.log(np.array([a / b]))) for a, b in zip(times[one], times[other], strict=True)
        ]
        return math.exp(of_average(estimates).value)

    assert geometric("M", "R") == pytest.approx(0.857, abs=5e-4)
    assert geometric("R", "M") == pytest.approx(1 / geometric("M", "R"), rel=1e-12)
    assert (times["M"] / times["R"]).mean() > 1
    assert (times["R"] / times["M"]).mean() > 1
