"""A control's call that takes long while a title heats the card: the limits are looked at meanwhile."""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from harness.clock import SystemClock
from harness.engine.campaign import CampaignResult, RunOptions, run_campaign
from harness.engine.progress import Silent, StopSignal
from harness.plan.schema import Plan, ProfileSpec
from harness.testing import RecordingControl, ScriptedRig, ScriptedSensor, ScriptedWorkload


class Slow(RecordingControl):
    """Its first call of one method takes until it is let go, and the card gets hot meanwhile."""

    longest_call_s = 300.0

    def __init__(self, method: str, after_calls: int) -> None:
        super().__init__("factory")
        self.method, self.calls_left = method, after_calls
        self.hot, self.let_go = threading.Event(), threading.Event()

    def _maybe_wait(self, method: str) -> None:
        if method != self.method or self.hot.is_set():
            return
        if self.calls_left:
            self.calls_left -= 1
            return
        self.hot.set()
        self.let_go.wait(240)

    def read_back(self, profile: ProfileSpec) -> dict[str, Any]:
        self._maybe_wait("read_back")
        return super().read_back(profile)

    def verify_under_load(
        self, profile: ProfileSpec, readings: Mapping[str, Sequence[float]], process_id: int | None
    ) -> list[str]:
        self._maybe_wait("verify_under_load")
        return super().verify_under_load(profile, readings, process_id)


@pytest.mark.parametrize(("method", "after_calls"), [("verify_under_load", 0), ("read_back", 1)])
def test_a_limit_that_is_exceeded_during_a_long_look_at_the_profile_ends_the_title_at_once(
    tmp_path: Path, method: str, after_calls: int
) -> None:
    control, clock = Slow(method, after_calls), SystemClock()
    heat = {"core_temp_c": lambda t_s: 95.0 if control.hot.is_set() else 50.0}
    sensor = ScriptedSensor(heat, clock)
    titles: list[ScriptedWorkload] = []

    def workload(cell: object) -> ScriptedWorkload:
        titles.append(ScriptedWorkload(clock))
        return titles[-1]

    plan = Plan.model_validate(
        {
            "plan": {"question": "Is it ended?", "repeats": 1, "reference": "factory"},
            "conditions": {"cooldown": {"seconds": 0}, "warm_up": {"seconds": 0.2}},
            "limits": {"core_temp_c": 90},
            "profiles": [{"name": "factory"}],
            "titles": [{"name": "harbour-lights", "workload": "command", "measure_s": 0.5}],
        }
    )
    rig = ScriptedRig(clock=clock, sensors=[sensor], workload=workload, controls={"factory": control})
    found: list[CampaignResult] = []

    def run() -> None:
        found.append(
            run_campaign(
                plan=plan,
                plan_text=plan.model_dump_json(),
                plan_source="plan.toml",
                rig=rig,
                folder=tmp_path / "c",
                observer=Silent(),
                stop=StopSignal(),
                options=RunOptions(),
            )
        )

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    assert control.hot.wait(120)
    end_s = time.monotonic() + 60
    while not titles[0].stopped and time.monotonic() < end_s:
        time.sleep(0.02)
    ended_meanwhile = titles[0].stopped and not control.let_go.is_set()
    control.let_go.set()
    thread.join(120)
    assert ended_meanwhile
    assert found[0].exit_code == 5
    assert "core_temp_c" in found[0].reason
