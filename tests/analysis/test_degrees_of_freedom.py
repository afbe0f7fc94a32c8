"""Degrees of freedom of an average over titles."""

import numpy as np
import pytest
from scipy import special

from harness.analysis.estimate import Estimate, interval, of_average, of_mean


def titles(*sds: float, n: int = 5) -> list[Estimate]:
    return [Estimate(0.0, sd / n**0.5, n - 1, n, sd) for sd in sds]


def test_equal_scatter_lies_midway_between_the_freedom_of_all_titles_and_that_of_one():
    assert of_average(titles(1, 1, 1)).df == pytest.approx((12 + 4) / 2)


def test_one_title_alone_and_one_that_drowns_the_rest_have_that_titles_freedom():
    assert of_average(titles(1)).df == 4
    assert of_average(titles(1, 1e-6, 1e-6)).df == pytest.approx(4)


def test_between_these_it_is_midway_between_satterthwaites_formula_and_the_smallest():
    """Satterthwaite 1946 divides squares by n - 1."""
    a, b, n = 1.0, 0.5, 6
    estimates = [Estimate(0.0, se, n - 1, n, se * n**0.5) for se in (a, b)]
    found = (a**2 + b**2) ** 2 / (a**4 + b**4) * (n - 1)
    assert of_average(estimates).df == pytest.approx((found + n - 1) / 2)


def test_no_scatter_is_borrowed_a_title_without_its_own_leaves_that_between_the_titles():
    lone = Estimate(0.3, float("nan"), float("nan"), 1, float("nan"))
    found = of_average([*titles(1, 1), lone])
    between = of_mean(np.array([0.0, 0.0, 0.3]))
    assert (found.value, found.se, found.df) == (between.value, between.se, between.df)
    assert found.between
    assert not of_average([lone]).known
    two_pairs = Estimate(0.1, 0.05, 1.0, 2, 0.07)
    assert of_average([*titles(1, 1), two_pairs]).between
    assert not of_average([two_pairs, two_pairs]).between


@pytest.mark.parametrize("sds", [(0.3, 0.3, 3.0), (3.0, 0.3, 0.3)])
def test_an_average_with_a_title_of_one_pair_covers_as_stated_whatever_its_scatter(sds):
    random = np.random.default_rng(14)
    covered = 0
    for _ in range(2000):
        parts = [of_mean(random.normal(0, sd, 1 if i == 2 else 5)) for i, sd in enumerate(sds)]
        low, high = interval(of_average(parts), 0.95)
        covered += low <= 0 <= high
    assert covered / 2000 >= 0.935


@pytest.mark.parametrize(
    ("repeats", "sds"),
    [
        (3, (1, 1, 1)),
        (5, (1, 1, 1)),
        (5, (1, 2, 4)),
        (3, (0.3, 0.6, 3)),
        (3, (1, 1, 1, 1, 10)),
        ((3, 3, 2), (1, 1, 3)),
        ((5, 5, 2), (1, 1, 5)),
    ],
)
def test_intervals_over_titles_cover_as_stated_for_normal_repeats(repeats, sds):
    """At least as stated: what is too much is the price of covering where titles scatter unequally."""
    random = np.random.default_rng(12)
    counts = repeats if isinstance(repeats, tuple) else (repeats,) * len(sds)
    found = np.array(
        [
            interval(
                of_average([of_mean(random.normal(0, s, n)) for s, n in zip(sds, counts, strict=True)]), 0.95
            )
            for _ in range(4000)
        ]
    )
    covered = np.mean((found[:, 0] <= 0) & (found[:, 1] >= 0))
    assert covered >= 0.935


def test_the_plain_formula_would_cover_too_often_with_few_repeats():
    """Satterthwaite's formula, three titles of equal scatter, three repeats each."""
    values = np.random.default_rng(13).normal(0, 1, (40_000, 3, 3))
    variance = values.var(axis=-1, ddof=1)
    df = variance.sum(axis=-1) ** 2 / (variance**2 / 2).sum(axis=-1)
    half = special.stdtrit(df, 0.975) * np.sqrt(variance.sum(axis=-1) / 3) / 3
    assert np.mean(np.abs(values.mean(axis=(1, 2))) <= half) > 0.965
