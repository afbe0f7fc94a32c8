"""Bounds on slope and variation know a sensor's rounding and a signal's autocorrelation."""

from __future__ import annotations

import math

import numpy as np
import pytest

from harness.conditions.steady import (
    Readings,
    effective_count,
    has_stopped_falling,
    is_level,
    lag_one_autocorrelation,
    resolution_of,
    slope_bounds,
    variation_bound_pct,
)

# Two-node ladder, power step: rise of node 1 = P [R1' (1 - exp(-t/tau1)) + R2' (1 - exp(-t/tau2))].
# Closed form of the lumped-capacitance model (Incropera & DeWitt); constants for R1 = 0.2 K/W, C1 = 50 J/K,
# R2 = 0.3 K/W, C2 = 400 J/K, P = 100 W.
TAU_S = (8.811304, 136.188696)
RISE_K = (15.3829, 34.6171)


def node_rise_k(t_s: float) -> float:
    return sum(rise * (1 - math.exp(-t_s / tau)) for rise, tau in zip(RISE_K, TAU_S, strict=True))


def history_of(t_s: np.ndarray, values: np.ndarray) -> Readings:
    history = Readings(keep_s=1000)
    for t, value in zip(t_s, values, strict=True):
        history.add(float(t), float(value))
    return history


def test_the_ladder_has_the_published_rises():
    assert [node_rise_k(t) for t in (1, 10, 60, 300, 600)] == pytest.approx(
        [1.903646, 12.888805, 27.700957, 46.175141, 49.577390], abs=2e-4
    )


def test_a_whole_degree_sensor_that_reads_the_same_for_a_window_is_not_called_level_while_it_climbs():
    # At t = 300 s node 1 climbs 0.52 K in 20 s: 1.5 K/min. A window of 20 s of whole degrees can't see it.
    t_s = np.arange(280.0, 301.0)
    readings = np.round([30 + node_rise_k(t) - 0.05 for t in t_s])
    assert len(set(readings[-12:])) == 1
    assert not is_level(t_s, readings, 300.0, limit_per_min=0.5, shortest_s=11)
    assert not is_level(t_s, readings, 300.0, limit_per_min=0.5, shortest_s=20)


def test_a_heating_card_is_never_called_level_before_its_true_slope_is_inside_the_limit():
    limit = 0.5
    for offset in np.linspace(0, 1, 7):
        t_s = np.arange(0.0, 900.0)
        true_c = np.array([30 + offset + node_rise_k(t) for t in t_s])
        history = Readings(keep_s=400)
        opened_s = None
        for t, value in zip(t_s, np.round(true_c), strict=True):
            history.add(t, value)
            if t % 3 == 0 and t >= 60 and is_level(*history.arrays(), t, limit, 60):
                opened_s = t
                break
        assert opened_s is not None
        slope_per_min = 60 * (node_rise_k(opened_s) - node_rise_k(opened_s - 1))
        assert slope_per_min <= limit
        assert opened_s <= 760  # the true slope falls below the limit at about 465 s


def test_the_bounds_hold_the_true_slope_of_a_noisy_rounded_autocorrelated_series():
    random = np.random.default_rng(5)
    held = 0
    t_s = np.arange(0.0, 120.0)
    for _ in range(400):
        noise = np.zeros(t_s.size)
        for index in range(1, t_s.size):
            noise[index] = 0.6 * noise[index - 1] + random.normal(0, 0.25)
        slope = random.uniform(-0.05, 0.05)
        readings = np.round(60 + random.uniform(0, 1) + slope * t_s + noise)
        bounds = slope_bounds(t_s, readings, 1.0)
        assert bounds is not None
        held += bounds.low_per_min <= 60 * slope <= bounds.high_per_min
    assert held >= 0.95 * 400


def test_lag_one_autocorrelation_is_the_certified_value():
    # NIST StRD, univariate: NumAcc1 has -0.5; NumAcc2 (1.2, then 500 x 1.1, 1.3) has -0.999.
    assert lag_one_autocorrelation(np.array([10000001.0, 10000003.0, 10000002.0])) == pytest.approx(-0.5)
    series = np.array([1.2] + [1.1, 1.3] * 500)
    assert lag_one_autocorrelation(series) == pytest.approx(-0.999, abs=1e-12)


def test_the_effective_count_is_that_of_a_first_order_autoregressive_series():
    # Bayley & Hammersley 1946: n (1 - r) / (1 + r); n = 1000 and r = 0.9 are worth 52.6 readings.
    random = np.random.default_rng(1)
    worth = []
    for _ in range(40):
        series = np.zeros(1000)
        for index in range(1, 1000):
            series[index] = 0.9 * series[index - 1] + random.normal()
        worth.append(effective_count(series))
    assert np.median(worth) == pytest.approx(52.632, rel=0.15)


def test_a_constant_whole_degree_reading_leaves_the_slope_that_rounding_can_hide():
    bounds = slope_bounds(np.arange(0.0, 61.0), np.full(61, 50.0), 1.0)
    assert bounds is not None
    assert (bounds.estimate_per_min, bounds.low_per_min, bounds.high_per_min) == pytest.approx((0, -1, 1))


@pytest.mark.parametrize(
    ("values", "step"), [([50, 51, 50], 1.0), ([50.0, 50.0], 1.0), ([50.25, 50.5], 0.25), ([50.1, 50.1], 0.0)]
)
def test_the_resolution_is_told_from_the_readings(values: list[float], step: float):
    assert resolution_of(values) == pytest.approx(step)


def test_falling_is_told_from_having_fallen():
    t_s = np.arange(0.0, 200.0)
    falling = np.round(80 - 0.05 * t_s)
    fallen = np.round(49 + 25 * np.exp(-t_s / 6))
    rising = np.round(40 + 0.05 * t_s)
    assert not has_stopped_falling(t_s, falling, 199.0, 1.0, 20)
    assert has_stopped_falling(t_s, fallen, 199.0, 1.0, 20)
    assert has_stopped_falling(t_s, rising, 199.0, 1.0, 20)


def test_variation_is_bounded_from_above():
    random = np.random.default_rng(2)
    clock = 1900 + random.normal(0, 19, 120)  # 1 % of the mean
    assert 1.0 < variation_bound_pct(clock) < 1.4
    assert variation_bound_pct(np.full(50, 1905.0)) == 0.0


def test_old_readings_do_not_speak_for_the_present():
    history = history_of(np.arange(0.0, 100.0), np.full(100, 50.0))
    assert is_level(*history.arrays(), 99.0, 1.0, 60)
    assert not is_level(*history.arrays(), 130.0, 1.0, 60)
    assert history.latest(130.0, 5.0) is None


def test_missing_readings_are_passed_over_and_never_zero():
    history = Readings(keep_s=100)
    history.add(0.0, None)
    history.add(1.0, math.nan)
    assert len(history) == 0
