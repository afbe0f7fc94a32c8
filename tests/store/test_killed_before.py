"""Folders as an earlier version left them go on: one measured to its end, one whose run was killed.

Both are nights of the simulated rig under one plan, with sentinels, a title with a soak rule of its own and
a word in ``mark_only`` that is none any more. The second was ended by SIGKILL after three of eleven repeats,
so its journal has a log that was never folded in, and nothing was exported.
"""

from __future__ import annotations

import json
import tarfile
from pathlib import Path

import pytest

from harness.cli import main
from harness.engine.campaign import run_campaign
from harness.engine.progress import Silent, StopSignal
from harness.hookspecs import RehearsalRequest
from harness.plan.load import load_plan
from harness.plugins import PluginHost
from harness.report.folder import read_campaign
from harness.store.campaign import CampaignStore
from harness.store.verify import verify

DATA = Path(__file__).with_name("data")
WANTED = 11


def unpacked(name: str, into: Path) -> Path:
    with tarfile.open(DATA / f"{name}-before.tar.xz") as archive:
        archive.extractall(into, filter="data")
    return into / name


@pytest.fixture
def finished(tmp_path):
    return unpacked("finished", tmp_path)


@pytest.fixture
def killed(tmp_path):
    return unpacked("killed", tmp_path)


def attempts_of(folder):
    with CampaignStore.read(folder) as store:
        return store.attempts_table().to_pylist()


def place_of(row):
    return tuple(row[name] for name in ("cell_id", "repeat_index", "sentinel", "attempt_index"))


def go_on(folder):
    """Run the folder's own plan to its end, on the rig that it was measured on."""
    host = PluginHost()
    plan = load_plan(folder / "plan.toml", host)
    options = {"frame_rate_scale": 0.12}
    request = RehearsalRequest(plan=plan, seed=7, options=options, options_from=("assume.toml", ""))
    return run_campaign(
        plan=plan,
        plan_text=(folder / "plan.toml").read_text("utf-8"),
        plan_source="night.toml",
        rig=host.open_rehearsal(request),
        folder=folder,
        observer=Silent(),
        stop=StopSignal(),
    )


def numbers_of(folder):
    return json.loads((folder / "report" / "numbers.json").read_text("utf-8"))["numbers"]


def test_a_finished_night_is_sound_and_keeps_its_figures_in_a_new_report(finished):
    before, rows = numbers_of(finished), attempts_of(finished)
    assert verify(finished).damage == ()
    assert main(["report", str(finished), "--json"]) == 0
    assert attempts_of(finished) == rows
    after = numbers_of(finished)
    assert len(before) == 98
    assert {name for name, number in before.items() if after[name]["value"] != number["value"]} == set()


def test_a_finished_night_has_nothing_left_to_measure(finished):
    rows = attempts_of(finished)
    result = go_on(finished)
    assert (result.exit_code, result.accepted, result.wanted) == (0, WANTED, WANTED)
    assert len(attempts_of(finished)) == len(rows)
    assert verify(finished).findings == ()


def test_a_killed_night_goes_on_where_it_was_and_is_reported(killed):
    kept = {place_of(row): row for row in attempts_of(killed) if row["verdict"] == "accepted"}
    assert len(kept) == 3
    result = go_on(killed)
    assert (result.exit_code, result.accepted, result.wanted) == (0, WANTED, WANTED)
    after = attempts_of(killed)
    now = {place_of(row): row for row in after}
    for place, row in kept.items():
        assert {name: now[place][name] for name in row} == row | {
            "definition_hash": now[place]["definition_hash"]
        }
    assert sum(r["verdict"] == "accepted" for r in after) == WANTED
    assert verify(killed).findings == ()
    assert main(["report", str(killed), "--json"]) == 0
    assert len(read_campaign(killed).repeats) == WANTED
