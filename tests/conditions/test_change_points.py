"""Warm-up truncation, change points and shader compilation, against published or constructed values."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from harness.conditions.change_points import (
    Truncation,
    against,
    change_points,
    largest_step,
    mser5,
)

# Yearly flow of the Nile at Aswan, 1871 to 1970, 10^8 m^3. Source: G. W. Cobb, Biometrika 65, 243-251, 1978
# (change about 1898); the copy is the one that statsmodels ships.
NILE = np.array([
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180,
    799, 958, 1140, 1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833,
    701, 916, 692, 1020, 1050, 969, 831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845,
    864, 862, 698, 845, 744, 796, 1040, 759, 781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649,
    846, 812, 742, 801, 1040, 860, 874, 848, 890, 744, 749, 838, 1050, 918, 986, 797, 923, 975, 815,
    1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
], dtype=float)  # fmt: skip


def test_mser5_drops_the_two_batches_of_the_constructed_case():
    # Batch means 67.2, 23, 10, 10, ...; scores 7.986095, 0.443505, 0 at d = 0, 1, 2. Formula: K. P. White,
    # Simulation 69, 323-334, 1997; the case is constructed, no worked table of that paper could be confirmed.
    series = np.array([100, 80, 64, 51, 41, 33, 27, 22, 18, 15] + [10, 12, 8, 11, 9] * 18, dtype=float)
    assert mser5(series) == Truncation(drop=10, settled=True)


def test_mser5_says_when_a_series_has_not_settled():
    assert not mser5(np.exp(-np.arange(100) / 60)).settled
    with pytest.raises(ValueError, match="at least 20"):
        mser5(np.ones(19))


def test_the_change_of_the_nile_is_found_in_1898_with_any_penalty_of_the_published_range():
    assert NILE.size == 100
    assert NILE[:28].mean() == pytest.approx(1097.75)
    assert NILE[28:].mean() == pytest.approx(849.9722, abs=1e-4)
    for penalty in (150_135, 200_000, 261_127):
        assert change_points(NILE, penalty) == [28]


def test_pelt_finds_the_exact_optimum_for_one_change():
    costs = [
        ((NILE[:k] - NILE[:k].mean()) ** 2).sum() + ((NILE[k:] - NILE[k:].mean()) ** 2).sum()
        for k in range(2, 99)
    ]
    assert 2 + int(np.argmin(costs)) == change_points(NILE, 200_000)[0]
    assert min(costs) == pytest.approx(1_597_457.194, abs=0.01)


def _cheapest(values: np.ndarray, penalty: float, least: int) -> float:
    """Price of the best segmentation, by trying every one (Bellman's recursion written plainly)."""
    size = values.size
    best = [-penalty] + [np.inf] * size
    for end in range(least, size + 1):
        best[end] = penalty + min(
            best[begin] + ((values[begin:end] - values[begin:end].mean()) ** 2).sum()
            for begin in range(end - least + 1)
        )
    return float(best[size])


def _price(values: np.ndarray, changes: list[int], penalty: float) -> float:
    parts = np.split(values, changes)
    return float(sum(((part - part.mean()) ** 2).sum() for part in parts)) + penalty * len(changes)


@pytest.mark.parametrize("least", [1, 2, 5])
def test_no_segmentation_is_cheaper_than_the_one_that_is_found(least: int) -> None:
    draw = np.random.default_rng(11)
    for _ in range(60):
        size = int(draw.integers(2 * least, 60))
        levels = np.repeat(draw.normal(0, 3, 20), draw.integers(1, 12, 20))[:size]
        values = 1000 + np.resize(levels, size) + draw.normal(0, 1, size)
        penalty = float(draw.choice([0.5, 3.0, 20.0]))
        found = change_points(values, penalty, least)
        assert all(b - a >= least for a, b in pairwise([0, *found, size]))
        assert _price(values, found, penalty) == pytest.approx(_cheapest(values, penalty, least), abs=1e-6)


def test_the_changes_are_those_that_a_general_purpose_library_finds() -> None:
    """With the library ``ruptures``, which has no wheel for every version of Python."""
    ruptures = pytest.importorskip("ruptures", reason="ruptures has no wheel for this version of Python")
    draw = np.random.default_rng(12)
    for _ in range(40):
        values = np.repeat(draw.normal(0, 1, 6), 20) + draw.normal(0, 0.3, 120)
        theirs = ruptures.Pelt(model="l2", min_size=4, jump=1).fit(values.reshape(-1, 1)).predict(pen=2.0)
        ours = change_points(values, 2.0, 4)
        assert _price(values, ours, 2.0) <= _price(values, theirs[:-1], 2.0) + 1e-9
        assert ours == theirs[:-1] or _price(values, ours, 2.0) < _price(values, theirs[:-1], 2.0) - 1e-9


def test_a_step_is_found_with_its_place_and_size_and_noise_alone_has_none():
    draw = np.random.default_rng(4)
    level = np.where(np.arange(90) < 40, 0.0, np.log(0.9))
    step = largest_step(level + draw.normal(0, 0.01, 90), 8)
    assert step is not None
    assert step.index == pytest.approx(40, abs=1)
    assert step.size == pytest.approx(-0.10, abs=0.01)
    found = [largest_step(draw.normal(0, 0.02, 90), 8) for _ in range(200)]
    assert sum(step is not None and abs(step.size) > 0.05 for step in found) == 0


def test_the_same_scenes_begun_elsewhere_line_up_and_other_scenes_do_not():
    draw = np.random.default_rng(9)
    scenes = np.repeat(np.exp(0.15 * draw.standard_normal(14)), 8)
    ours, theirs = 90 * scenes[:60], 88 * scenes[7:67]
    ratio = against(ours * np.exp(draw.normal(0, 0.01, 60)), theirs * np.exp(draw.normal(0, 0.01, 60)), 20)
    assert ratio is not None
    assert np.exp(np.median(ratio)) == pytest.approx(90 / 88, rel=0.01)
    other = 90 * np.repeat(np.exp(0.15 * draw.standard_normal(20)), 3)
    assert against(ours, other, 20) is None
