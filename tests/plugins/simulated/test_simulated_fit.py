"""The model against a real heating and cooling curve."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from harness.errors import PlanError
from harness_plugins.simulated.card import CardModel, load_card_model
from harness_plugins.simulated.fit import CardFit, FitError, Trace, fit_card_model, trace_from_table
from harness_plugins.simulated.replay import compare, replay

# Measured on a 700 W data-centre card; see the head of the file.
REFERENCE = Path(__file__).parents[2] / "reference" / "heat_cool_trace.csv"


@pytest.fixture(scope="module")
def measured() -> pd.DataFrame:
    return pd.read_csv(REFERENCE, comment="#")


@pytest.fixture(scope="module")
def trace(measured: pd.DataFrame) -> Trace:
    return trace_from_table(measured)


@pytest.fixture(scope="module")
def fit(trace: Trace) -> CardFit:
    return fit_card_model(trace, name="a 700 W card", power_limit_w=700)


def test_the_fitted_model_repeats_the_measured_curve_in_every_phase(fit, trace, measured):
    """Nothing measured goes in but the times of load and rest: governor, leakage and fan do the rest."""
    misfits = compare(trace, replay(fit.card, trace, fit.fan_start_pct), list(measured.phase))
    assert [m.phase for m in misfits] == ["idle", "full", "cool"]
    for misfit in misfits:
        assert abs(misfit.power_pct) < 3
        assert abs(misfit.clock_pct) < 3
        assert misfit.temperature_rms_k < 2


def test_the_temperature_follows_the_measured_power_within_a_degree(fit):
    assert fit.temperature_rms_k < 1


def test_a_model_survives_being_written_and_read(fit, tmp_path):
    path = tmp_path / "card.json"
    path.write_text(fit.card.model_dump_json(indent=1), encoding="utf-8")
    assert load_card_model(path) == fit.card


def test_a_fit_finds_the_network_that_made_the_curve(bench, make_title):
    """A curve made by the model itself with a steady fan gives its own resistance and heat capacity back."""
    card = CardModel()
    made = card.model_copy(
        update={"cooling": card.cooling.model_copy(update={"curve": ((20.0, 50.0), (100.0, 50.0))})}
    )
    t_s = [k * 0.2 for k in range(1300)]
    load = [100.0 if 40 <= t < 160 else 0.0 for t in t_s]
    blank = pd.DataFrame(
        {"t_s": t_s, "power_w": 30.0, "core_temp_c": 40.1, "core_clock_mhz": 210.0, "gpu_load_pct": load}
    )
    shown = replay(made, trace_from_table(blank, 25.0), 50.0)
    found = fit_card_model(trace_from_table(shown.assign(gpu_load_pct=load), 25.0)).card
    power_w = 250.0
    wanted_c, _ = made.network.equilibrium_c(power_w, 25.0, made.cooling.conductance_w_per_k(50))
    fan_pct = 50.0
    for _ in range(100):
        core_c, _ = found.network.equilibrium_c(power_w, 25.0, found.cooling.conductance_w_per_k(fan_pct))
        fan_pct += 0.3 * (found.cooling.wanted_pct(core_c) - fan_pct)
    assert core_c == pytest.approx(wanted_c, abs=1.5)
    assert found.network.die_to_cooler_k_per_w == pytest.approx(made.network.die_to_cooler_k_per_w, rel=0.15)


def test_a_trace_without_load_or_rest_is_refused(measured):
    with pytest.raises(FitError, match="under load"):
        fit_card_model(trace_from_table(measured[measured.phase == "full"]))


def test_a_trace_without_a_temperature_is_refused_by_name(measured):
    with pytest.raises(FitError, match="core_temp_c"):
        trace_from_table(measured.drop(columns="core_temp_c"))


def test_a_damaged_model_is_refused_with_the_place(tmp_path):
    path = tmp_path / "card.json"
    path.write_text('{"power": {"board_w": -3}}', encoding="utf-8")
    with pytest.raises(PlanError, match=r"power\.board_w"):
        load_card_model(path)
