"""A run that goes on knows from the files of the night how the card cools and heats and how titles ran."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.conditions.thermal import ThermalModel
from harness.engine.campaign import run_campaign
from harness.engine.earlier_night import recall
from harness.engine.history import History
from harness.engine.progress import Silent, StopSignal
from harness.hookspecs import RehearsalRequest
from harness.plan.cells import expand
from harness.plan.schema import Plan
from harness.plugins import PluginHost
from harness.store.campaign import CampaignStore

PLAN = Plan.model_validate(
    {
        "plan": {"question": "Does it hold?", "repeats": 3, "reference": "factory"},
        "conditions": {
            "cooldown": {"seconds": 5, "until_above_ambient_k": 27, "or_stopped_falling": True},
            "warm_up": {"seconds": 10},
            "soak": {"slope_at_most_c_per_min": 2, "window_s": 30, "timeout_s": 300},
        },
        "sampling": {"period_s": 0.5},
        "profiles": [{"name": "factory"}, {"name": "quiet"}],
        "titles": [{"name": "harbour-lights", "workload": "simulated", "measure_s": 25, "load_s": 2.0}],
    }
)
CELLS = {cell.cell_id: cell for cell in expand(PLAN)}


@pytest.fixture(scope="module")
def night(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("night") / "c"
    request = RehearsalRequest(plan=PLAN, seed=4, options={"frame_rate_scale": 0.3, "ambient_swing_k": 0})
    run_campaign(
        plan=PLAN,
        plan_text=PLAN.model_dump_json(),
        plan_source="plan.toml",
        rig=PluginHost().manager.hook.open_rehearsal(request=request),
        folder=folder,
        observer=Silent(),
        stop=StopSignal(),
    )
    return folder


def remembered(folder: Path) -> tuple[ThermalModel, History]:
    with CampaignStore.read(folder) as store:
        model, history = ThermalModel(), History(store.attempts_table().to_pylist())
        recall(store, PLAN, CELLS, model, history)
        return model, history


def test_the_lengths_of_waits_and_the_courses_of_titles_are_known_again(night):
    model, history = remembered(night)
    with CampaignStore.read(night) as store:
        rows = store.repeats_table().to_pylist()
    for cell_id in CELLS:
        soaks_s = [row["soak_s"] for row in rows if row["cell_id"] == cell_id]
        learned = model.learned[f"soak of {cell_id}"]
        assert learned.waits >= 2
        # The wait that is learned ends when the card is steady; the soak goes on to the start of a pass.
        assert min(soaks_s) - 80 < learned.wait_s <= max(soaks_s) + 1
        assert model.learned[f"cooldown after {cell_id}"].wait_s > 5
    assert len(history.other_courses("harbour-lights.default.factory")) == 4
    assert all(course.size >= 24 for course in history.other_courses("harbour-lights.default.factory"))


def test_files_that_are_gone_and_cells_that_are_no_longer_planned_are_passed_over(night, tmp_path):
    with CampaignStore.read(night) as store:
        model, history = ThermalModel(), History()
        recall(store, PLAN, {}, model, history)
        assert (model.learned, history.other_courses("harbour-lights.default.factory")) == ({}, [])
    for path in night.glob("attempts/*/*/telemetry.parquet"):
        path.rename(tmp_path / f"{path.parent.parent.name}-{path.parent.name}")
    try:
        model, history = remembered(night)
        assert model.learned == {}
        assert history.other_courses("harbour-lights.default.factory")
    finally:
        for path in tmp_path.iterdir():
            cell, _, place = path.name.rpartition("-")
            path.rename(night / "attempts" / cell / place / "telemetry.parquet")
