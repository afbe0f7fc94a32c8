"""``doctor --characterise``: a curve is measured, fitted, and used by a rehearsal."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from harness.characterise import CurveTimes, load_of, measure_curve, read_trace
from harness.cli import main
from harness.errors import PlanError, SafetyStop, WorkloadFailed
from harness.hookspecs import RehearsalRequest
from harness.plan.night_tables import Limits
from harness.plan.schema import Plan, PlanHead, ProfileSpec, TitleSpec
from harness.plugins import PluginHost
from harness_plugins.simulated.rig import SimulatedRig

REFERENCE = Path(__file__).parents[2] / "reference" / "heat_cool_trace.csv"
TIMES = CurveTimes(rest_s=20, load_s=120, cool_s=120)


def plan_of(**parts: object) -> Plan:
    defaults = {
        "plan": PlanHead(question="How hot?", repeats=1, reference="factory"),
        "profiles": [ProfileSpec(name="factory")],
        "titles": [TitleSpec(name="harbour-lights", workload="simulated", measure_s=60.0)],
    }
    return Plan.model_validate({**defaults, **parts})


def test_a_curve_measured_on_one_rig_gives_a_model_that_behaves_like_it(tmp_path):
    plan = plan_of()
    part = {"gpu_ms": 8.0, "cpu_ms": 2.0, "scene_spread_pct": 0.0, "activity": 1.0}
    heavy = {"titles": {"harbour-lights": part}}
    rig = SimulatedRig(RehearsalRequest(plan, 3, options=heavy))
    phases: list[str] = []
    curve = measure_curve(
        rig, plan, load_of(plan, None), tmp_path, TIMES, lambda name, seconds: phases.append(name)
    )
    assert phases == ["rest", "load", "cool"]
    t_s = curve["t_s"].to_numpy()
    assert t_s[-1] - t_s[0] == pytest.approx(260 + 15, abs=8)
    fitted = PluginHost().manager.hook.fit_card_model(telemetry=curve, name="mine")
    path = tmp_path / "card.json"
    path.write_text(fitted.document, encoding="utf-8")
    twin = SimulatedRig(RehearsalRequest(plan, 3, model_path=path, options=heavy))
    again = measure_curve(twin, plan, load_of(plan, None), tmp_path, TIMES)
    for name, tolerance in (("power_w", 12.0), ("core_temp_c", 3.0), ("core_clock_mhz", 80.0)):
        first, second = (np.nanmean(c[name].to_numpy()[1000:1300]) for c in (curve, again))
        assert second == pytest.approx(first, abs=tolerance), name


def test_a_core_over_the_limit_ends_the_load(tmp_path):
    plan = plan_of(limits=Limits(core_temp_c=60))
    rig = SimulatedRig(RehearsalRequest(plan, 1))
    with pytest.raises(SafetyStop, match="60 °C"):
        measure_curve(rig, plan, load_of(plan, None), tmp_path, TIMES)
    assert rig.machine.run is None


def test_a_title_that_ends_under_load_is_told(tmp_path):
    plan = plan_of()
    crash = {"faults": [{"kind": "title-crash", "after_s": 30}]}
    rig = SimulatedRig(RehearsalRequest(plan, 1, options=crash))
    with pytest.raises(WorkloadFailed, match="under load"):
        measure_curve(rig, plan, load_of(plan, None), tmp_path, TIMES)


def test_an_unknown_title_is_told_with_the_known_ones():
    with pytest.raises(PlanError, match="harbour-lights"):
        load_of(plan_of(), "harbor")


def test_a_stored_curve_becomes_a_model_file(tmp_path, capsys):
    model = tmp_path / "card.json"
    assert main(["doctor", "--characterise", str(REFERENCE), "--model-into", str(model), "--json"]) == 0
    assert "power" in json.loads(capsys.readouterr().out)["summary"]
    assert json.loads(model.read_text())["governor"]["power_limit_w"] == pytest.approx(700, rel=0.01)


def test_a_curve_that_can_not_be_read_is_told_with_its_path(tmp_path):
    path = tmp_path / "nothing.parquet"
    path.write_bytes(b"nothing")
    with pytest.raises(PlanError, match=r"nothing\.parquet"):
        read_trace(path)


def test_every_limit_of_the_plan_ends_the_load(tmp_path):
    plan = plan_of(limits=Limits(core_temp_c=110, power_w=150))
    rig = SimulatedRig(RehearsalRequest(plan, 1))
    with pytest.raises(SafetyStop, match=r"power_w is .* over the limit of 150 W"):
        measure_curve(rig, plan, load_of(plan, None), tmp_path, TIMES)
    assert rig.machine.run is None


def test_a_limit_whose_quantity_is_not_read_refuses_the_curve_before_the_load(tmp_path):
    plan = plan_of(limits=Limits(core_temp_c=110, memory_temp_c=100))
    rig = SimulatedRig(RehearsalRequest(plan, 1))
    sensors = [Without(sensor, "memory_temp_c") for sensor in rig.open_sensors()]
    rig.open_sensors = lambda: sensors
    with pytest.raises(PlanError, match=r"limits\.memory_temp_c: no sensor of this rig reads"):
        measure_curve(rig, plan, load_of(plan, None), tmp_path, TIMES)
    assert rig.machine.run is None


def test_a_limited_quantity_that_is_lost_under_load_ends_it(tmp_path):
    plan = plan_of(limits=Limits(core_temp_c=110))
    lost = {"faults": [{"kind": "sensor-loss", "after_s": 10, "lasts_s": 60}]}
    rig = SimulatedRig(RehearsalRequest(plan, 1, options=lost))
    with pytest.raises(SafetyStop, match="core_temp_c was last read"):
        measure_curve(rig, plan, load_of(plan, None), tmp_path, TIMES)
    assert rig.machine.run is None


class Without:
    """A sensor that lacks a quantity."""

    def __init__(self, sensor, quantity):
        self.name, self.read, self.close = sensor.name, sensor.read, sensor.close
        self._channels = [c for c in sensor.channels() if c.quantity != quantity]

    def channels(self):
        return self._channels
