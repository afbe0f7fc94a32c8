"""One damaged file costs its own figure, never report, analyse or explain; and it is said which."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys

import numpy as np
import pytest

from harness.cli import main
from harness.engine.campaign import run_campaign
from harness.engine.progress import Silent, StopSignal
from harness.plan.load import parse_plan
from harness.plugins import PluginHost
from harness.testing import ScriptedRig, ScriptedSensor, ScriptedWorkload, WorkloadScript

PLAN = """
[plan]
question = "Is it?"
repeats = 2
reference = "factory"
[conditions]
warm_up = { seconds = 1 }
[[profiles]]
name = "factory"
[[profiles]]
name = "again"
[[titles]]
name = "harbour-lights"
workload = "command"
command = ["harbour"]
measure_s = 5
frame_log = { path = "frames.csv", interval_column = "dt" }
"""


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    folder = tmp_path_factory.mktemp("measured") / "c"
    rig = ScriptedRig()
    rig.sensors = [ScriptedSensor({"core_temp_c": 40.0, "power_w": 200.0}, rig.clock)]
    frametime_ms = np.random.default_rng(3).gamma(20.0, 1.0, 400).tolist()
    rig.workload = lambda cell: ScriptedWorkload(rig.clock, WorkloadScript(frametime_ms=frametime_ms))
    run_campaign(
        plan=parse_plan(PLAN, "plan.toml", PluginHost().kinds),
        plan_text=PLAN,
        plan_source="plan.toml",
        rig=rig,
        folder=folder,
        observer=Silent(),
        stop=StopSignal(),
    )
    assert main(["report", str(folder)]) == 0
    return folder


def altered(path):
    """Some bytes in the middle, so that the file may still be read, and wrongly."""
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    for place in range(middle, middle + 20):
        content[place] ^= 0xA5
    path.write_bytes(content)


DAMAGES = {
    "altered": altered,
    "emptied": lambda path: os.truncate(path, 0),
    "cut": lambda path: os.truncate(path, path.stat().st_size // 2),
    "gone": lambda path: path.unlink(),
}
ATTEMPT = "attempts/harbour-lights.default.again/1.1"
FILES = [
    f"{ATTEMPT}/frames.parquet",
    f"{ATTEMPT}/telemetry.parquet",
    "attempts/harbour-lights.default.again/2.1/telemetry.parquet",
    "manifest.json",
    "rig.json",
    "plan.toml",
    "dataset/attempts.parquet",
    "dataset/repeats.parquet",
]
NUMBER = "change/harbour-lights.default.again/average_fps"


@pytest.mark.parametrize(
    "damage", ["altered", "gone", *(pytest.param(d, marks=pytest.mark.endurance) for d in ("emptied", "cut"))]
)
def test_one_damaged_file_is_named_and_costs_no_more_than_its_figure(measured, tmp_path, capsys, damage):
    whole = json.loads((measured / "report/numbers.json").read_text())["numbers"]
    for number, name in enumerate(FILES):
        folder = tmp_path / str(number)
        shutil.copytree(measured, folder)
        DAMAGES[damage](folder / name)
        capsys.readouterr()
        assert main(["report", str(folder)]) == 0, name
        told = capsys.readouterr().out.replace("\n", " ")
        silent = damage == "gone" and name in ("manifest.json", "rig.json")
        seen = silent or name in told or name == "attempts/harbour-lights.default.again/2.1/telemetry.parquet"
        assert seen, (name, told)  # telemetry is drawn of one repeat for each profile
        if not silent and name in told:
            assert name in (folder / "report/index.html").read_text()
        assert json.loads((folder / "report/numbers.json").read_text())["numbers"] == whole, name
        assert main(["explain", str(folder), NUMBER]) == 0, name
        assert main(["analyse", str(folder)]) == 0, name
        shutil.rmtree(folder)


def test_a_report_that_can_not_be_written_ends_with_a_sentence(measured, tmp_path, capsys):
    """A file where the folder of the report should be stands for every refusal; it needs no rights."""
    shutil.copytree(measured, tmp_path / "c")
    shutil.rmtree(tmp_path / "c/report")
    (tmp_path / "c/report").write_text("")
    assert main(["report", str(tmp_path / "c")]) in (1, 3)
    assert "report" in capsys.readouterr().err


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() != 0, reason="mounts a file system")
def test_a_full_or_read_only_disk_ends_with_a_sentence(measured, tmp_path):
    for options in ("size=700k", "ro"):
        disk = tmp_path / "disk"
        disk.mkdir(exist_ok=True)
        size = "size=700k" if options != "ro" else "size=8m"
        if subprocess.run(["mount", "-t", "tmpfs", "-o", size, "none", disk], check=False).returncode:
            pytest.skip("needs the right to mount")
        try:
            shutil.copytree(measured, disk / "c", ignore=shutil.ignore_patterns("ballast", "report"))
            if options == "ro":
                subprocess.run(["mount", "-o", "remount,ro", disk], check=True)
            for command in (["report"], ["analyse"], ["status"], ["verify"]):
                done = subprocess.run(
                    [sys.executable, "-m", "harness.cli", *command, disk / "c"],
                    capture_output=True,
                    text=True,
                    timeout=120,
                    check=False,
                )
                assert done.returncode >= 0, (options, command, "ended by a signal")
                assert "Traceback" not in done.stderr, done.stderr
                if command == ["report"]:
                    assert done.returncode in (1, 3), done.stderr
                    assert "can't be" in done.stderr
        finally:
            subprocess.run(["umount", disk], check=True)
