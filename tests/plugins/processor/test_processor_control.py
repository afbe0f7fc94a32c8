from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psutil
import pytest

from harness.clock import SystemClock
from harness.errors import ControlRefused
from harness.plan.schema import Cell, ProfileSpec, SettingSpec, TitleSpec
from harness.processes import TitleProcess
from harness.rig import Launch
from harness_plugins.factory.control import FactoryControl
from harness_plugins.processor.control import ProcessorControl, allowed_processors

can_bind = pytest.mark.skipif(not hasattr(psutil.Process, "cpu_affinity"), reason="no affinity here")
ALLOWED = allowed_processors() or [0]


def profile_of(**options: Any) -> ProfileSpec:
    return ProfileSpec.model_validate({"name": "half", "control": "processor", **options})


def launch_of(folder: Path) -> Launch:
    cell = Cell(
        cell_id="a.b.half",
        title=TitleSpec(name="a", workload="command"),
        setting=SettingSpec(name="b"),
        profile=profile_of(),
        workload_options={},
        definition_hash="x",
    )
    return Launch(cell=cell, work_folder=folder, output_path=folder / "output.log")


def started(launch: Launch) -> TitleProcess:
    return TitleProcess(
        [sys.executable, "-c", "import time; time.sleep(600)"],
        SystemClock(),
        cwd=launch.work_folder,
        output_path=launch.output_path,
        affinity=launch.affinity,
        priority=launch.priority,
    )


@pytest.fixture
def ended() -> Iterator[list[TitleProcess]]:
    processes: list[TitleProcess] = []
    yield processes
    for process in processes:
        process.end(0)


@can_bind
def test_a_profile_holds_for_the_process_that_is_launched_under_it(
    tmp_path: Path, ended: list[TitleProcess]
) -> None:
    control, profile = ProcessorControl(), profile_of(affinity=[ALLOWED[0]], thread_count=1, priority="low")
    assert control.check(profile) == []
    control.apply(profile)
    assert control.read_back(profile)["processors"] == [ALLOWED[0]]
    launch = control.adapt_launch(profile, launch_of(tmp_path))
    assert launch.thread_count == 1
    title = started(launch)
    ended.append(title)
    assert control.verify_under_load(profile, {}, title.pid) == []


@can_bind
@pytest.mark.skipif(len(ALLOWED) < 2, reason="needs two processors")
def test_an_affinity_that_something_changed_after_the_launch_is_found(
    tmp_path: Path, ended: list[TitleProcess]
) -> None:
    control, profile = ProcessorControl(), profile_of(affinity=[ALLOWED[0]])
    title = started(control.adapt_launch(profile, launch_of(tmp_path)))
    ended.append(title)
    psutil.Process(title.pid).cpu_affinity(ALLOWED)
    (sentence,) = control.verify_under_load(profile, {}, title.pid)
    assert f"may use processors {ALLOWED}" in sentence


@pytest.mark.skipif(sys.platform == "win32", reason="niceness is POSIX")
def test_a_priority_that_something_changed_after_the_launch_is_found(
    tmp_path: Path, ended: list[TitleProcess]
) -> None:
    control, profile = ProcessorControl(), profile_of(priority="below-normal")
    title = started(control.adapt_launch(profile, launch_of(tmp_path)))
    ended.append(title)
    psutil.Process(title.pid).nice(12)
    (sentence,) = control.verify_under_load(profile, {}, title.pid)
    assert "priority 12, not at 5" in sentence


def test_an_empty_profile_leaves_the_launch_as_it_is(tmp_path: Path) -> None:
    launch = launch_of(tmp_path)
    assert ProcessorControl().adapt_launch(profile_of(), launch) == launch


@can_bind
def test_a_processor_that_is_not_there_is_refused_with_those_that_are() -> None:
    (problem,) = ProcessorControl().check(profile_of(affinity=[ALLOWED[0], 9999]))
    assert "[9999]" in problem.what
    assert str(ALLOWED) in problem.remedy
    with pytest.raises(ControlRefused, match="9999"):
        ProcessorControl().apply(profile_of(affinity=[9999]))


@pytest.mark.skipif(sys.platform == "win32", reason="niceness is POSIX")
def test_a_priority_above_what_the_user_may_set_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    monkeypatch.setattr(psutil.Process, "rlimit", lambda self, resource: (0, 0), raising=False)
    (problem,) = ProcessorControl().check(profile_of(priority="high"))
    assert "nice limit of -10" in problem.remedy
    # getrlimit(2): the ceiling of the nice value is 20 - rlim_cur.
    monkeypatch.setattr(psutil.Process, "rlimit", lambda self, resource: (30, 30), raising=False)
    assert ProcessorControl().check(profile_of(priority="high")) == []


def test_a_title_that_ended_is_not_the_profiles_fault() -> None:
    title = psutil.Popen([sys.executable, "-c", ""])
    title.wait()
    time.sleep(0)
    assert ProcessorControl().verify_under_load(profile_of(priority="low"), {}, title.pid) == []


def test_factory_refuses_a_card_that_can_be_seen_to_differ() -> None:
    found = ["card 0: power limit is 250 W, factory 320 W"]
    control, profile = FactoryControl(lambda: found), ProfileSpec(name="factory")
    (problem,) = control.check(profile)
    assert problem.what == found[0]
    with pytest.raises(ControlRefused, match="250 W"):
        control.read_back(profile)
    assert control.verify_under_load(profile, {}, None) == found


def test_factory_reads_back_as_unchanged_where_nothing_differs(tmp_path: Path) -> None:
    control, profile = FactoryControl(list), ProfileSpec(name="factory")
    assert control.check(profile) == []
    assert control.read_back(profile) == {"changed": []}
    launch = launch_of(tmp_path)
    assert control.adapt_launch(profile, launch) is launch


def test_on_windows_only_processors_of_the_first_group_can_be_named(monkeypatch):
    class Spanning:
        def cpu_affinity(self):
            return []  # what psutil makes of the empty mask of a process in several groups

    monkeypatch.setattr("harness_plugins.processor.control.psutil.Process", Spanning)
    monkeypatch.setattr("harness_plugins.processor.control.psutil.cpu_count", lambda: 128)
    assert allowed_processors() == list(range(128))
    monkeypatch.setattr("sys.platform", "win32")
    assert allowed_processors() == list(range(64))
