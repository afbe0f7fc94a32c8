"""A title of a plan is captured where it says so, and nothing else is touched."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest

from harness.capture import build, switch
from harness.capture.build import CannotBuild
from harness.capture.switch import FOLDER_VARIABLE, RingFolder, remove_left_behind, variables
from harness.capture.workload import Captured
from harness.clock import SystemClock
from harness.errors import FrameLogError, PlanError
from harness.plan.cells import expand
from harness.plan.load import parse_plan
from harness.plugins import PluginHost, PluginRig
from harness.rig import Launch
from harness_plugins.capture.needs import needs
from tests.capture.conftest import PROGRAMS, compiled, needs_compiler, until

HOST = PluginHost()
HEAD = """
[plan]
question = "Is it as fast?"
repeats = 3
reference = "factory"
[[profiles]]
name = "factory"
"""


def plan_of(words, frames='frames = "capture"', more=""):
    text = f"""{HEAD}
[[titles]]
name = "basalt-run"
workload = "command"
command = {[str(word) for word in words]}
measure_s = 1
{frames}
{more}
"""
    return parse_plan(text, "plan.toml", HOST.kinds)


@pytest.fixture
def cache(native, tmp_path, monkeypatch):
    """A cache of the test's own, with the library in it."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    build.folder().mkdir(parents=True)
    shutil.copy(native, build.folder())
    (build.folder() / "levelrig_capture.json").write_text("{}")
    assert build.built() == build.folder() / native.name


@pytest.fixture
def run(cache, tmp_path):
    """Runs a title to its end; gives its workload and its rig."""

    def whole(plan, cut_s=None):
        (cell,) = expand(plan)
        rig = PluginRig(HOST, plan)
        workload = rig.open_workload(cell)
        work = tmp_path / "work"
        work.mkdir()
        workload.start(Launch(cell, work, tmp_path / "output.log"))
        try:
            until(lambda: not workload.poll().running)
        finally:
            workload.stop(0.0)
        return workload, rig

    return whole


@needs_compiler
def test_a_title_s_frames_go_through_the_reader_of_all_frame_logs(run, swapper):
    workload, rig = run(plan_of(swapper("dlsym", 3000)))
    source = workload.frame_log()
    log = rig.read_frame_log(source)
    assert (source.path.name, log.frames.num_rows, log.clock) == ("presents.csv", 2999, "rig")
    assert list(Path("/dev/shm").glob(f"{switch._NAME}*{os.getpid()}*")) == []
    assert FOLDER_VARIABLE not in os.environ


@needs_compiler
def test_a_title_that_presents_nothing_is_an_error_that_says_why(run):
    workload, _ = run(plan_of(["true"]))
    with pytest.raises(FrameLogError, match="presented nothing that could be captured"):
        workload.frame_log()


@needs_compiler
def test_a_title_of_32_bit_is_named_as_unsupported(cache, tmp_path):
    program = tmp_path / "small"
    try:
        compiled(program, "-m32", "-nostdlib", "-static", str(PROGRAMS / "wait_32.s"))
        with subprocess.Popen([program]) as probe:
            probe.kill()
    except (subprocess.CalledProcessError, OSError):
        pytest.skip("no program of 32 bit can be made and run here")
    (cell,) = expand(plan := plan_of([program]))
    workload = PluginRig(HOST, plan).open_workload(cell)
    workload.start(Launch(cell, tmp_path, tmp_path / "output.log"))
    for _ in range(3):
        workload.poll()
        time.sleep(0.3)
    workload.stop(0.0)
    with pytest.raises(FrameLogError, match=f"{program} is a program of 32 bit"):
        workload.frame_log()


def test_a_title_that_is_not_captured_gets_nothing_of_it():
    for frames in ("score_line = '([0-9]+)'", 'frame_log = { path = "a.csv", interval_column = "ms" }'):
        plan = plan_of(["true"], frames)
        (cell,) = expand(plan)
        assert not isinstance(PluginRig(HOST, plan).open_workload(cell), Captured)


def test_a_setting_may_bring_a_log_of_its_own():
    more = (
        'settings = [{ name = "a" }, { name = "b", frame_log = { path = "a.csv", interval_column = "ms" } }]'
    )
    logs = [cell.title.frame_log.path for cell in expand(plan_of(["true"], more=more))]
    assert logs == ["presents.csv", "a.csv"]


def test_frames_come_from_one_place():
    with pytest.raises(PlanError, match="frames come from one place"):
        plan_of(["true"], 'frames = "capture"\nframe_log = { path = "a.csv", interval_column = "ms" }')
    with pytest.raises(PlanError, match="did you mean 'capture'"):
        plan_of(["true"], 'frames = "captured"')


