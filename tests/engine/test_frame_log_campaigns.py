"""Campaigns whose titles write text logs: rows left out by plan are no faults; a new mapping reads again."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest

from harness.engine.campaign import RunOptions, run_campaign
from harness.engine.progress import StopSignal
from harness.errors import PlanChanged, PlanError
from harness.plan.schema import Cell, Plan
from harness.rig import FrameLog, FrameLogSource
from harness.store.campaign import CampaignStore
from harness.store.verify import verify
from harness.testing import ScriptedRig, ScriptedSensor, ScriptedWorkload
from harness_plugins import columns

PLAN = """
[plan]
question = "Is it?"
repeats = 2
reference = "factory"

[conditions]
warm_up = { seconds = 1 }

[[profiles]]
name = "factory"

[[titles]]
name = "harbour-lights"
workload = "command"
measure_s = 20
"""
CLOCKED = 'presentation_time_column = "at", time_unit = "s", clock = "rig"'
STEP_MS = np.random.default_rng(11).gamma(40.0, 0.25, 4000)


class TextLogWorkload(ScriptedWorkload):
    """Writes a text log with rows of another process, of frames never shown and of interpolated ones."""

    def __init__(self, clock: Any, cell: Cell) -> None:
        super().__init__(clock)
        self._cell = cell

    @property
    def _path(self) -> Path:
        assert self.launch is not None
        return self.launch.work_folder / "frames.csv"

    def stop(self, grace_s: float) -> None:
        if not self.stopped and self.launch is not None:
            span_s = self._clock.now_s() - self._start_s
            steps_ms = np.resize(STEP_MS, int(1.2 * span_s / STEP_MS.mean() * 1e3))
            ends_s = self._start_s + np.cumsum(steps_ms) / 1e3
            lines = ["program,took,at,late,made"]
            for place, (step, end) in enumerate(zip(steps_ms, ends_s, strict=True)):
                if end > self._clock.now_s():
                    break
                hidden, made = int(place % 9 == 4), int(place % 7 == 3)
                lines.append(f"harbour,{step:.6f},{end:.9f},{hidden},{made}")
                if place % 2:
                    lines.append(f"overlay,{step:.6f},{end:.9f},0,0")
            self._path.write_text("\n".join(lines) + "\n")
        super().stop(grace_s)

    def frame_log(self) -> FrameLogSource | None:
        spec = self._cell.title.frame_log
        return None if spec is None or self.launch is None else FrameLogSource(self._path, spec)


class TextLogRig(ScriptedRig):
    """Reads its logs by the plugin ``columns``."""

    launched = 0

    def read_frame_log(self, source: FrameLogSource) -> FrameLog:
        log = columns.read_frame_log(source)
        assert log is not None
        return log


class Listening:
    def __init__(self) -> None:
        self.messages: list[str] = []

    def on_progress(self, progress: object) -> None: ...

    def on_attempt(self, *_: object) -> None: ...

    def on_message(self, level: str, message: str) -> None:
        self.messages.append(message)


def run(
    folder: Path, mapping: str, warm_up_s: int = 1, **options: Any
) -> tuple[list[dict[str, Any]], list[str], int]:
    """Run or go on; the attempts afterwards, what was told, and how many titles were started."""
    text = (
        PLAN.replace("seconds = 1", f"seconds = {warm_up_s}")
        + f'frame_log = {{ path = "frames.csv", {mapping} }}\n'
    )
    rig = TextLogRig()
    rig.sensors = [ScriptedSensor({"core_temp_c": 40.0, "power_w": 200.0}, rig.clock)]
    started = []

    def workload(cell: Cell) -> TextLogWorkload:
        started.append(cell.cell_id)
        return TextLogWorkload(rig.clock, cell)

    rig.workload = workload
    observer = Listening()
    run_campaign(
        plan=Plan.model_validate(tomllib.loads(text)),
        plan_text=text,
        plan_source="plan.toml",
        rig=rig,
        folder=folder,
        observer=observer,
        stop=StopSignal(),
        options=RunOptions(**options),
    )
    rows = pq.read_table(folder / "dataset" / "attempts.parquet").to_pylist()
    return rows, observer.messages, len(started)


OURS = 'filter_column = "program", filter_value = "harbour"'
FILTERS = {
    "another process": OURS,
    "frames never shown": f'{OURS}, dropped_column = "late"',
    "interpolated frames": f'{OURS}, generated_column = "made"',
}


@pytest.mark.parametrize("name", FILTERS)
@pytest.mark.parametrize("quantity", ["interval and time", "time", "start"])
def test_a_whole_campaign_with_rows_left_out_by_plan_is_accepted(tmp_path, name, quantity):
    mapping = {
        "interval and time": f'interval_column = "took", {CLOCKED}',
        "time": 'presentation_time_column = "at", unit = "s", clock = "rig"',
        "start": 'start_time_column = "at", unit = "s", clock = "rig"',
    }[quantity]
    rows, _, started = run(tmp_path / "night", f"{mapping}, {FILTERS[name]}")
    assert [row["verdict"] for row in rows] == ["accepted"] * 2, [row["reason"] for row in rows]
    assert started == 2
    shown = {"another process": 1.0, "frames never shown": 8 / 9, "interpolated frames": 6 / 7}[name]
    for row in rows:
        assert row["average_fps"] == pytest.approx(shown * 1e3 / STEP_MS.mean(), rel=0.03)
        assert row["frame_rows_dropped"] > 0.3 * row["frame_rows_read"]
    with CampaignStore.read(tmp_path / "night") as store:
        accounts = [event["data"] for event in store.events() if event["kind"] == "frame-account"]
    assert all(sum(account["dropped"].values()) == 0 for account in accounts)
    assert all(account["left_out"]["other process"] > 500 for account in accounts)


RIGHT = f'interval_column = "took", {CLOCKED}, {OURS}'
MISSPELT = RIGHT.replace('"took"', '"tok"')


def test_a_misspelt_column_is_repaired_without_measuring_again(tmp_path):
    fresh, _, _ = run(tmp_path / "fresh", RIGHT)
    rows, _, started = run(tmp_path / "night", MISSPELT)
    assert {row["verdict"] for row in rows} == {"rejected"}
    assert "no column 'tok' (interval_column); nearest: 'took'" in rows[0]["reason"]
    assert started == 1  # such a fault stays: the cell is set aside

    rows, told, started = run(tmp_path / "night", RIGHT)
    assert started == 1  # only the repeat that was never tried
    accepted = [row for row in rows if row["verdict"] == "accepted"]
    assert [row["repeat_index"] for row in accepted] == [1, 2]
    assert len(rows) == 2
    assert any("1 kept log was read again, 1 count now" in line for line in told)
    for row, other in zip(accepted, fresh, strict=True):
        assert row["average_fps"] == pytest.approx(other["average_fps"], rel=1e-3)
        assert row["energy_per_frame_j"] == pytest.approx(other["energy_per_frame_j"], rel=1e-3)
        assert row["reason"] is None
    assert [any(m.startswith("frame-log-reread") for m in row["marks"]) for row in accepted] == [True, False]
    with CampaignStore.read(tmp_path / "night") as store:
        revised = [event["data"] for event in store.events() if event["kind"] == "revised"]
    assert all("no column 'tok'" in event["before"]["reason"] for event in revised)
    assert verify(tmp_path / "night").sound

    again, told, started = run(tmp_path / "night", RIGHT)
    assert started == 0
    assert again == rows
    assert not any("read again" in line for line in told)


def test_accepted_repeats_are_read_again_by_another_mapping_and_keep_the_old_reading(tmp_path):
    before, _, _ = run(tmp_path / "night", RIGHT)
    rows, told, started = run(tmp_path / "night", f'{RIGHT}, dropped_column = "late"')
    assert started == 0
    assert any("2 kept logs were read again, 2 count now" in line for line in told)
    for row, old in zip(rows, before, strict=True):
        assert row["average_fps"] == pytest.approx(old["average_fps"] * 8 / 9, rel=0.01)
        assert row["definition_hash"] != old["definition_hash"]
    kept = list((tmp_path / "night" / "attempts").rglob("frames.before-1.parquet"))
    assert len(kept) == 2


def test_a_mapping_that_can_not_read_what_counted_is_refused_before_anything_is_lost(tmp_path):
    before, _, _ = run(tmp_path / "night", RIGHT)
    with pytest.raises(PlanError, match=r"2 repeats that counted would not count by it; .*no column 'tok'"):
        run(tmp_path / "night", MISSPELT)
    rows, _, started = run(tmp_path / "night", RIGHT)
    assert started == 0
    assert rows == before


def test_a_mapping_by_which_what_counted_would_be_rejected_is_asked_about_first(tmp_path):
    before, _, _ = run(tmp_path / "night", RIGHT)
    wrong = f'interval_column = "took", unit = "s", {OURS}'
    with pytest.raises(PlanError, match=r"2 repeats that counted would not count by it; .*--discard-changed"):
        run(tmp_path / "night", wrong)
    rows, _, started = run(tmp_path / "night", RIGHT)
    assert (rows, started) == (before, 0)
    _, told, started = run(tmp_path / "night", wrong, discard_changed=True)
    assert started > 0
    assert any("2 are rejected; what counts is not measured again" in line for line in told)


def test_a_change_beside_the_mapping_measures_again(tmp_path):
    run(tmp_path / "night", RIGHT)
    with pytest.raises(PlanChanged, match="2 accepted repeats would no longer count"):
        run(tmp_path / "night", f'{RIGHT}, dropped_column = "late"', warm_up_s=2)
