"""Every fault of a sensor, at every gate, with and without a limit on it: the outcome is stated here.

The card is a virtual one that heats and cools; its temperature comes from a probe that fails as the case
says, its power from a sensor that goes on.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest

from harness.engine.campaign import RunOptions, run_campaign
from harness.engine.progress import Silent, StopSignal
from harness.errors import PlanError
from harness.plan.schema import Plan
from harness.rig import Launch
from harness.testing import (
    NeverReturns,
    ScriptedRig,
    ScriptedSensor,
    ScriptedWorkload,
    WorkloadScript,
)

GATES = {
    "cooldown": {"cooldown": {"until_at_most_c": 45, "timeout_s": 150}},
    "warm_up": {"cooldown": {"seconds": 20}, "warm_up": {"until_steady": True, "timeout_s": 200}},
    "soak": {"cooldown": {"seconds": 20}, "soak": {"slope_at_most_c_per_min": 2, "timeout_s": 200}},
}
FAULTS = ("never", "missing", "frozen", "hanging", "millidegrees", "65535", "0.045", "nan", "late")
JITTER_MS = np.random.default_rng(7).permutation(np.linspace(9.0, 11.0, 6000)).tolist()


class Card(ScriptedRig):
    """A card whose core follows its power with a time constant of 20 s.

    Args:
        fault: What becomes of the probe.
        gate: The fault begins when the first title ends (cooldown) or starts (the other gates).
    """

    def __init__(self, fault: str, gate: str, *more: str) -> None:
        super().__init__()
        self.fault, self.gate = fault, gate
        self.begun_s = 0.0 if fault == "never" else math.inf
        self.hot = False
        self._temp_c, self._read_s, self._frozen_c = 35.0, 0.0, math.nan
        self.sensors = [
            ScriptedSensor({"core_temp_c": lambda t_s: self.reading()}, self.clock, name="probe"),
            ScriptedSensor(
                {"power_w": lambda t_s: self.power_w + 0.1 * math.sin(t_s)}, self.clock, name="card"
            ),
        ]
        self.sensors += [self.meter(quantity) for quantity in more]
        self.workload = lambda cell: Title(self)

    def meter(self, quantity: str) -> ScriptedSensor:
        """A further sensor, which is lost in the window of the first title and stays away."""
        return ScriptedSensor({quantity: 33.0}, self.clock, name="meter", lost=lambda t_s: t_s > 40)

    @property
    def power_w(self) -> float:
        return 250.0 if self.hot else 60.0

    def switch(self, hot: bool) -> None:
        self.temp_c()
        self.hot = hot
        if hot == (self.gate != "cooldown") and self.begun_s == math.inf:
            self.begun_s = self.clock.now_s()

    def temp_c(self) -> float:
        now_s = self.clock.now_s()
        goal_c = 20 + self.power_w / 5
        self._temp_c = goal_c + (self._temp_c - goal_c) * math.exp((self._read_s - now_s) / 20)
        self._read_s = now_s
        return float(round(self._temp_c))

    def reading(self) -> float | None:
        true_c, since_s = self.temp_c(), self.clock.now_s() - self.begun_s
        if since_s < 0:
            self._frozen_c = true_c
            return true_c
        match self.fault:
            case "frozen":
                return self._frozen_c
            case "hanging":
                raise NeverReturns
            case "millidegrees":
                return 1000 * true_c
            case "65535":
                return 65535.0
            case "0.045":
                return true_c / 1000
            case "nan":
                return math.nan
            case "late":
                return true_c if since_s > 100 else None
            case _:
                return None


class Title(ScriptedWorkload):
    def __init__(self, card: Card) -> None:
        super().__init__(card.clock, WorkloadScript(frametime_ms=JITTER_MS))
        self._card = card

    def start(self, launch: Launch) -> None:
        super().start(launch)
        self._card.switch(True)

    def stop(self, grace_s: float) -> None:
        if not self.stopped and self.launch is not None:
            self._card.switch(False)
        super().stop(grace_s)


def night(
    folder: Path, fault: str, gate: str, limits: dict[str, Any], rig: Card | None = None
) -> tuple[Any, list[dict[str, Any]]]:
    plan = Plan.model_validate(
        {
            "plan": {"question": "Is it watched?", "repeats": 2, "reference": "factory"},
            "conditions": {"warm_up": {"seconds": 0}, **GATES[gate]},
            "limits": limits,
            "sampling": {"period_s": 0.5},
            "retries": {"attempts_per_repeat": 1},
            "checks": {"start_temp_within_k": False},
            "profiles": [{"name": "factory"}],
            "titles": [{"name": "harbour-lights", "workload": "command", "measure_s": 30}],
        }
    )
    result = run_campaign(
        plan=plan,
        plan_text=plan.model_dump_json(),
        plan_source="plan.toml",
        rig=rig or Card(fault, gate),
        folder=folder,
        observer=Silent(),
        stop=StopSignal(),
        options=RunOptions(),
    )
    return result, pq.read_table(folder / "dataset" / "attempts.parquet").to_pylist()


def hit(rows: list[dict[str, Any]], gate: str) -> dict[str, Any]:
    """The attempt that the fault met: the second for the cooldown, else the first."""
    return rows[1 if gate == "cooldown" else 0]


@pytest.mark.parametrize("gate", GATES)
@pytest.mark.parametrize("fault", FAULTS)
def test_without_a_limit_the_gate_waits_times_out_by_its_rule_and_the_attempt_is_rejected(
    tmp_path: Path, fault: str, gate: str
) -> None:
    result, rows = night(tmp_path / "c", fault, gate, {})
    row = hit(rows, gate)
    if fault == "late":
        # The gate waits for the 100 s of the loss, then opens by its own rule on fresh readings.
        assert row[f"{gate}_end"] in ("reached", "stopped-falling")
        assert row[f"{gate}_s"] > 100
        assert (result.exit_code, result.accepted) == (0, 2)
        assert any("reading-lost" in mark for mark in row["marks"])
        return
    assert row[f"{gate}_end"] == "timeout"
    assert f"{gate}-timeout" in row["marks"]
    assert (row["verdict"], row["reason_code"]) == ("rejected", "telemetry-gap")
    assert "core_temp_c for the whole window" in row["reason"]
    words = {"frozen": "reading-frozen", "hanging": "sensor-hanging", "never": "reading-lost"}
    absurd = fault in ("millidegrees", "65535", "0.045", "nan")
    said = "reading-absurd" if absurd else words.get(fault, "reading-lost")
    assert any(said in mark for mark in row["marks"]), row["marks"]
    assert result.exit_code == 4


@pytest.mark.parametrize("gate", GATES)
@pytest.mark.parametrize("fault", FAULTS)
def test_with_a_limit_nothing_runs_unwatched_and_no_try_is_burnt(
    tmp_path: Path, fault: str, gate: str
) -> None:
    limits = {"core_temp_c": 95, "wait_for_readings_s": 300}
    if fault == "never":
        with pytest.raises(PlanError, match=r"limits\.core_temp_c: core_temp_c was not read yet"):
            night(tmp_path / "c", fault, gate, limits)
        return
    result, rows = night(tmp_path / "c", fault, gate, limits)
    lost = [row for row in rows if row["reason_code"] == "limit-unwatched"]
    assert {row["reason_code"] for row in rows} <= {None, "limit-unwatched"}
    if fault == "late":
        assert (result.exit_code, result.accepted) == (0, 2)
        assert len(lost) == 1
        return
    # One attempt is ended; then nothing is started, and after the wait the night stops, resumable.
    assert result.exit_code == 3
    assert "waited 300 s for readings" in result.reason
    assert len(lost) == 1
    assert result.accepted == (1 if gate == "cooldown" else 0)


def test_a_limit_may_be_accepted_as_unwatched(tmp_path: Path) -> None:
    result, rows = night(tmp_path / "c", "never", "cooldown", {"core_temp_c": 95, "unwatched": "accept"})
    assert {row["reason_code"] for row in rows} == {"telemetry-gap"}  # its cooldown needs the temperature
    assert result.exit_code == 4


def test_a_lost_sound_meter_marks_the_attempts_after_it_and_rejects_none(tmp_path: Path) -> None:
    rig = Card("none", "cooldown", "sound_level_dba")
    rig.begun_s = 1e9
    result, rows = night(tmp_path / "c", "none", "cooldown", {}, rig)
    assert (result.exit_code, result.accepted) == (0, 2)
    assert any(mark.startswith("readings-missing: not read: sound_level_dba") for mark in rows[1]["marks"])
    assert rows[1]["telemetry_gap_s"] == 0
    assert rows[1]["mean_sound_level_dba"] is None


def test_a_rig_that_loses_all_of_its_telemetry_has_no_repeat_accepted(tmp_path: Path) -> None:
    rig = Card("none", "cooldown")
    rig.sensors = [rig.meter("power_w")]
    result, rows = night(tmp_path / "c", "none", "warm_up", {}, rig)
    assert result.exit_code == 4
    assert [row["reason_code"] for row in rows] == ["telemetry-gap"] * 2
    assert "without telemetry" in rows[1]["reason"]


def test_a_limited_quantity_that_is_lost_under_load_each_time_ends_the_night_after_three_attempts(
    tmp_path: Path,
) -> None:
    rig = Card("none", "warm_up")
    rig.sensors = [
        ScriptedSensor({"core_temp_c": lambda t_s: None if rig.hot else rig.temp_c()}, rig.clock),
        ScriptedSensor({"power_w": 100.0}, rig.clock, name="card"),
    ]
    result, rows = night(tmp_path / "c", "none", "warm_up", {"core_temp_c": 95}, rig)
    assert [row["reason_code"] for row in rows] == ["limit-unwatched"] * 3
    assert result.exit_code == 3
    assert "3 attempts in a row" in result.reason
