"""Whether sources of one power agree, against loads whose power is known, and the rate of false alarms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from harness.telemetry.power_sources import (
    AGREE_WITHIN,
    ERROR_RATE,
    SourceMean,
    best_source,
    disagreements,
    source_means,
)
from harness.telemetry.summary import Window
from tests.telemetry.test_summary import table_of

RATE_S = 0.1


def noisy_window(rng: np.random.Generator, counter_factor: float = 1.0, duration_s: float = 30.0) -> Window:
    """A title of changing power, seen by a counter and by readings with white noise of 2 %."""
    t_s = np.arange(-2, duration_s + 2, RATE_S)
    power_w = 250 + 40 * np.sin(2 * math.pi * t_s / 11)
    energy_j = 1e6 + np.cumsum(power_w) * RATE_S * counter_factor
    seen_w = power_w * (1 + rng.normal(0, 0.02, t_s.size))
    return Window(table_of(t_s, energy_j=energy_j, power_w=seen_w), 0, duration_s)


def test_sources_at_the_limit_of_what_counts_as_gain_are_disputed_no_oftener_than_stated():
    rng = np.random.default_rng(1)
    windows = [noisy_window(rng, 1 / (1 - 0.97 * AGREE_WITHIN)) for _ in range(400)]
    false = sum(bool(disagreements(w, source_means(w))) for w in windows)
    # 99.9 % point of the binomial distribution (general-purpose library)
    assert false <= stats.binom.ppf(0.999, len(windows), ERROR_RATE)


def test_a_difference_of_three_percent_is_found_every_time_however_the_title_changes():
    rng = np.random.default_rng(2)
    for _ in range(20):
        window = noisy_window(rng, 1.03)
        (found,) = disagreements(window, source_means(window))
        assert (found.one.quantity, found.other.quantity) == ("energy_j", "power_w")
        assert found.difference_w / found.one.mean_w == pytest.approx(-0.03, abs=0.006)


def test_a_window_that_is_too_short_for_a_test_is_not_disputed():
    window = noisy_window(np.random.default_rng(3), 1.5, duration_s=3.0)
    assert disagreements(window, source_means(window)) == ()


def test_the_uncertainty_by_sampling_is_that_of_the_mean_of_white_noise():
    rng = np.random.default_rng(4)
    t_s = np.arange(0, 60.0, RATE_S)
    windows = [Window(table_of(t_s, power_w=200 + rng.normal(0, 5.0, t_s.size)), 0, 59.9) for _ in range(200)]
    means = [source_means(window)[0] for window in windows]
    observed = np.std([mean.mean_w for mean in means], ddof=1)
    # sd of the mean of n independent values is sd / sqrt(n) (GUM 4.2.3)
    assert np.mean([mean.u_w for mean in means]) == pytest.approx(5.0 / math.sqrt(600), rel=0.05)
    assert observed == pytest.approx(5.0 / math.sqrt(600), rel=0.2)


def test_the_preferred_source_is_left_only_for_one_that_is_known_to_be_far_better():
    counter, average = SourceMean("energy_j", 534.0, 0.4), SourceMean("power_average_w", 552.0, 0.4)
    both = (counter, average)
    assert best_source((), {}) is None
    assert best_source(both, {}) is counter
    assert best_source(both, {"energy_j": 32.0}) is counter  # of the other nothing is known
    assert best_source(both, {"energy_j": 32.0, "power_average_w": 11.0}) is average
    assert best_source(both, {"energy_j": 32.0, "power_average_w": 20.0}) is counter
    assert best_source(both, {"energy_j": 2.0, "power_average_w": 0.0}) is counter


def with_a_still_counter(still_s: tuple[float, float]) -> Window:
    """A card at 200 W whose counter does not count in a part of the window of 60 s."""
    t_s = np.arange(-2, 62, RATE_S)
    counted_j = np.where((t_s > still_s[0]) & (t_s < still_s[1]), 0.0, 200 * RATE_S)
    seen_w = 200 + np.random.default_rng(5).normal(0, 2.0, t_s.size)
    return Window(table_of(t_s, energy_j=1e6 + np.cumsum(counted_j), power_w=seen_w), 0, 60)


@pytest.mark.parametrize("length_s", [4, 10, 20])
def test_a_counter_that_loses_a_part_of_the_window_is_disputed_by_what_it_lost(length_s: int):
    window = with_a_still_counter((20, 20 + length_s))
    (found,) = window.disputes
    assert found.difference_w == pytest.approx(200 * length_s / 60, abs=1.5)
    assert window.card_sensor_u_w() == pytest.approx(abs(found.difference_w) / math.sqrt(3))


def test_a_counter_that_stops_for_good_is_held_against_the_readings_of_the_time_before():
    assert with_a_still_counter((36, 100)).disputes == ()


def test_a_counter_that_never_moves_is_no_source():
    window = with_a_still_counter((-100, 100))
    assert window.mean_rate("energy_j") is None
    assert window.card_source() == "power_w"
