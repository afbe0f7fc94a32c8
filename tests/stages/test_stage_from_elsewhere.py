"""Stages from a file outside ``harness``, installed as a plugin is, with no other file touched: plan, hash,
forecast, night, tables, page, methods paragraph and live page have them."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from harness.cli import main
from harness.doctor import examine
from harness.engine.campaign import run_campaign
from harness.engine.progress import Progress, Silent, StopSignal
from harness.hookspecs import RehearsalRequest
from harness.plan.bearing import unstated
from harness.plan.cells import expand
from harness.plan.forecast import forecast
from harness.plan.load import parse_plan
from harness.plan.schema import Plan
from harness.plan.schema_json import plan_schema
from harness.plugins import PluginHost
from harness.stages import STAGES
from harness.watch import Beacon
from harness.watch.state import read_live

HERE = Path(__file__).parent
WITHOUT = """
[plan]
question = "Is it as fast?"
repeats = 2
reference = "factory"
[conditions]
cooldown = { seconds = 5 }
warm_up = { seconds = 5 }
FURTHER
[[profiles]]
name = "factory"
[[profiles]]
name = "quiet"
[[titles]]
name = "harbour-lights"
label = "Harbour Lights"
workload = "simulated"
measure_s = 10
load_s = 1.0
[[titles]]
name = "old-quay"
label = "Old Quay"
workload = "simulated"
measure_s = 10
load_s = 1.0
OWN
"""
RULES = """
fan_rest = { until_at_most_pct = 60, timeout_s = 90 }
long_breath = { seconds = 4 }
"""
PLAN = WITHOUT.replace("FURTHER", RULES).replace("OWN", "long_breath = { seconds = 6 }")
WITHOUT = WITHOUT.replace("FURTHER", "").replace("OWN", "")


@pytest.fixture
def host(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[PluginHost]:
    """All installed plugins, with the one beside this file installed as they are."""
    site = tmp_path / "site"
    about = site / "fan_rest-1.0.dist-info"
    about.mkdir(parents=True)
    shutil.copy(HERE / "fan_rest.py", site / "levelrig_fan_rest.py")
    (about / "METADATA").write_text("Metadata-Version: 2.1\nName: fan-rest\nVersion: 1.0\n")
    (about / "entry_points.txt").write_text("[harness.plugins]\nfan-rest = levelrig_fan_rest\n")
    monkeypatch.syspath_prepend(str(site))
    host = PluginHost()
    assert host.broken == []
    yield host
    uninstall()


def uninstall() -> None:
    """As in a process in which no plugin was loaded yet."""
    for stage in STAGES.added():
        STAGES.withdraw(stage.key)


def plan_of(text: str, host: PluginHost) -> Plan:
    return parse_plan(text, "plan", host.kinds)


def hashes(text: str, host: PluginHost) -> list[str]:
    return [cell.definition_hash for cell in expand(plan_of(text, host))]


def test_its_table_stands_in_the_plan_and_a_mistake_in_it_is_told_with_its_line(host):
    plan = plan_of(PLAN, host)
    assert plan.conditions.fan_rest.until_at_most_pct == 60
    assert plan.titles[1].long_breath.seconds == 6
    with pytest.raises(Exception, match=r"until_at_most_pct.*at most 100"):
        plan_of(PLAN.replace("until_at_most_pct = 60", "until_at_most_pct = 160"), host)
    with pytest.raises(Exception, match=r"'fan_rest'.*or install the plugin that brings this"):
        plan_of(PLAN.replace("fan_rest", "fan_rst"), host)
    assert unstated(Plan) == []
    shape = plan_schema(host.kinds)["$defs"]
    assert {"fan_rest", "long_breath"} <= shape["Conditions"]["properties"].keys()
    assert "long_breath" in shape["TitleSpec"]["properties"]


def test_what_bears_of_it_is_hashed_and_a_plan_without_it_keeps_its_hashes(host):
    with_it = hashes(PLAN, host)
    assert hashes(PLAN.replace("_pct = 60", "_pct = 61"), host) != with_it
    assert hashes(PLAN.replace("timeout_s = 90", "timeout_s = 95, told_as = 'calm'"), host) == with_it
    assert all(a != b for a, b in zip(hashes(WITHOUT, host), with_it, strict=True))
    installed = hashes(WITHOUT, host)
    uninstall()
    assert hashes(WITHOUT, host) == installed


def test_it_has_its_place_in_the_forecast(host):
    night = forecast(plan_of(PLAN, host))
    assert list(night.phases) == [
        "cooldown", "fan-rest", "start", "warm-up", "long-breath", "soak", "window", "close"
    ]  # fmt: skip
    assert night.phases["fan-rest"].expected_s == 8 * 7
    assert night.phases["long-breath"].expected_s == 4 * 4 + 4 * 6
    assert "the fan comes to rest in 7 s" in night.assumptions


def test_check_prints_it(host, tmp_path, capsys):
    (tmp_path / "plan.toml").write_text(PLAN)
    assert main(["check", str(tmp_path / "plan.toml")]) == 0
    said = capsys.readouterr().out
    assert "fan-rest" in said
    assert "long-breath" in said


def test_a_night_passes_it_and_tables_page_and_methods_tell_of_it(host, tmp_path, capsys):
    (tmp_path / "plan.toml").write_text(PLAN)
    folder = tmp_path / "night"
    assert main(["rehearse", str(tmp_path / "plan.toml"), "--into", str(folder), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["accepted"] == told["wanted"] == 8
    assert told["outlook"]["phases"]["long-breath"]["total_s"] == pytest.approx(40, abs=2)
    rows = pq.read_table(folder / "dataset" / "attempts.parquet").to_pylist()
    assert {row["fan_rest_end"] for row in rows} == {"reached"}
    assert all(row["fan_rest_s"] >= 0 for row in rows)
    for row in rows:
        assert row["long_breath_s"] == pytest.approx(6 if row["title"] == "old-quay" else 4, abs=0.3)
    described = (folder / "dataset" / "datapackage.json").read_text("utf-8")
    assert "length of the fan-rest" in described
    page = (folder / "report" / "index.html").read_text("utf-8")
    assert "Fan-rest: until the fan runs at 60 % or less." in page
    assert "Long-breath: 4 s; for Old Quay: 6 s." in page
    methods = (folder / "report" / "methods.txt").read_text("utf-8")
    assert (
        "Before each repeat the rig cooled (5 s), the fan-rest was waited for (until the fan runs at 60 % or "
        "less); each title warmed up (5 s), the long-breath was waited for (4 s; for Old Quay: 6 s), with "
        "soak: none." in methods
    )
    telemetry = pq.read_table(next((folder / "attempts").glob("old-quay*/*/telemetry.parquet")))
    phases = list(dict.fromkeys(phase for phase in telemetry["phase"].to_pylist() if phase))
    assert phases.index("warm-up") < phases.index("long-breath") < phases.index("measure")


def test_a_rule_that_times_out_marks_the_attempt_as_the_plan_says(host, tmp_path, capsys):
    never = PLAN.replace("until_at_most_pct = 60, timeout_s = 90", "until_at_most_pct = 0, timeout_s = 3")
    (tmp_path / "plan.toml").write_text(never)
    folder = tmp_path / "night"
    assert main(["rehearse", str(tmp_path / "plan.toml"), "--into", str(folder), "--json"]) == 0
    warnings = json.loads(capsys.readouterr().out)["outlook"]["warnings"]
    assert any("the fan-rest rule was not met in time" in text for text in warnings)
    rows = pq.read_table(folder / "dataset" / "attempts.parquet").to_pylist()
    late = [row for row in rows if row["fan_rest_end"] == "timeout"]
    assert late
    assert all("fan_rest-timeout" in row["marks"] for row in late)


def test_the_live_page_names_it(host, tmp_path):
    text = PLAN.replace("until_at_most_pct = 60, timeout_s = 90", "until_at_most_pct = 0, timeout_s = 3")
    plan = plan_of(text, host)
    folder = tmp_path / "night"
    folder.mkdir()
    seen: dict[str, Any] = {}

    class Watched(Beacon):
        def on_progress(self, progress: Progress) -> None:
            super().on_progress(progress)
            live = read_live(folder, datetime.now(UTC))
            if live:
                seen[live["phase"]] = live["detail"]

    ticks = iter(range(10**9))
    run_campaign(
        plan=plan,
        plan_text=text,
        plan_source="plan.toml",
        rig=host.open_rehearsal(RehearsalRequest(plan=plan, seed=1)),
        folder=folder,
        observer=Watched(folder, Silent(), now_s=lambda: 2.0 * next(ticks)),
        stop=StopSignal(),
    )
    assert seen["long-breath"] == "breathing"
    assert seen["fan-rest"] == "waiting for a quiet fan"


def test_its_folder_is_reported_again_with_the_plugin_and_without_it(host, tmp_path, monkeypatch, capsys):
    (tmp_path / "plan.toml").write_text(PLAN)
    folder = tmp_path / "night"
    assert main(["rehearse", str(tmp_path / "plan.toml"), "--into", str(folder), "--json"]) == 0
    page, dataset = folder / "report" / "index.html", folder / "dataset" / "attempts.csv"
    whole = dataset.read_bytes()
    uninstall()
    page.unlink()
    assert main(["report", str(folder)]) == 0
    assert "Long-breath: 4 s; for Old Quay: 6 s." in page.read_text("utf-8")
    assert dataset.read_bytes() == whole
    uninstall()
    monkeypatch.setattr(metadata, "distributions", list)
    for command in ("report", "status", "verify"):
        assert main([command, str(folder)]) == 0
    assert "Long-breath" not in page.read_text("utf-8")
    assert b"fan_rest_s" in dataset.read_bytes()


def test_doctor_lists_it(host):
    found = {finding.subject: finding for finding in examine(PluginHost({}), watch_s=0.0)}
    assert (
        found["stage fan_rest"].detail
        == "waited for before a title is launched; its rule: conditions.fan_rest"
    )
    assert "in the running title" in found["stage long_breath"].detail
    assert "stage cooldown" not in found
