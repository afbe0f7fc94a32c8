"""The live frame rate, from the beacon to a terminal."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

import pytest

from harness.cli import main
from harness.commands.status import now_lines
from harness.engine.messages import Phase
from harness.engine.progress import Progress, Silent
from harness.plan.schema import FrameLogSpec
from harness.rig import FrameLogSource
from harness.watch.beacon import Beacon
from harness.watch.rate import STALE_S, RunningRate
from harness.watch.state import read_now, utc_now

ROWS = "1,10.0\n" * 300


def named(path: Path, **options: Any) -> dict[str, Any]:
    """What the beacon says of a log."""
    spec = {"path": path.name, "reader": "columns", "options": {"interval_column": "dt", **options}}
    return {"path": str(path), "spec": spec}


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "log.csv"
    path.write_text("n,dt\n" + ROWS)
    return path


def grow(path: Path, rows: str = ROWS) -> None:
    with path.open("a") as file:
        file.write(rows)


def test_a_log_written_just_now_gives_a_rate_at_the_first_look(log: Path) -> None:
    assert RunningRate().look(named(log), 1000.0) == pytest.approx(100)


def test_an_old_log_gives_a_rate_only_once_it_grows(log: Path) -> None:
    rate = RunningRate()
    os.utime(log, (time.time() - 60,) * 2)
    assert rate.look(named(log), 1000.0) is None
    grow(log, "1,20.0\n" * 100)
    assert rate.look(named(log), 1001.0) == pytest.approx(50)


def test_growth_counts_even_where_the_system_does_not_tell_the_time_of_writing(log: Path) -> None:
    rate, old = RunningRate(), (time.time() - 60,) * 2
    os.utime(log, old)
    rate.look(named(log), 1000.0)
    grow(log)
    os.utime(log, old)
    assert rate.look(named(log), 1001.0) == pytest.approx(100)


def test_a_log_that_stopped_growing_says_nothing_of_now(log: Path) -> None:
    rate = RunningRate()
    assert rate.look(named(log), 1000.0) is not None
    assert rate.look(named(log), 1000.0 + STALE_S - 0.5) is not None
    assert rate.look(named(log), 1000.0 + STALE_S + 0.5) is None
    grow(log)
    assert rate.look(named(log), 1010.0) is not None


def test_the_next_attempts_log_is_looked_at_again(log: Path, tmp_path: Path) -> None:
    rate = RunningRate()
    rate.look(named(log), 1000.0)
    other = tmp_path / "other.csv"
    other.write_text(log.read_text())
    os.utime(other, (time.time() - 60,) * 2)
    assert rate.look(named(other), 1001.0) is None


@pytest.mark.parametrize(
    "frame_log",
    [
        None,
        {},
        {"path": "gone.csv", "spec": {"path": "gone.csv", "options": {"interval_column": "dt"}}},
        {"path": "LOG", "spec": {"path": "x", "reader": "other", "options": {}}},
        {"path": "LOG", "spec": {"path": "x", "options": {"interval_column": "elsewhere"}}},
        {"path": "LOG", "spec": {"path": "x", "options": {"unit": "fortnight"}}},
        {"path": "LOG", "spec": 7},
    ],
)
def test_a_log_that_is_not_there_or_not_as_mapped_has_no_rate(
    log: Path, frame_log: dict[str, Any] | None
) -> None:
    if frame_log and frame_log.get("path") == "LOG":
        frame_log = {**frame_log, "path": str(log)}
    assert RunningRate().look(frame_log, 1000.0) is None


def test_the_beacon_names_the_log_so_that_another_process_finds_it(
    night: Any, log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(log.parent)
    spec = FrameLogSpec.model_validate({"path": "*.csv", "interval_column": "dt", "unit": "ms"})
    source = FrameLogSource(Path("log.csv"), spec)
    progress = Progress(Phase.MEASURE, "a.b.c", 1, 1, 0, 1, 4.0, 3.0, None, {}, frame_log=source)
    Beacon(night.folder, Silent()).on_progress(progress)
    monkeypatch.chdir("/")
    live = read_now(night.folder, utc_now(), RunningRate(), 1000.0)
    assert live is not None
    assert live["running_fps"] == pytest.approx(100)
    assert "frame_log" not in live, "the page is not told where files lie"


def test_without_a_log_to_look_at_there_is_no_frame_rate_at_all(night: Any) -> None:
    live = read_now(night.folder, utc_now(), RunningRate(), 1000.0)
    assert live is not None
    assert "running_fps" not in live


def test_status_tells_what_runs_now_on_lines_that_fit_a_terminal(
    night: Any, log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    night.store.heartbeat(utc_now())
    many = {"core_temp_c": 71.2, "cpu_temp_c": 60.0, "power_w": 301.0, "core_clock_mhz": 2610.0}
    night.tell(readings={**many, "gpu_load_pct": 98.0, "cpu_load_pct": 30.0}, frame_log=named(log))
    assert main(["status", str(night.folder)]) == 0
    shown = capsys.readouterr().out
    assert "glass-canyon.default.quiet  repeat 1  cooldown 42 s, 1 min 35 s left" in shown
    assert "core 71 °C   processor 60 °C   power 301 W   frame rate 100.0 FPS" in shown
    now = {"phase": "measure", "phase_s": 1.0, "phase_left_s": None, "cell_id": None, "readings": many}
    assert all(len(line) <= 80 for line in now_lines({**now, "running_fps": 118.25}, 80))
