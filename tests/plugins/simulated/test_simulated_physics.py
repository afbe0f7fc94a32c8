"""The parts of the model against published values and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import expm

from harness_plugins.simulated.card import CardModel, with_silicon
from harness_plugins.simulated.cooling import Cooling
from harness_plugins.simulated.curve import Curve
from harness_plugins.simulated.governor import POWER_LIMIT, TEMPERATURE_LIMIT, Governor
from harness_plugins.simulated.power import Power
from harness_plugins.simulated.thermal import Network

# A ladder of two nodes (R1 = 0.2 K/W, C1 = 50 J/K, R2 = 0.3 K/W, C2 = 400 J/K) under a step of 100 W.
# Constructed case; closed form of a first-order pair, as in texts on lumped heat capacities (Incropera and
# DeWitt) and thermal transient testing (JEDEC JESD51-14); both from memory.
LADDER = Network(die_j_per_k=50, die_to_cooler_k_per_w=0.2, cooler_j_per_k=400)
LADDER_RISE_K = [
    (1, 1.903646, 0.012011),
    (10, 12.888805, 0.862664),
    (60, 27.700957, 9.356337),
    (300, 46.175141, 26.455991),
    (600, 49.577390, 29.608421),
]


@pytest.mark.parametrize(("time_s", "die_k", "cooler_k"), LADDER_RISE_K)
@pytest.mark.parametrize("steps", [1, 7, 1000])
def test_the_network_rises_as_the_closed_form_says_however_the_time_is_cut(time_s, die_k, cooler_k, steps):
    step = LADDER.step(1 / 0.3, time_s / steps)
    die_c, cooler_c = 0.0, 0.0
    for _ in range(steps):
        die_c, cooler_c = step.advance(die_c, cooler_c, 100.0, 0.0)
    assert (die_c, cooler_c) == pytest.approx((die_k, cooler_k), abs=1e-6)


def test_time_constants_are_those_of_the_coupled_network_not_the_products_of_its_parts():
    # 8.811304 s and 136.188696 s, not R1C1 = 10 s and R2C2 = 120 s (same constructed case)
    assert LADDER.time_constants_s(1 / 0.3) == pytest.approx((8.811304, 136.188696), abs=1e-6)


def test_the_network_ends_at_power_times_resistance():
    assert LADDER.equilibrium_c(100.0, 0.0, 1 / 0.3) == pytest.approx((50.0, 30.0))


def test_a_one_node_limit_follows_the_exponential_law():
    # 1 - exp(-t/tau) at t = 1..5 tau: first-order response, any heat-transfer text
    network = Network(die_j_per_k=1e-6, die_to_cooler_k_per_w=1e-6, cooler_j_per_k=100.0)
    shares = []
    for multiple in range(1, 6):
        _, cooler_c = network.step(2.0, 50.0 * multiple).advance(0.0, 0.0, 2.0, 0.0)
        shares.append(cooler_c)
    assert shares == pytest.approx([0.632121, 0.864665, 0.950213, 0.981684, 0.993262], abs=2e-6)


@settings(max_examples=60, deadline=None)
@given(
    die=st.floats(1, 500),
    link=st.floats(0.005, 1),
    cooler=st.floats(20, 3000),
    conductance=st.floats(0.1, 50),
    step_s=st.floats(0.01, 500),
)
def test_a_step_is_the_matrix_exponential_of_an_independent_library(die, link, cooler, conductance, step_s):
    network = Network(die_j_per_k=die, die_to_cooler_k_per_w=link, cooler_j_per_k=cooler)
    a = np.array(
        [[-1 / (link * die), 1 / (link * die)], [1 / (link * cooler), -(1 / link + conductance) / cooler]]
    )
    step = network.step(conductance, step_s)
    ours = [[step.die_die, step.die_cooler], [step.cooler_die, step.cooler_cooler]]
    assert np.allclose(ours, expm(a * step_s), rtol=1e-7, atol=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    power_w=st.floats(0, 800),
    die_c=st.floats(0, 100),
    cooler_c=st.floats(0, 100),
    ambient_c=st.floats(-10, 45),
    conductance=st.floats(0.2, 30),
    step_s=st.floats(0.05, 900),
)
def test_energy_is_conserved_heat_in_is_heat_stored_plus_heat_out(
    power_w, die_c, cooler_c, ambient_c, conductance, step_s
):
    network = Network()
    end_die_c, end_cooler_c = network.step(conductance, step_s).advance(die_c, cooler_c, power_w, ambient_c)
    stored_j = network.die_j_per_k * (end_die_c - die_c) + network.cooler_j_per_k * (end_cooler_c - cooler_c)
    out_j = network.heat_out_j(die_c, cooler_c, power_w, ambient_c, conductance, step_s)
    turnover_j = abs(stored_j) + abs(out_j) + power_w * step_s
    assert stored_j + out_j == pytest.approx(power_w * step_s, abs=1e-9 * turnover_j + 1e-9)


def test_a_network_without_a_way_out_is_refused():
    with pytest.raises(ValueError, match="conductance"):
        Network().step(0.0, 1.0)


def test_switching_power_goes_with_the_square_of_the_voltage_and_with_the_clock():
    # Chandrakasan, Sheng, Brodersen, IEEE J. Solid-State Circuits 27(4):473-484, 1992: supply 5 V -> 2.9 V at
    # half the clock and 2.15 times the capacitance leaves 0.36 of the power; pipelined (1.15 times, full
    # clock) 0.39; both (2.5 times, 2.0 V, half the clock) 0.2.
    power = Power(board_w=0, memory_w=0, clock_tree_w=0, switching_w=10, leakage_w=0)
    base = power.switching(5.0**2 * 1.0, 1.0)
    ratios = [
        power.switching(2.9**2 * 0.5, 2.15) / base,
        power.switching(2.9**2 * 1.0, 1.15) / base,
        power.switching(2.0**2 * 0.5, 2.5) / base,
    ]
    assert ratios == pytest.approx([0.3616, 0.3869, 0.2000], abs=5e-5)


def test_ten_percent_less_voltage_leaves_81_percent_of_switching_power_only():
    power = Power(board_w=50, memory_w=0, leakage_w=0)
    before, after = power.total(2000, 1000, 1.0, 60), power.total(2000, 900, 1.0, 60)
    assert (after - 50) / (before - 50) == pytest.approx(0.81)


def test_leakage_grows_e_fold_over_its_characteristic_temperature():
    power = Power(leakage_temp_k=40)
    assert power.leakage(1000, 90) / power.leakage(1000, 50) == pytest.approx(math.e)


def test_an_offset_slides_the_curve_and_a_ceiling_cuts_the_clocks():
    curve = Curve()
    assert curve.tuned_voltage_mv(2600, 200, 0) == curve.voltage_mv(2400)
    assert curve.tuned_voltage_mv(2600, 0, -50) == curve.voltage_mv(2600) - 50
    clocks = curve.clocks_mhz(2600)
    assert clocks[-1] <= 2600 < clocks[-1] + curve.step_mhz
    assert curve.clocks_mhz()[-1] == curve.max_clock_mhz
    assert np.allclose(np.diff(clocks), curve.step_mhz)


def test_stability_is_the_guard_band_in_the_factory_state_and_falls_with_the_voltage():
    curve = Curve()
    assert curve.stability_mv(2700, curve.voltage_mv(2700)) == pytest.approx(curve.guard_band_mv)
    assert curve.stability_mv(2700, curve.tuned_voltage_mv(2700, 300, 0)) < 0


def test_better_silicon_has_a_wider_guard_band_and_leaks_more():
    base, better = CardModel(), with_silicon(CardModel(), 1.5)
    assert better.curve.guard_band_mv > base.curve.guard_band_mv
    assert better.power.leakage_w > base.power.leakage_w


def test_the_level_of_two_equal_sources_is_three_decibels_above_one():
    # sum of 60 and 60 dB = 63.0103 dB: energy addition, ISO 1996-1
    cooling = Cooling(room_dba=60, full_dba=60)
    assert cooling.sound_level_dba(100) == pytest.approx(63.0103, abs=1e-4)


def test_half_the_fan_speed_is_15_decibels_quieter():
    # 50 log10 of the speed ratio: fan laws, common practice, no source
    cooling = Cooling(room_dba=-100, full_dba=52)
    assert cooling.sound_level_dba(100) - cooling.sound_level_dba(50) == pytest.approx(15.05, abs=0.01)


def test_the_fan_curve_passes_through_its_points_and_stays_at_its_ends():
    cooling = Cooling(curve=((40, 0), (60, 40), (80, 100)))
    assert [cooling.wanted_pct(t) for t in (20, 40, 50, 60, 70, 80, 99)] == [0, 0, 20, 40, 70, 100, 100]


def test_the_governor_drops_under_the_power_limit_and_climbs_by_whole_steps_only():
    governor = Governor(power_limit_w=300)
    assert governor.next_index(100, 120, 330, 10, 300, 70) == (96, POWER_LIMIT)
    assert governor.next_index(100, 120, 295, 10, 300, 70) == (100, POWER_LIMIT)
    assert governor.next_index(100, 120, 279, 10, 300, 70) == (102, POWER_LIMIT)
    assert governor.next_index(119, 120, 200, 10, 300, 70) == (120, 0)


def test_the_governor_gives_way_one_step_at_a_time_while_too_hot():
    governor = Governor(temp_limit_c=83)
    assert governor.next_index(100, 120, 200, 10, 300, 84) == (99, TEMPERATURE_LIMIT)


def test_the_governor_never_leaves_the_range_of_clocks():
    governor = Governor()
    assert governor.next_index(0, 120, 900, 1, 100, 99)[0] == 0
    assert governor.next_index(120, 80, 100, 10, 300, 60)[0] <= 80
