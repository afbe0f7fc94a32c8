"""Gates open when their rule is met, time out when it is not, and say what they wait for."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from harness.stages.cooldown import COOLDOWN, Cooldown
from harness.stages.gate import Gate, GateReadings, GateState, Wait
from harness.stages.soak import SOAK, Soak
from harness.stages.warm_up import WARM_UP, WarmUp


def cooldown_gate(rule: Cooldown, first_start_c: float | None = None) -> Gate:
    return COOLDOWN.gate(rule, Wait(first_start_c))


def warm_up_gate(rule: WarmUp) -> Gate:
    return WARM_UP.gate(rule, Wait())


def soak_gate(rule: Soak) -> Gate:
    return SOAK.gate(rule, Wait())


def drive(
    gate: Gate, readings_at: Callable[[float], GateReadings], until_s: float = 2000
) -> tuple[float, GateState]:
    """Poll once a second as the engine does; returns when and how it ended."""
    for t_s in range(int(until_s) + 1):
        state = gate.update(float(t_s), readings_at(float(t_s)))
        assert not (state.open and state.timed_out)
        assert (state.ended_by is None) == (not state.open and not state.timed_out)
        if state.open or state.timed_out:
            return float(t_s), state
    raise AssertionError("the gate neither opened nor timed out")


def cooling(t_s: float) -> GateReadings:
    """A card that falls from 75 °C to 48.4 °C, read in whole degrees."""
    return GateReadings(temp_c=round(48.4 + 12 * math.exp(-t_s / 5) + 14.6 * math.exp(-t_s / 60)))


def nothing(_: float) -> GateReadings:
    return GateReadings()


def test_a_fixed_cooldown_ends_by_time_and_counts_down():
    gate = cooldown_gate(Cooldown(seconds=10))
    assert gate.update(0, nothing(0)).expected_remaining_s == 10
    assert gate.update(4, nothing(4)).expected_remaining_s == 6
    state = gate.update(10, nothing(10))
    assert (state.open, state.ended_by) == (True, "time")


def test_a_cooldown_without_rule_or_time_is_open_at_once():
    state = cooldown_gate(Cooldown()).update(0, nothing(0))
    assert (state.open, state.ended_by) == (True, "none")


def test_a_cooldown_opens_when_the_temperature_is_reached():
    t_s, state = drive(cooldown_gate(Cooldown(until_at_most_c=55)), cooling)
    assert state.ended_by == "reached"
    assert 45 <= t_s <= 60  # the card passes 55.5 °C, read as 55, at 43 s; the median follows in 3 s


def test_a_single_wrong_reading_does_not_open_the_gate():
    def glitch(t_s: float) -> GateReadings:
        return GateReadings(temp_c=0 if t_s == 7 else 70)

    t_s, state = drive(cooldown_gate(Cooldown(until_at_most_c=55, timeout_s=60)), glitch)
    assert (t_s, state.ended_by) == (60, "timeout")
    assert "still 70 °C" in state.detail


def test_the_least_wait_holds_even_when_the_temperature_is_reached():
    t_s, _ = drive(cooldown_gate(Cooldown(seconds=30, until_at_most_c=80)), cooling)
    assert t_s == 30


def test_a_target_that_can_not_be_reached_ends_when_the_fall_has_ended():
    t_s, state = drive(cooldown_gate(Cooldown(until_at_most_c=45, or_stopped_falling=True)), cooling)
    assert state.ended_by == "stopped-falling"
    slope_c_per_min = 60 * 14.6 / 60 * math.exp(-t_s / 60)
    assert slope_c_per_min <= 1.0
    assert t_s <= 300


def test_a_target_above_ambient_follows_the_ambient_temperature():
    def warm_room(t_s: float) -> GateReadings:
        return GateReadings(temp_c=cooling(t_s).temp_c, ambient_temp_c=25 + t_s / 20)

    t_s, state = drive(cooldown_gate(Cooldown(until_above_ambient_k=27)), warm_room)
    assert state.ended_by == "reached"
    assert cooling(t_s).temp_c <= 27 + 25 + t_s / 20


def test_without_an_ambient_sensor_the_rule_waits_for_the_end_of_the_fall_and_says_so():
    gate = cooldown_gate(Cooldown(until_above_ambient_k=10))
    assert "no ambient temperature" in gate.update(0, cooling(0)).detail
    _, state = drive(cooldown_gate(Cooldown(until_above_ambient_k=10)), cooling)
    assert state.ended_by == "stopped-falling"


def test_the_first_start_settles_and_later_starts_come_close_to_it():
    rule = Cooldown(until_within_of_first_k=1)
    _, first = drive(cooldown_gate(rule), cooling)
    t_s, later = drive(cooldown_gate(rule, first_start_c=49), cooling)
    assert (first.ended_by, later.ended_by) == ("stopped-falling", "reached")
    assert cooling(t_s).temp_c <= 50


def test_without_any_temperature_a_rule_waits_by_time_and_says_so():
    t_s, state = drive(cooldown_gate(Cooldown(until_at_most_c=45)), nothing)
    assert (t_s, state.ended_by) == (60, "time")
    assert "no temperature on this rig" in state.detail
    t_s, _ = drive(cooldown_gate(Cooldown(seconds=5, until_at_most_c=45, timeout_s=20)), nothing)
    assert t_s == 20


def test_a_sensor_that_vanishes_in_the_middle_does_not_open_the_gate():
    def lost(t_s: float) -> GateReadings:
        return cooling(t_s) if t_s < 20 else GateReadings()

    _, state = drive(
        cooldown_gate(Cooldown(until_at_most_c=55, or_stopped_falling=True, timeout_s=300)), lost
    )
    assert state.timed_out
    assert "no reading" in state.detail


def test_a_warm_up_by_time_ends_by_time():
    t_s, state = drive(warm_up_gate(WarmUp(seconds=12)), nothing)
    assert (t_s, state.ended_by) == (12, "time")
    assert drive(warm_up_gate(WarmUp()), nothing)[1].ended_by == "none"


def test_a_warm_up_by_passes_waits_for_the_passes_and_the_least_time():
    def passes(t_s: float) -> GateReadings:
        return GateReadings(passes=int(t_s // 30))

    t_s, state = drive(warm_up_gate(WarmUp(passes=2)), passes)
    assert (t_s, state.ended_by) == (60, "reached")
    t_s, _ = drive(warm_up_gate(WarmUp(passes=2, seconds=75)), passes)
    assert t_s == 75


def test_a_title_that_reports_no_passes_times_out_and_the_detail_says_why():
    t_s, state = drive(warm_up_gate(WarmUp(passes=2, timeout_s=100)), nothing)
    assert (t_s, state.timed_out) == (100, True)
    assert "it reports none" in state.detail


def heating(t_s: float) -> GateReadings:
    rise_k = 15.4 * (1 - math.exp(-t_s / 9)) + 34.6 * (1 - math.exp(-t_s / 136))
    clock_mhz = 1980 - 90 * (1 - math.exp(-t_s / 136)) + (15 if int(t_s) % 7 == 0 else 0)
    return GateReadings(temp_c=round(30.3 + rise_k), clock_mhz=clock_mhz)


def test_a_warm_up_until_steady_lets_the_true_slope_fall_below_its_limit():
    t_s, state = drive(warm_up_gate(WarmUp(until_steady=True)), heating)
    assert state.ended_by == "reached"
    assert 60 * 34.6 / 136 * math.exp(-t_s / 136) <= 1.0


def test_a_soak_opens_only_when_the_true_slope_is_inside_the_limit():
    rule = Soak(slope_at_most_c_per_min=0.5, clock_variation_at_most_pct=1.0, window_s=60)
    t_s, state = drive(soak_gate(rule), heating)
    assert state.ended_by == "reached"
    assert 60 * 34.6 / 136 * math.exp(-t_s / 136) <= 0.5


def test_a_soak_times_out_on_a_clock_that_swings():
    def swinging(t_s: float) -> GateReadings:
        return GateReadings(temp_c=60, clock_mhz=1900 + 100 * math.sin(t_s / 10))

    rule = Soak(slope_at_most_c_per_min=1, clock_variation_at_most_pct=1, timeout_s=200)
    t_s, state = drive(soak_gate(rule), swinging)
    assert (t_s, state.timed_out) == (200, True)
    assert state.detail == "not steady: clock within 1 %"


def test_a_soak_uses_what_the_rig_has():
    def clock_only(_: float) -> GateReadings:
        return GateReadings(clock_mhz=1900)

    rule = Soak(slope_at_most_c_per_min=1, clock_variation_at_most_pct=1, window_s=60)
    t_s, state = drive(soak_gate(rule), clock_only)
    assert state.ended_by == "reached"
    assert 57 <= t_s <= 61
    t_s, state = drive(soak_gate(rule), nothing)
    assert (t_s, state.ended_by) == (60, "time")


def test_a_soak_without_limits_is_open_at_once():
    assert soak_gate(Soak()).update(0, nothing(0)).ended_by == "none"


@pytest.mark.parametrize("start_s", [0.0, 1e6])
def test_a_gate_counts_from_its_first_update_whatever_the_clock_says(start_s: float):
    gate = cooldown_gate(Cooldown(seconds=10))
    assert not gate.update(start_s, nothing(0)).open
    assert not gate.update(start_s + 9.9, nothing(0)).open
    assert gate.update(start_s + 10, nothing(0)).open


def test_a_gate_polled_many_times_a_second_decides_as_one_polled_every_second():
    rule = Soak(slope_at_most_c_per_min=0.5, window_s=60)
    slow, _ = drive(soak_gate(rule), heating)
    gate = soak_gate(rule)
    t_s = 0.0
    while not gate.update(t_s, heating(t_s)).open:
        t_s += 0.25
    assert t_s == pytest.approx(slow, abs=5)


def test_a_soak_ends_at_the_start_of_a_pass_so_that_every_attempt_measures_the_same_scenes():
    def looping(t_s: float) -> GateReadings:
        return GateReadings(temp_c=60, passes=int((t_s + 13) // 50))

    rule = Soak(slope_at_most_c_per_min=1, window_s=60)
    gate = soak_gate(rule)
    for t_s in range(500):
        state = gate.update(float(t_s), looping(t_s))
        if state.open:
            break
        last = state.detail
    assert (t_s + 13) % 50 == 0
    assert t_s == 87  # steady at about 60 s; the next pass begins at 87 s
    assert "next pass" in last


def test_a_soak_whose_time_is_over_still_ends_at_the_start_of_a_pass():
    def restless(t_s: float) -> GateReadings:
        return GateReadings(temp_c=60 + 5 * math.sin(t_s / 20), passes=int(t_s // 70))

    rule = Soak(slope_at_most_c_per_min=0.5, window_s=60, timeout_s=100)
    t_s, state = drive(soak_gate(rule), restless)
    assert (t_s, state.timed_out) == (140, True)
    t_s, state = drive(soak_gate(rule), lambda t_s: GateReadings(temp_c=restless(t_s).temp_c, passes=1))
    assert (t_s, state.timed_out) == (150, True)
