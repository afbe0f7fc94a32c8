"""A whole rehearsal through the real engine, store, analysis and report."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pandas as pd
import pytest

import harness.engine
from harness.cli import main
from harness.engine.campaign import run_campaign
from harness.engine.progress import Silent, StopSignal
from harness.hookspecs import RehearsalRequest
from harness.plan.load import load_plan
from harness.plugins import PluginHost

PLAN = """
[plan]
question = "Does the quiet setting keep the frame rate?"
repeats = 2
reference = "factory"
allow_hardware_changes = true
[conditions]
cooldown = { seconds = 5 }
warm_up = { seconds = 5 }
[[profiles]]
name = "factory"
[[profiles]]
name = "quiet"
control = "simulated"
core_clock_ceiling_mhz = 2595
core_clock_offset_mhz = 200
[[titles]]
name = "harbour-lights"
workload = "simulated"
measure_s = 10
load_s = 1.0
"""
TABLES = ("attempts.parquet", "repeats.parquet", "attempts.csv", "repeats.csv")


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN, encoding="utf-8")
    return path


def rehearse(plan: Path, folder: Path, *further: str) -> int:
    return main(["rehearse", str(plan), "--into", str(folder), "--json", *further])


def night(plan: Path, folder: Path, seed: int) -> Path:
    """The same without analysis and report."""
    host = PluginHost()
    loaded = load_plan(plan, host)
    rig = host.manager.hook.open_rehearsal(request=RehearsalRequest(plan=loaded, seed=seed))
    result = run_campaign(
        plan=loaded,
        plan_text=plan.read_text(encoding="utf-8"),
        plan_source=str(plan),
        rig=rig,
        folder=folder,
        observer=Silent(),
        stop=StopSignal(),
    )
    assert (result.accepted, result.wanted) == (4, 4)
    return folder / "dataset"


def test_two_rehearsals_of_one_seed_give_byte_identical_tables(plan, tmp_path):
    first, second, other = (
        night(plan, tmp_path / name, seed) for name, seed in [("a", 5), ("b", 5), ("c", 6)]
    )
    for name in TABLES:
        assert (first / name).read_bytes() == (second / name).read_bytes(), name
        assert (first / name).read_bytes() != (other / name).read_bytes(), name


def test_a_rehearsal_ends_with_outlook_and_report_and_replaces_an_earlier_one(plan, tmp_path, capsys):
    folder = tmp_path / "night"
    assert rehearse(plan, folder) == 0
    capsys.readouterr()
    old = folder / "attempts" / "harbour-lights.default.quiet" / "9.1" / "frames.parquet"
    old.parent.mkdir(parents=True)
    old.write_text("of the earlier rehearsal", encoding="utf-8")
    assert rehearse(plan, folder) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["accepted"] == said["wanted"] == 4
    assert said["outlook"]["expected_s"] > 4 * 20
    assert Path(said["report"]).is_file()
    assert not old.exists()
    attempts = pd.read_parquet(folder / "dataset" / "attempts.parquet")
    assert len(attempts) == 4, "the earlier rehearsal was replaced, not resumed"


def test_a_rehearsal_that_loses_the_rig_resumes_as_after_a_power_cut(plan, tmp_path, capsys):
    assumed = tmp_path / "assumed.toml"
    assumed.write_text(
        'restart_s = 100\n[[faults]]\nkind = "rig-loss"\ncell = "*.quiet"\nrun = 1\nafter_s = 8\n',
        encoding="utf-8",
    )
    assert rehearse(plan, tmp_path / "night", "--assume", str(assumed)) == 0
    attempts = pd.read_parquet(tmp_path / "night" / "dataset" / "attempts.parquet")
    assert attempts.reason_code.dropna().tolist() == ["rig-lost"]
    assert attempts.boot_id.nunique() == 2
    assert (attempts.verdict == "accepted").sum() == 4


def test_a_folder_that_is_no_rehearsal_is_left_alone(plan, tmp_path, capsys):
    (tmp_path / "notes.txt").write_text("dear diary", encoding="utf-8")
    assert rehearse(plan, tmp_path) != 0
    assert (tmp_path / "notes.txt").read_text() == "dear diary"
    assert "no rehearsal made it" in capsys.readouterr().err


def test_the_engine_does_not_know_whether_a_rig_is_simulated():
    folder = Path(harness.engine.__file__).parent
    for path in folder.glob("*.py"):
        code = re.sub(r'""".*?"""|#.*', "", path.read_text(encoding="utf-8"), flags=re.DOTALL)
        assert "simulat" not in code.lower(), path.name
