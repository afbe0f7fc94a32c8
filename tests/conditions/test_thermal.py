"""The running thermal model finds two time constants, foretells the end of a wait, and notices a change.

Closed form of the two-node ladder with R1 = 0.2 K/W, C1 = 50 J/K, R2 = 0.3 K/W, C2 = 400 J/K and P = 100 W:
time constants 8.811304 s and 136.188696 s, Foster resistances 0.153829 and 0.346171 K/W (lumped-capacitance
model, any heat-transfer text, as Incropera & DeWitt; equal to the matrix exponential).
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from harness.conditions.steady import has_stopped_falling, is_level
from harness.conditions.thermal import Curve, ThermalModel, fit_freely
from harness.stages.cooldown import COOLDOWN, Cooldown
from harness.stages.gate import GateReadings, Wait
from harness.stages.soak import SOAK, Soak

LADDER = Curve(end_c=75.0, fast_k=-15.3829, slow_k=-34.6171, fast_s=8.811304, slow_s=136.188696)
TRACE = Path(__file__).parents[1] / "reference" / "heat_cool_1hz.csv"


def cooling(start_c: float = 75.0, end_c: float = 44.0, slow_s: float = 60.0) -> Curve:
    return Curve(end_c, 0.45 * (start_c - end_c), 0.55 * (start_c - end_c), 6.0, slow_s)


def wait(
    model: ThermalModel, rule: Cooldown, curve: Curve, ambient_c: float | None = 22.0
) -> tuple[float, list[tuple[float, float]], tuple[str, ...]]:
    """One cooldown: its length, the forecasts made on the way, and the model's warnings."""
    gate = COOLDOWN.gate(rule, Wait(watch=model.watch("cooldown")))
    forecasts = []
    for t_s in range(900):
        readings = GateReadings(float(np.round(curve.at(np.float64(t_s)))), ambient_c)
        state = gate.update(float(t_s), readings)
        if state.open or state.timed_out:
            return float(t_s), forecasts, state.warnings
        if state.expected_remaining_s is not None:
            forecasts.append((float(t_s), state.expected_remaining_s))
    raise AssertionError("the gate never ended")


def test_the_time_constants_of_the_ladder_are_found():
    t_s = np.arange(0.0, 600.0, 2.0)
    found = fit_freely(t_s, LADDER.at(t_s), 25.0)
    assert (found.fast_s, found.slow_s) == pytest.approx((8.811304, 136.188696), rel=0.15)
    assert found.end_c == pytest.approx(75.0, abs=0.5)
    assert float(np.abs(found.at(t_s) - LADDER.at(t_s)).max()) < 0.5


def test_the_first_wait_is_foretold_once_its_course_shows_and_later_ones_from_the_start():
    model, rule = ThermalModel(), Cooldown(until_at_most_c=50, timeout_s=600)
    length_s, forecasts, _ = wait(model, rule, cooling())
    assert forecasts[0][0] >= 20
    errors = []
    for start_c in (70.0, 78.0, 74.0, 81.0):
        length_s, forecasts, _ = wait(model, rule, cooling(start_c))
        assert forecasts[0][0] == 0
        errors.append(abs(forecasts[0][1] - length_s) / length_s)
    assert np.median(errors) < 0.10


def test_the_forecast_follows_a_room_that_has_become_warmer():
    model, rule = ThermalModel(), Cooldown(until_at_most_c=50, timeout_s=600)
    for _ in range(4):
        wait(model, rule, cooling())
    length_s, forecasts, warnings = wait(model, rule, cooling(79.0, 48.0), ambient_c=26.0)
    assert forecasts[0][1] == pytest.approx(length_s, rel=0.15)
    assert warnings == ()


def test_equal_waits_raise_no_warning_and_a_changed_cooling_does():
    model, rule = ThermalModel(), Cooldown(until_at_most_c=50, or_stopped_falling=True, timeout_s=600)
    for start_c in (75.0, 72.0, 78.0, 74.0, 76.0):
        assert wait(model, rule, cooling(start_c))[2] == ()
    assert wait(model, rule, cooling(75.0, 56.0))[2] == ()  # once may be chance
    _, _, warnings = wait(model, rule, cooling(75.0, 56.0))
    assert len(warnings) == 1
    assert "+" in warnings[0]
    assert "above ambient" in warnings[0]


def test_a_title_that_was_never_seen_is_foretold_from_other_titles():
    model = ThermalModel()
    rule = Soak(slope_at_most_c_per_min=1.5, window_s=40)
    lengths = []
    for title in ("one", "two"):
        gate = SOAK.gate(rule, Wait(watch=model.watch(f"soak of {title}")))
        first = None
        for t_s in range(900):
            state = gate.update(float(t_s), GateReadings(float(np.round(LADDER.at(np.float64(t_s + 30))))))
            if state.open:
                break
            first = first or state.expected_remaining_s
        lengths.append((t_s, first))
    assert lengths[1][1] == pytest.approx(lengths[1][0], rel=0.2)


