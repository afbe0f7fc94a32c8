"""A plan that defines a metric otherwise: all repeats go by the one definition, nothing is measured again."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest

from harness.engine.campaign import run_campaign
from harness.engine.progress import StopSignal
from harness.plan.schema import Plan
from harness.store.campaign import CampaignStore
from harness.store.verify import verify
from harness.testing import ScriptedRig, ScriptedSensor, ScriptedWorkload, WorkloadScript

TEXT = """
[plan]
question = "Is it?"
repeats = {repeats}
reference = "factory"
one_percent_low = "{low}"

[smoothness]
stutter_against_neighbours = {stutter}
{slow}

[conditions]
warm_up = {{ seconds = 1 }}

[[profiles]]
name = "factory"

[[titles]]
name = "harbour-lights"
workload = "command"
measure_s = 20
"""
DEFINED: dict[str, Any] = {"low": "percentile", "stutter": 2.0, "slow": "", "repeats": 2}
#: Frame times with some long ones, so that every definition gives another figure.
FRAMETIME_MS = np.random.default_rng(5).gamma(4.0, 2.5, 2000).tolist()


class Listening:
    def __init__(self) -> None:
        self.messages: list[str] = []

    def on_progress(self, progress: object) -> None: ...

    def on_attempt(self, *_: object) -> None: ...

    def on_message(self, level: str, message: str) -> None:
        self.messages.append(message)


def run(folder: Path, **changes: Any) -> tuple[list[dict[str, Any]], list[str]]:
    """Run or go on; the attempts afterwards, and what was told."""
    import tomllib

    text = TEXT.format(**DEFINED | changes)
    rig = ScriptedRig()
    rig.sensors = [ScriptedSensor({"core_temp_c": 40.0, "power_w": 200.0}, rig.clock)]
    rig.workload = lambda cell: ScriptedWorkload(rig.clock, WorkloadScript(frametime_ms=FRAMETIME_MS))
    observer = Listening()
    run_campaign(
        plan=Plan.model_validate(tomllib.loads(text)),
        plan_text=text,
        plan_source="plan.toml",
        rig=rig,
        folder=folder,
        observer=observer,
        stop=StopSignal(),
    )
    return pq.read_table(folder / "dataset" / "attempts.parquet").to_pylist(), observer.messages


CHANGES: list[dict[str, Any]] = [
    {"low": "mean-of-slowest"},
    {"low": "time-share"},
    {"stutter": 1.5},
    {"slow": "time_under_fps = 90"},
    {"low": "time-share", "stutter": 3.0, "slow": "time_under_fps = 120"},
]


@pytest.fixture(scope="module")
def before(tmp_path_factory):
    folder = tmp_path_factory.mktemp("before") / "c"
    run(folder)
    return folder


@pytest.mark.parametrize("change", CHANGES, ids=str)
def test_a_changed_definition_gives_the_table_of_a_campaign_measured_by_it_from_the_start(
    before, tmp_path, change
):
    """Every column but the identities must be what a new campaign under the changed plan gives."""
    shutil.copytree(before, tmp_path / "went-on")
    revised, messages = run(tmp_path / "went-on", **change)
    fresh, _ = run(tmp_path / "fresh", **change)
    for row in (*revised, *fresh):
        for name in ("campaign_id", "started_utc"):
            row.pop(name)
    assert revised == fresh
    assert any("worked out " in text for text in messages)
    assert verify(tmp_path / "went-on").sound


def test_old_and_new_repeats_go_by_one_definition_and_the_old_figures_are_kept(before, tmp_path):
    folder = tmp_path / "c"
    shutil.copytree(before, folder)
    old = pq.read_table(folder / "dataset" / "attempts.parquet").to_pylist()
    rows, _ = run(folder, low="mean-of-slowest", stutter=1.5, repeats=3)
    assert len(rows) == 3  # two kept, one measured
    assert {row["low_definition"] for row in rows} == {"mean-of-slowest"}
    assert {row["stutter_multiple"] for row in rows} == {1.5}
    assert all(row["one_percent_low_fps"] == row["one_percent_low_mean_of_slowest_fps"] for row in rows)
    with CampaignStore.read(folder) as store:
        kept = {e["data"]["attempt_id"]: e["data"] for e in store.events() if e["kind"] == "revised"}
    for row in old:
        data = kept[f"harbour-lights.default.factory/{row['repeat_index']}.1"]
        assert data["before"]["one_percent_low_fps"] == row["one_percent_low_fps"]
        assert data["before"]["stutter_count"] == row["stutter_count"]


def test_an_unchanged_plan_revises_nothing(before, tmp_path):
    folder = tmp_path / "c"
    shutil.copytree(before, folder)
    _, messages = run(folder)
    assert not any("worked out " in text for text in messages)
    with CampaignStore.read(folder) as store:
        assert "revised" not in {event["kind"] for event in store.events()}


def test_kept_frames_that_are_damaged_cost_the_figure_until_the_file_is_put_back(before, tmp_path):
    folder = tmp_path / "c"
    shutil.copytree(before, folder)
    frames = folder / "attempts/harbour-lights.default.factory/1.1/frames.parquet"
    whole = frames.read_bytes()
    frames.write_bytes(whole[:400] + bytes(200) + whole[600:])
    rows, messages = run(folder, stutter=1.5, low="time-share")
    first, second = rows
    assert first["stutter_count"] is None
    assert first["stutter_time_pct"] is None
    assert first["one_percent_low_fps"] == first["one_percent_low_time_share_fps"]  # needs no frames
    assert second["stutter_count"] is not None
    assert any("not-recomputed" in mark for mark in first["marks"])
    assert any("can't be read" in text for text in messages)
    _, messages = run(folder, stutter=1.5, low="time-share")
    assert messages[-1] == "resuming: 2 of 2 repeats are measured"  # said once
    frames.write_bytes(whole)
    rows, _ = run(folder, stutter=1.5, low="time-share")
    assert rows[0]["stutter_count"] == rows[1]["stutter_count"]  # the same frames by script
    assert rows[0]["marks"] == rows[1]["marks"]


def test_a_replaced_table_stays_beside_the_new_one_and_both_are_hashed(before, tmp_path):
    folder = tmp_path / "c"
    shutil.copytree(before, folder)
    import tomllib

    from harness.plan.cells import expand
    from harness.plan.order import arrange
    from harness.rig import RigFacts
    from harness.testing import FakeClock

    plan = Plan.model_validate(tomllib.loads(TEXT.format(**DEFINED)))
    cells = expand(plan)
    name = "harbour-lights.default.factory/1.1"
    whole = pq.read_metadata(folder / "attempts" / name / "frames.parquet").num_rows
    for turn in (1, 2):
        with CampaignStore.open(
            folder,
            plan_text=TEXT.format(**DEFINED),
            plan_source="plan.toml",
            cells=cells,
            slots=arrange(plan, cells),
            facts=RigFacts("scripted", "boot-1", simulated=True),
            now_utc=FakeClock().now_utc(),
        ) as store:
            half = store.kept_table(name, "frames").slice(0, 1000 // turn)
            store.revise_attempt(name, {"average_fps": 1.0 * turn}, why="by a test", tables={"frames": half})
            assert store.kept_table(name, "frames").num_rows == 1000 // turn
            assert store.kept_table(name, f"frames.before-{turn}").num_rows == (1000 if turn == 2 else whole)
            store.export_dataset()
    assert verify(folder).findings == ()
