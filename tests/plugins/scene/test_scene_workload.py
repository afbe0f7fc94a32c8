from __future__ import annotations

import csv
import io
import itertools
import os
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import psutil
import pytest
from pydantic import ValidationError

from harness.clock import SystemClock
from harness.plan.schema import Cell, ProfileSpec, SettingSpec, TitleSpec
from harness.plugins import PluginHost
from harness.rig import Launch
from harness_plugins import columns
from harness_plugins.scene.__main__ import _draw
from harness_plugins.scene.drawn import Drawn
from harness_plugins.scene.options import SceneOptions, course_factor
from harness_plugins.scene.workload import SceneWorkload
from tests.waiting import poll_until

SMALL = {"scene": "slow-tide", "resolution": "64x36"}


def workload_of(folder: Path, options: dict[str, Any], **launch: Any) -> SceneWorkload:
    cell = Cell(
        cell_id="slow-tide.small.factory",
        title=TitleSpec(name="slow-tide", workload="scene"),
        setting=SettingSpec(name="small"),
        profile=ProfileSpec(name="factory"),
        workload_options=options,
        definition_hash="x",
    )
    workload = SceneWorkload(cell, SystemClock())
    workload.start(Launch(cell=cell, work_folder=folder, output_path=folder / "output.log", **launch))
    return workload


def test_a_scene_ends_after_its_frames_and_its_log_is_read_on_the_rigs_clock(tmp_path: Path) -> None:
    before_s = SystemClock().now_s()
    workload = workload_of(tmp_path, {**SMALL, "frames": 40, "frames_per_pass": 15})
    state = poll_until(workload, lambda s: not s.running)
    after_s = SystemClock().now_s()
    workload.stop(1.0)
    assert (state.finished, state.ready, state.passes, state.failure) == (True, True, 2, None)
    source = workload.frame_log()
    assert source is not None
    log = PluginHost({"columns": columns}).manager.hook.read_frame_log(source=source)
    assert (log.clock, log.rows_read, log.frames.num_rows, dict(log.dropped)) == ("rig", 40, 40, {})
    t_s = log.frames["t_s"].to_pylist()
    assert before_s < t_s[0] < t_s[-1] < after_s
    interval_s = sum(log.frames["frametime_ms"].to_pylist()[1:]) / 1e3
    assert interval_s == pytest.approx(t_s[-1] - t_s[0], abs=1e-5)


def test_a_scene_runs_until_it_is_stopped_and_then_ends_by_itself(tmp_path: Path) -> None:
    workload = workload_of(tmp_path, dict(SMALL))
    poll_until(workload, lambda s: s.ready)
    source = workload.growing_log()
    assert source is not None
    assert source.path.is_file(), "it can be looked at while it grows"
    assert workload.poll().running
    workload.stop(10.0)
    state = workload.poll()
    assert (state.running, state.finished, state.exit_code, state.failure) == (False, True, 0, None)
    with (tmp_path / "frames.csv").open() as file:
        assert next(csv.reader(file)) == ["frame", "pass", "end_s", "frametime_ms", "gpu_ms"]


@pytest.mark.skipif(sys.platform == "win32", reason="a signal to one process is POSIX")
def test_a_scene_that_is_asked_to_end_by_the_system_writes_its_whole_log(tmp_path: Path) -> None:
    words = ["--scene", "slow-tide", "--resolution", "64x36"]
    scene = subprocess.Popen(
        [sys.executable, "-u", "-m", "harness_plugins.scene", *words],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert scene.stdout is not None
    assert scene.stdout.readline().startswith("ready")
    time.sleep(0.2)
    scene.terminate()
    last = scene.stdout.read().splitlines()[-1]
    scene.stdout.close()
    assert scene.wait() == 0
    with (tmp_path / "frames.csv").open() as file:
        assert last.startswith(f"done {len(list(csv.DictReader(file)))} frames")


def test_a_scene_whose_harness_was_killed_ends_too(tmp_path: Path) -> None:
    program = (
        "import sys; sys.path.insert(0, 'tests/plugins/scene')\n"
        "from pathlib import Path\n"
        "import test_scene_workload as t, time\n"
        f"w = t.workload_of(Path({str(tmp_path)!r}), dict(t.SMALL))\n"
        "t.poll_until(w, lambda s: s.ready); print(w.process_id(), flush=True); time.sleep(600)"
    )
    root = Path(__file__).parents[3]
    harness = subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, cwd=root)
    assert harness.stdout is not None
    scene = psutil.Process(int(harness.stdout.readline()))
    harness.kill()
    harness.wait()
    harness.stdout.close()
    end_s = time.monotonic() + 10
    while scene.is_running() and scene.status() != psutil.STATUS_ZOMBIE and time.monotonic() < end_s:
        time.sleep(0.05)
    assert not scene.is_running() or scene.status() == psutil.STATUS_ZOMBIE