def test_what_variables_hold_already_stays_in_force():
    before = {"LD_PRELOAD": "/a.so", "VK_INSTANCE_LAYERS": "VK_LAYER_a", "VK_LAYER_PATH": "/layers"}
    found = variables(Path("/c/lib.so"), Path("/rings"), before, display_times=False)
    assert found["LD_PRELOAD"] == "/c/lib.so:/a.so"
    assert found["VK_INSTANCE_LAYERS"] == f"VK_LAYER_a:{build.LAYER}"
    assert found["VK_LAYER_PATH"] == "/c:/layers"
    assert "VK_ADD_LAYER_PATH" not in found  # a path that is set overrides the added one


def test_a_title_s_own_environment_must_not_take_the_capture_s_variables(cache):
    plan = plan_of(["true"], more='environment = { LD_PRELOAD = "/a.so" }')
    (need,) = needs(plan)
    assert (need.state, need.path) == ("missing", ("titles", 0, "environment"))
    assert "LD_PRELOAD" in need.what


@pytest.mark.skipif(sys.platform != "linux", reason="the capture is for Linux")
def test_a_machine_without_a_compiler_is_told_what_to_install(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(CannotBuild, match="install a C compiler") as caught:
        build.library()
    assert caught.value.permanent
    (need,) = needs(plan_of(["true"]))
    assert (need.state, need.path) == ("missing", ("titles", 0, "frames"))


@pytest.mark.skipif(sys.platform != "linux", reason="the capture is for Linux")
def test_a_compiler_that_fails_is_seen_before_the_night(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("PATH", f"{tmp_path}:/usr/bin:/bin")
    (tmp_path / "cc").write_text("#!/bin/sh\necho stdio.h: No such file >&2; exit 1\n")
    (tmp_path / "cc").chmod(0o755)
    (need,) = needs(plan_of(["true"]))
    assert (need.state, need.path) == ("missing", ("titles", 0, "frames"))
    assert "headers seem to be missing" in need.what


@needs_compiler
def test_a_library_that_others_may_write_is_not_used(cache):
    build.folder().chmod(0o777)
    assert build.built() is None


@needs_compiler
def test_nothing_is_left_after_the_whole_run_is_killed(cache, swapper, tmp_path, monkeypatch):
    """The runner is killed: its title ends by the watch of titles, and the next capture removes its rings."""
    memory = tmp_path / "memory"  # its own: tests beside this one have rings too
    memory.mkdir()
    monkeypatch.setattr(switch, "_MEMORY", memory)
    program = f"""
from pathlib import Path
from harness.capture import switch
from harness.capture.one_program import capture_program
switch._MEMORY = Path({str(memory)!r})
capture_program({swapper("slow", 600_000)!r})
"""
    runner = subprocess.Popen([sys.executable, "-c", program])

    def titles():
        return [
            process
            for process in psutil.process_iter(["name", "status", "environ"])
            if process.info["name"] == "swapper"
            and process.info["status"] != psutil.STATUS_ZOMBIE
            and str(memory) in (process.info["environ"] or {}).get(switch.FOLDER_VARIABLE, "")
        ]

    until(lambda: any(memory.glob(f"{switch._NAME}*/*.ring")))
    mine = [path.parent for path in memory.glob(f"{switch._NAME}*/*.ring")]
    assert titles()
    assert not set(remove_left_behind(memory)) & set(mine)  # its maker lives
    runner.send_signal(signal.SIGKILL)
    runner.wait()
    until(lambda: not titles())
    RingFolder().remove()
    assert not [path for path in mine if path.exists()]
    clean = {name: text for name, text in os.environ.items() if name != "XDG_CACHE_HOME"}
    said = subprocess.run(swapper("dlsym", 5), env=clean, capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "5"


@needs_compiler
def test_a_program_that_is_not_named_is_never_touched(cache, swapper, tmp_path):
    """One that runs beside a captured title has neither its variables nor its library."""
    plan = plan_of(swapper("slow", 300))
    (cell,) = expand(plan)
    workload = PluginRig(HOST, plan, SystemClock()).open_workload(cell)
    workload.start(Launch(cell, tmp_path, tmp_path / "output.log"))
    beside = subprocess.Popen(swapper("slow", 300), stdout=subprocess.DEVNULL)
    try:
        for process_id, touched in ((beside.pid, False), (workload.process_id(), True)):
            until(lambda pid=process_id: "libstub" in Path(f"/proc/{pid}/maps").read_text())
            assert ("liblevelrig_capture" in Path(f"/proc/{process_id}/maps").read_text()) is touched
            environment = Path(f"/proc/{process_id}/environ").read_bytes()
            assert (FOLDER_VARIABLE.encode() in environment) is touched
        until(lambda: not workload.poll().running)
    finally:
        workload.stop(0.0)
        beside.wait(timeout=60)
    assert HOST.read_frame_log(workload.frame_log()).frames.num_rows == 299
