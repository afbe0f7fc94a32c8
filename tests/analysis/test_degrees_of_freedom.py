"""Degrees of freedom of an average over titles."""

import numpy as np
import pytest
from scipy import special

from harness.analysis.estimate import Estimate, interval, of_average, of_mean


def titles(*sds: float, n: int = 5) -> list[Estimate]:
    return [Estimate(0.0, sd / n**0.5, n - 1, n, sd) for sd in sds]


def test_equal_scatter_uses_the_freedom_of_all_titles_and_no_more():
    assert of_average(titles(1, 1, 1)).df == 12


def test_one_title_alone_and_one_that_drowns_the_rest_have_that_titles_freedom():
    assert of_average(titles(1)).df == 4
    assert of_average(titles(1, 1e-6, 1e-6)).df == pytest.approx(4)


def test_between_these_it_lies_between_the_two_published_formulas():
    """Satterthwaite 1946 divides squares by n - 1; Welch 1947 by n + 1, and takes 2 off (from memory)."""
    a, b, n = 1.0, 0.5, 6
    estimates = [Estimate(0.0, se, n - 1, n, se * n**0.5) for se in (a, b)]
    ratio = (a**2 + b**2) ** 2 / (a**4 + b**4)
    satterthwaite, welch = ratio * (n - 1), ratio * (n + 1) - 2
    assert satterthwaite < of_average(estimates).df < welch
    assert of_average(estimates).df == pytest.approx((satterthwaite + welch) / 2)


def test_a_title_without_scatter_of_its_own_adds_no_freedom():
    lone = Estimate(0.0, float("nan"), float("nan"), 1, float("nan"))
    assert of_average([*titles(1, 1), lone]).df <= 8


@pytest.mark.parametrize(("repeats", "sds"), [(3, (1, 1, 1)), (5, (1, 1, 1)), (5, (1, 2, 4))])
def test_intervals_over_titles_cover_as_stated_for_normal_repeats(repeats, sds):
    random = np.random.default_rng(12)
    values = random.normal(0, 1, (4000, len(sds), repeats)) * np.array(sds)[:, None]
    found = np.array([interval(of_average([of_mean(v) for v in one]), 0.95) for one in values])
    covered = np.mean((found[:, 0] <= 0) & (found[:, 1] >= 0))
    assert 0.935 <= covered <= 0.965


def test_the_plain_formula_would_cover_too_often_with_few_repeats():
    """Satterthwaite's formula, three titles of equal scatter, three repeats each."""
    values = np.random.default_rng(13).normal(0, 1, (40_000, 3, 3))
    variance = values.var(axis=-1, ddof=1)
    df = variance.sum(axis=-1) ** 2 / (variance**2 / 2).sum(axis=-1)
    half = special.stdtrit(df, 0.975) * np.sqrt(variance.sum(axis=-1) / 3) / 3
    assert np.mean(np.abs(values.mean(axis=(1, 2))) <= half) > 0.965