def test_a_profiles_threads_and_processors_reach_the_scene(tmp_path: Path) -> None:
    workload = workload_of(tmp_path, {**SMALL, "threads": 4}, thread_count=2, affinity=(0,), priority="low")
    poll_until(workload, lambda s: s.ready)
    process = psutil.Process(workload.process_id())
    if hasattr(process, "cpu_affinity"):
        assert process.cpu_affinity() == [0]
    assert process.nice() == (psutil.IDLE_PRIORITY_CLASS if sys.platform == "win32" else 15)
    workload.stop(10.0)
    assert "ready slow-tide 64x36 on 2 threads" in (tmp_path / "output.log").read_text()


def test_a_scene_that_was_killed_is_a_failure_with_its_exit_code(tmp_path: Path) -> None:
    workload = workload_of(tmp_path, dict(SMALL))
    poll_until(workload, lambda s: s.ready)
    psutil.Process(workload.process_id()).kill()
    state = poll_until(workload, lambda s: not s.running)
    workload.stop(0.0)
    assert not state.finished
    assert state.failure is not None
    assert "exit code" in state.failure


def last_pictures(folder: Path, scene: str, threads: int) -> list[str]:
    words = ["--scene", scene, "--resolution", "400x300", "--frames", "17", "--frames-per-pass", "8"]
    done = subprocess.run(
        [sys.executable, "-m", "harness_plugins.scene", *words, "--threads", str(threads)],
        cwd=folder,
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    return [line.split()[-1] for line in done.stdout.splitlines() if line.startswith("pass ")]


@pytest.mark.parametrize("scene", ["tarn-ridge", "ember-swarm", "slow-tide"])
def test_the_same_frame_is_the_same_picture_in_every_pass_and_on_any_number_of_threads(
    scene: str, tmp_path: Path
) -> None:
    one, three = last_pictures(tmp_path, scene, 1), last_pictures(tmp_path, scene, 3)
    assert len(one) == 2
    assert {*one, *three} == {one[0]}


def test_the_scenes_differ_from_frame_to_frame_and_fill_the_picture() -> None:
    from harness_plugins.scene.cpu import Crew, make_scene

    for name in ("tarn-ridge", "ember-swarm", "slow-tide"):
        scene = make_scene(name, 96, 54, Crew(1))  # type: ignore[arg-type]
        scene.prepare()
        scene.draw(0, 1.0)
        first = scene.picture().copy()
        for frame in range(1, 12):
            scene.draw(frame, 1.0)
        second = scene.picture()
        assert first.shape == second.shape == (54, 96)
        assert (first != second).mean() > 0.01
        assert second.std() > 1


def test_a_frame_rate_cap_holds(tmp_path: Path) -> None:
    workload = workload_of(tmp_path, {**SMALL, "frame_cap_fps": 50, "frames": 30})
    poll_until(workload, lambda s: not s.running)
    workload.stop(1.0)
    with (tmp_path / "frames.csv").open() as file:
        ends_s = [float(row["end_s"]) for row in csv.DictReader(file)]
    assert ends_s[-1] - ends_s[0] >= 29 / 50 - 0.021  # a first frame may itself be late by up to its length


def test_the_changing_course_steps_through_its_loads_at_known_frames() -> None:
    assert [course_factor("changing", frame) for frame in (0, 119, 120, 240, 360, 480)] == [
        1.0, 1.0, 0.4, 1.6, 0.7, 1.0,
    ]  # fmt: skip
    assert course_factor("steady", 500) == 1.0
    assert course_factor("warm", 500) == 1.5


@pytest.mark.parametrize(
    ("key", "value", "message"),
    [
        ("resolution", "huge", "no resolution"),
        ("resolution", "10x10", "between 32 and 16384"),
        ("scene", "moon", "tarn-ridge"),
        ("load", 0, "greater than 0"),
    ],
)
def test_wrong_options_are_refused_with_their_reason(key: str, value: object, message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        SceneOptions.model_validate({**SMALL, key: value})


class BegunBefore:
    """A renderer a frame ahead: the first frame that it hands back was drawn before the loop began."""

    def __init__(self) -> None:
        self._ends_s = itertools.chain(
            [time.perf_counter() - 1.0], itertools.count(time.perf_counter(), 0.01)
        )

    def describe(self) -> str:
        return "begun before"

    def prepare(self) -> None: ...

    def draw(self, frame: int, load: float) -> Drawn:
        return Drawn(next(self._ends_s), None)

    def fingerprint(self) -> str | None:
        return None


def test_no_frame_takes_less_than_nothing_where_one_was_drawn_before_the_first():
    log = io.StringIO()
    _draw(BegunBefore(), SceneOptions(scene="slow-tide", frames=3), log, threading.Event())
    rows = [line.split(",") for line in log.getvalue().splitlines()]
    assert [float(row[3]) for row in rows] == pytest.approx([1000.0, 10.0, 10.0], abs=0.1)
