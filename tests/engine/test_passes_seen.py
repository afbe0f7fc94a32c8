"""The engine sees a title's passes and tells which of them compiled shaders."""

from __future__ import annotations

import numpy as np
import pyarrow.parquet as pq
import pytest

from harness.engine.campaign import run_campaign
from harness.engine.progress import Silent, StopSignal
from harness.plan.schema import Plan
from harness.store.campaign import CampaignStore
from harness.testing import ScriptedRig, ScriptedSensor, ScriptedWorkload, WorkloadScript

PLAN = Plan.model_validate(
    {
        "plan": {"question": "Does it hold?", "repeats": 1, "reference": "factory"},
        "conditions": {"cooldown": {"seconds": 1}, "warm_up": {"passes": 2, "timeout_s": 60}},
        "sampling": {"period_s": 0.5},
        "profiles": [{"name": "factory"}],
        "titles": [{"name": "harbour-lights", "workload": "command", "measure_s": 20}],
    }
)


def test_passes_are_put_down_with_their_long_frames_and_a_compiling_one_in_the_window_is_marked(tmp_path):
    # Passes of 5 s with 20 long frames each, until 4 s into the fourth; the warm-up takes two of them.
    frames_ms = np.random.default_rng(2).permutation(np.linspace(9.5, 10.5, 4000))
    frames_ms[: 3 * 450 : 18] = 80.0
    rig = ScriptedRig()
    rig.sensors = [ScriptedSensor({"core_temp_c": 40.0}, rig.clock)]
    script = WorkloadScript(pass_s=5.0, frametime_ms=frames_ms.tolist())
    rig.workload = lambda cell: ScriptedWorkload(rig.clock, script)
    result = run_campaign(
        plan=PLAN,
        plan_text=PLAN.model_dump_json(),
        plan_source="plan.toml",
        rig=rig,
        folder=tmp_path / "c",
        observer=Silent(),
        stop=StopSignal(),
    )
    assert result.accepted == 1
    (row,) = pq.read_table(tmp_path / "c" / "dataset" / "repeats.parquet").to_pylist()
    assert any("still compiling in passes 3, 4 of the run" in mark for mark in row["marks"])
    with CampaignStore.read(tmp_path / "c") as store:
        (account,) = [event for event in store.events() if event["kind"] == "frame-account"]
    passes = account["data"]["passes"]
    assert [one["number"] for one in passes][:5] == [1, 2, 3, 4, 5]
    assert [one["measured"] for one in passes][:5] == [False, False, True, True, True]
    counts = [one["long_frames"] for one in passes]
    assert min(counts[:4]) >= 15
    assert max(counts[4:]) == 0
    measured = sum(one["long_frames"] for one in passes if one["measured"])
    assert row["long_frame_count"] == pytest.approx(measured, abs=1)  # a frame across the edge is cut
