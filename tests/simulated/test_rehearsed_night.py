"""A whole rehearsal through the real engine, store, analysis and report."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pandas as pd
import pytest

import harness.engine
from harness.cli import main

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


def test_two_rehearsals_of_one_seed_give_byte_identical_tables(plan, tmp_path, capsys):
    folders = [tmp_path / "one", tmp_path / "two"]
    assert [rehearse(plan, folder, "--seed", "5") for folder in folders] == [0, 0]
    for name in TABLES:
        first, second = ((folder / "dataset" / name).read_bytes() for folder in folders)
        assert first == second, name
    assert rehearse(plan, tmp_path / "three", "--seed", "6") == 0
    assert (folders[0] / "dataset" / TABLES[0]).read_bytes() != (
        tmp_path / "three" / "dataset" / TABLES[0]
    ).read_bytes()


def test_a_rehearsal_ends_with_outlook_and_report(plan, tmp_path, capsys):
    rehearse(plan, tmp_path / "night")
    said = json.loads(capsys.readouterr().out)
    assert said["accepted"] == said["wanted"] == 4
    assert said["outlook"]["expected_s"] > 4 * 20
    assert Path(said["report"]).is_file()


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


def test_an_earlier_rehearsal_is_replaced_and_anything_else_left_alone(plan, tmp_path, capsys):
    night = tmp_path / "night"
    rehearse(plan, night)
    (night / "extra.txt").write_text("old", encoding="utf-8")
    assert rehearse(plan, night) == 0
    assert not (night / "extra.txt").exists()
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.txt").write_text("dear diary", encoding="utf-8")
    assert rehearse(plan, tmp_path / "mine") != 0
    assert (tmp_path / "mine" / "notes.txt").read_text() == "dear diary"
    assert "not a rehearsal" in capsys.readouterr().err


def test_the_engine_does_not_know_whether_a_rig_is_simulated():
    folder = Path(harness.engine.__file__).parent
    for path in folder.glob("*.py"):
        code = re.sub(r'""".*?"""|#.*', "", path.read_text(encoding="utf-8"), flags=re.DOTALL)
        assert "simulat" not in code.lower(), path.name
