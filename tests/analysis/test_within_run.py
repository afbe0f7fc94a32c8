"""What a repeat's frames leave open, the scenes that every repeat shows taken off."""

import numpy as np
import pytest

from harness.analysis.within_run import course, within_variance


def runs(repeats: int, noise: float, alike: float = 0.0, seed: int = 1) -> np.ndarray:
    """Courses of 60 bins: scenes that differ by 30 %, and autoregressive noise of that scatter."""
    random = np.random.default_rng(seed)
    scenes = 0.15 * np.sign(np.sin(np.arange(60) / 7))
    made = []
    for _ in range(repeats):
        left = np.empty(60)
        left[0] = random.normal(0, noise)
        for i in range(1, 60):
            left[i] = alike * left[i - 1] + random.normal(0, noise * np.sqrt(1 - alike**2))
        made.append(scenes + left + random.normal(0, 0.01))
    return np.array(made)


@pytest.mark.parametrize("alike", [0.0, 0.5])
def test_scenes_count_for_nothing_and_the_noise_for_what_it_does_to_the_mean(alike):
    """Against what the means of many runs without any other scatter really do."""
    found = np.mean([within_variance(runs(5, 0.02, alike, seed)) for seed in range(200)])
    random = np.random.default_rng(9)
    means = []
    for _ in range(4000):
        left = random.normal(0, 1, 60)
        for i in range(1, 60):
            left[i] = alike * left[i - 1] + np.sqrt(1 - alike**2) * left[i]
        means.append(0.02 * left.mean())
    assert found == pytest.approx(np.var(means), rel=0.2)


def test_without_noise_nothing_is_left_and_one_run_says_nothing():
    assert within_variance(np.tile(np.sin(np.arange(60.0)), (4, 1))) == pytest.approx(0, abs=1e-20)
    assert np.isnan(within_variance(runs(1, 0.02)))


def test_a_course_is_the_mean_frame_time_of_each_bin():
    frametime_ms = np.repeat([10.0, 20.0], [1000, 500])
    bins = course(np.cumsum(frametime_ms) / 1000, frametime_ms)
    assert bins.shape == (20,)
    assert np.exp(bins[[0, -1]]) == pytest.approx([10, 20])
    assert course(np.arange(1, 6.0), np.full(5, 1000.0)).size == 0