def test_a_soak_is_foretold_to_the_start_of_the_pass_at_which_it_will_end():
    model, rule = ThermalModel(), Soak(slope_at_most_c_per_min=1.5, window_s=40, timeout_s=600)
    first_forecasts, lengths_s = [], []
    for _ in range(3):
        gate, told = SOAK.gate(rule, Wait(watch=model.watch("soak of a title"))), []
        for t_s in range(900):
            temp_c = float(np.round(LADDER.at(np.float64(t_s))))
            state = gate.update(float(t_s), GateReadings(temp_c, 25.0, passes=(t_s + 45) // 70))
            if state.open:
                break
            told.append(state.expected_remaining_s)
        first_forecasts.append(told[0])
        lengths_s.append(t_s)
        assert told[-1] == 1.0
    assert (lengths_s[0] + 45) % 70 == 0
    assert first_forecasts[1:] == lengths_s[1:]


def test_without_a_known_pass_a_forecast_stays_as_it_is():
    watch = ThermalModel().watch("soak of a title")
    assert watch.next_pass_s(33.0) == 33.0
    watch.pass_began(50.0)
    assert (watch.next_pass_s(33.0), watch.next_pass_s(50.0), watch.next_pass_s(51.0)) == (50.0, 50.0, 51.0)
    watch.pass_began(120.0)
    assert (watch.next_pass_s(51.0), watch.next_pass_s(120.0), watch.next_pass_s(191.0)) == (
        120.0,
        120.0,
        260.0,
    )


def test_missing_readings_are_survived():
    watch = ThermalModel().watch("cooldown")
    watch.add(0.0, None, None)
    assert watch.curve() is None
    assert watch.finish(10.0) == ()


# A real trace: a data-centre card under full load for 150 s, then idle, read at 20 Hz through its driver and
# thinned to 1 Hz. The marks were set by eye: under load it levels off about 90 s in (74 °C), and after the
# load it is back at 49 °C within 20 s.


def real(phase: str) -> tuple[np.ndarray, np.ndarray]:
    with TRACE.open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["phase"] == phase]
    t_s = np.array([float(row["t_s"]) for row in rows])
    return t_s - t_s[0], np.array([float(row["temp_c"]) for row in rows])


def first_met(
    test: Callable[[np.ndarray, np.ndarray, float, float, float], bool],
    t_s: np.ndarray,
    temp_c: np.ndarray,
    limit: float,
    window_s: float,
) -> float | None:
    return next((t for t in t_s if test(t_s[t_s <= t], temp_c[t_s <= t], t, limit, window_s)), None)


def test_the_real_cool_down_is_called_over_where_a_person_would_mark_it():
    # By eye: 58 °C to 46 °C in 36 s, then level, then slowly up again as the fan slows down.
    t_s, temp_c = real("cool")
    coarse = first_met(has_stopped_falling, t_s, temp_c, 3.0, 20.0)
    fine = first_met(has_stopped_falling, t_s, temp_c, 1.0, 20.0)
    assert coarse is not None
    assert fine is not None
    assert 36 <= coarse <= 36 + 25  # 20 s of level readings are what whole degrees need for 3 °C/min
    assert 36 <= fine <= 36 + 65  # and 60 s for 1 °C/min


def test_the_real_soak_is_not_called_level_while_the_fan_still_takes_the_card_down():
    # By eye: up to 79 °C in 36 s, level there until 60 s, then down to 74 °C by 130 s as the fan catches up.
    t_s, temp_c = real("full")
    plateau = first_met(is_level, t_s, temp_c, 3.0, 20.0)
    assert plateau is not None
    assert 36 <= plateau <= 60
    assert first_met(is_level, t_s, temp_c, 1.0, 60.0) is None
    naive = next(i for i in range(20, t_s.size) if np.ptp(temp_c[i - 20 : i + 1]) == 0)
    assert t_s[naive] < 62  # a rule of equal readings over 20 s would have begun to measure at 79 °C


def test_a_cooldown_to_a_temperature_opens_on_the_real_trace_when_it_is_reached():
    t_s, temp_c = real("cool")
    gate = COOLDOWN.gate(Cooldown(until_at_most_c=49), Wait())
    opened = next(t for t, c in zip(t_s, temp_c, strict=True) if gate.update(t, GateReadings(c)).open)
    assert temp_c[t_s < opened].min() >= 49
    assert opened <= t_s[np.argmax(temp_c <= 49)] + 4


def test_two_time_constants_describe_the_real_cool_down_to_within_its_resolution():
    t_s, temp_c = real("cool")
    falling = t_s <= 40
    curve = fit_freely(t_s[falling], temp_c[falling], None)
    assert float(np.sqrt(np.mean((curve.at(t_s[falling]) - temp_c[falling]) ** 2))) < 0.5
