"""Outliers are measured once more: which, when, how often, and that no result moves by it."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.analysis import AnalysisSettings
from harness.analysis.analyse import analyse
from harness.analysis.remeasurement import remeasured as looked_at
from harness.engine.campaign import CampaignResult, run_campaign
from harness.engine.progress import Progress, Silent, StopSignal
from harness.engine.remeasurement import remeasurements
from harness.errors import DiskFull
from harness.hookspecs import RehearsalRequest
from harness.plan.checks_table import Checks
from harness.plan.schema import Plan, Slot
from harness.plugins import PluginHost
from harness.store.campaign import CampaignStore
from harness.store.campaign_state import RepeatStanding, SetAside, Standing
from harness.testing import ScriptedRig, ScriptedSensor, ScriptedWorkload, WorkloadScript

REPEATS = 5
CELLS = ("harbour-lights.default.factory", "harbour-lights.default.quiet", "salt-road.default.quiet")
DRAW = np.random.default_rng(4)
FPS = {cell: (100 * np.exp(0.004 * DRAW.standard_normal(REPEATS))).tolist() for cell in CELLS}


def rows_with(far: dict[tuple[str, int], float]) -> list[dict[str, Any]]:
    """Accepted planned repeats; those in ``far`` are off by that factor."""
    return [
        {
            "cell_id": cell,
            "title": cell.split(".")[0],
            "profile": cell.split(".")[2],
            "repeat_index": repeat,
            "average_fps": fps * far.get((cell, repeat), 1.0),
            "marks": [],
            "sentinel": False,
            "second_look": False,
        }
        for cell, values in FPS.items()
        for repeat, fps in enumerate(values, start=1)
    ]


def standing_of(further: tuple[Slot, ...] = (), aside: tuple[SetAside, ...] = ()) -> Standing:
    planned = [
        Slot(position=(repeat - 1) * len(CELLS) + place, block=repeat, cell_id=cell, repeat_index=repeat)
        for repeat in range(1, REPEATS + 1)
        for place, cell in enumerate(CELLS, start=1)
    ]
    return Standing(
        tuple(RepeatStanding(slot, True, 1, 1, False, False) for slot in (*planned, *further)), aside
    )


def chosen(
    rows: list[dict[str, Any]], standing: Standing | None = None, **checks: Any
) -> list[tuple[str, int]]:
    found = remeasurements(standing or standing_of(), rows, Checks(**checks))
    return [(look.slot.cell_id, look.slot.repeat_index) for look in found]


ONE = {(CELLS[1], 2): 0.93}


def test_clean_repeats_get_no_remeasurement_and_a_far_one_gets_one():
    assert chosen(rows_with({})) == []
    assert chosen(rows_with(ONE)) == [(CELLS[1], 2)]


def test_a_remeasurement_stands_behind_all_planned_repeats_and_says_how_far_its_repeat_lies():
    (look,) = remeasurements(standing_of(), rows_with(ONE), Checks())
    assert look.slot.remeasurement
    assert look.slot.position > len(CELLS) * REPEATS
    assert look.slot.block == 2
    assert "deviations from the other repeats" in look.why


@given(
    st.dictionaries(
        st.tuples(st.sampled_from(CELLS), st.integers(1, REPEATS)),
        st.sampled_from([0.9, 0.95, 1.08]),
        max_size=4,
    ),
    st.randoms(use_true_random=False),
    st.integers(1, 5),
)
def test_neither_the_order_of_events_nor_remeasurements_made_already_change_the_choice(far, random, at_most):
    rows = rows_with(far)
    checks = Checks(remeasurements_at_most=at_most)
    first = remeasurements(standing_of(), rows, checks)
    assert len(first) <= at_most
    assert len({look.slot for look in first}) == len(first)
    mine = tuple(look.slot for look in first)
    values = [
        {**row, "second_look": True, "average_fps": random.choice([90.0, 100.0])}
        for row in rows
        if (row["cell_id"], row["repeat_index"]) in {(s.cell_id, s.repeat_index) for s in mine}
    ]
    mixed = [*rows, *values]
    random.shuffle(mixed)
    assert remeasurements(standing_of(further=mine), mixed, checks) == first


def test_where_too_many_values_are_far_the_farthest_come_first():
    far = {(CELLS[0], 1): 0.9, (CELLS[1], 3): 0.8, (CELLS[2], 5): 0.85}
    assert chosen(rows_with(far), remeasurements_at_most=1) == [(CELLS[1], 3)]
    assert chosen(rows_with(far), remeasurements_at_most=2) == [(CELLS[1], 3), (CELLS[2], 5)]


def test_false_switches_remeasurements_off_and_so_does_the_check_itself():
    assert chosen(rows_with(ONE), remeasurements_at_most=False) == []
    assert chosen(rows_with(ONE), outlier_beyond_deviations=False) == []


def test_a_repeat_that_was_marked_when_it_was_measured_is_looked_at_again_whatever_came_later():
    rows = rows_with({})
    rows[3]["marks"] = ["outlier: 93.0 FPS lies -7.0 deviations from the other repeats (100.0 FPS)"]
    assert chosen(rows) == [(rows[3]["cell_id"], rows[3]["repeat_index"])]


def test_sentinels_and_profiles_that_were_set_aside_get_none():
    rows = rows_with(ONE)
    aside = (SetAside("quiet", None, 2, "the machine crashed or rebooted twice"),)
    assert chosen(rows, standing_of(aside=aside)) == []
    far = next(row for row in rows if (row["cell_id"], row["repeat_index"]) == (CELLS[1], 2))
    far["sentinel"] = True
    assert chosen(rows) == []


# --- whole campaigns -------------------------------------------------------------------------------------


def plan_of(**checks: Any) -> Plan:
    return Plan.model_validate(
        {
            "plan": {"question": "Does it hold?", "repeats": 4, "reference": "factory"},
            "conditions": {"cooldown": {"seconds": 2}, "warm_up": {"seconds": 2}},
            "sampling": {"period_s": 0.5},
            "checks": checks,
            "profiles": [{"name": "factory"}, {"name": "quiet"}],
            "titles": [{"name": "harbour-lights", "workload": "command", "measure_s": 8}],
        }
    )


class Uneven(ScriptedWorkload):
    """A title of which every attempt at one planned repeat is slower than all others."""

    def start(self, launch: Any) -> None:
        planned = launch.output_path.parent.name
        slow = launch.cell.profile.name == "quiet" and planned.startswith("2.")
        wave_ms = np.random.default_rng(7).permutation(np.linspace(9.0, 11.0, 2000)) * (1.1 if slow else 1.0)
        self.script = dataclasses.replace(self.script, frametime_ms=wave_ms.tolist())
        super().start(launch)


def run(folder: Path, plan: Plan, act: Any = None, stop: StopSignal | None = None) -> CampaignResult:
    rig = ScriptedRig()
    rig.sensors = [ScriptedSensor({"core_temp_c": 40.0, "power_w": 200.0}, rig.clock)]
    rig.workload = lambda cell: Uneven(rig.clock, WorkloadScript())

    class Watching(Silent):
        def on_progress(self, progress: Progress) -> None:
            if act is not None:
                act(progress)

    return run_campaign(
        plan=plan,
        plan_text=plan.model_dump_json(),
        plan_source="plan.toml",
        rig=rig,
        folder=folder,
        observer=Watching(),
        stop=stop or StopSignal(),
    )


def repeats(folder: Path) -> pd.DataFrame:
    return pq.read_table(folder / "dataset" / "repeats.parquet").to_pandas()


def made(folder: Path) -> list[tuple[str, int, int]]:
    table = repeats(folder)
    looks = table[table["second_look"]]
    return list(zip(looks["cell_id"], looks["repeat_index"], looks["position"], strict=True))


FAR = ("harbour-lights.default.quiet", 2)


def test_a_far_repeat_is_measured_once_more_after_the_planned_ones_and_both_values_are_kept(tmp_path):
    told: list[int] = []
    result = run(tmp_path / "c", plan_of(), act=lambda progress: told.append(progress.wanted))
    assert (result.exit_code, result.accepted, result.wanted) == (0, 9, 9)
    assert set(told) == {8, 9}
    ((cell, repeat, position),) = made(tmp_path / "c")
    assert (cell, repeat) == FAR
    assert position > 8
    assert (tmp_path / "c" / "attempts" / cell / "second-look-2.1" / "frames.parquet").is_file()
    (look,) = looked_at(repeats(tmp_path / "c"))
    assert (look.finding, round(look.first_fps), round(look.second_fps)) == ("once", 91, 100)
    with CampaignStore.read(tmp_path / "c") as store:
        assert [event["kind"] for event in store.events()].count("second-look") == 1


def test_the_result_is_the_same_to_the_last_digit_with_remeasurements_and_without(tmp_path):
    run(tmp_path / "with", plan_of())
    run(tmp_path / "without", plan_of(remeasurements_at_most=False))
    settings_ = AnalysisSettings.from_plan(plan_of())
    with_, without = (repeats(tmp_path / name) for name in ("with", "without"))
    assert (len(with_), len(without)) == (9, 8)
    for name in ("cells", "comparisons", "overall", "variance", "efficiency"):
        pd.testing.assert_frame_equal(
            getattr(analyse(with_, settings_), name), getattr(analyse(without, settings_), name)
        )


@pytest.mark.parametrize("phase", ["cooldown", "measure"])
def test_a_night_that_was_stopped_in_a_remeasurement_goes_on_with_the_same_one(tmp_path, phase):
    stop = StopSignal()

    def act(progress: Progress) -> None:
        if progress.accepted == 8 and progress.phase == phase:
            stop.request("interrupt", "interrupted by SIGINT")

    result = run(tmp_path / "c", plan_of(), act, stop)
    assert (result.exit_code, result.accepted, result.wanted) == (130, 8, 9)
    result = run(tmp_path / "c", plan_of())
    assert (result.exit_code, result.accepted) == (0, 9)
    run(tmp_path / "whole", plan_of())
    assert made(tmp_path / "c") == made(tmp_path / "whole")
    assert run(tmp_path / "c", plan_of()).accepted == 9
    assert len(repeats(tmp_path / "c")) == 9


def test_a_disk_that_is_full_when_a_remeasurement_is_wanted_ends_the_night_resumable(tmp_path, monkeypatch):
    def full(*arguments: Any) -> None:
        raise DiskFull("no room left; free 20 MiB")

    with monkeypatch.context() as patched:
        patched.setattr(CampaignStore, "add_slots", full)
        result = run(tmp_path / "c", plan_of())
    assert (result.exit_code, result.accepted) == (3, 8)
    assert "no room left" in result.reason
    result = run(tmp_path / "c", plan_of())
    assert (result.exit_code, result.accepted) == (0, 9)


@settings(max_examples=4, deadline=None)
@given(st.sets(st.integers(0, 8), max_size=3))
def test_wherever_a_night_was_stopped_it_comes_to_the_same_remeasurements(tmp_path_factory, stops):
    folder = tmp_path_factory.mktemp("night") / "c"
    for at in sorted(stops):
        stop = StopSignal()

        def act(progress: Progress, at: int = at, stop: StopSignal = stop) -> None:
            if progress.accepted == at and progress.phase == "measure":
                stop.request("interrupt", "interrupted by SIGINT")

        run(folder, plan_of(), act, stop)
    assert run(folder, plan_of()).exit_code == 0
    assert [entry[:2] for entry in made(folder)] == [FAR]


@pytest.mark.parametrize(("runs", "finding"), [((2,), "once"), ((2, 5), "again")])
def test_on_the_simulated_rig_a_remeasurement_tells_a_single_event_from_one_that_comes_back(
    tmp_path, runs, finding
):
    plan = Plan.model_validate(
        {
            "plan": {"question": "?", "repeats": 4, "reference": "factory"},
            "conditions": {"cooldown": {"seconds": 5}, "warm_up": {"seconds": 5}},
            "sampling": {"period_s": 1.0},
            "checks": {"telemetry_gap_at_most_s": 5},
            "profiles": [{"name": "factory"}, {"name": "quiet"}],
            "titles": [{"name": "harbour-lights", "workload": "simulated", "measure_s": 10, "load_s": 1.0}],
        }
    )
    cell = "harbour-lights.default.quiet"
    faults = [{"kind": "slow-run", "cell": cell, "run": r, "after_s": 0, "amount": 8} for r in runs]
    options = {"frame_rate_scale": 0.5, "run_noise_scale": 0.3, "faults": faults}
    request = RehearsalRequest(plan=plan, seed=3, options=options)
    result = run_campaign(
        plan=plan,
        plan_text=plan.model_dump_json(),
        plan_source="plan.toml",
        rig=PluginHost().manager.hook.open_rehearsal(request=request),
        folder=tmp_path / "c",
        observer=Silent(),
        stop=StopSignal(),
    )
    assert (result.exit_code, result.accepted) == (0, 9)
    (look,) = looked_at(repeats(tmp_path / "c"))
    assert (look.profile, look.repeat_index, look.finding) == ("quiet", 2, finding)
