"""A title with steps as one workload, on a desk in memory: when it is left step by step, and when at once."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from harness.clock import SystemClock
from harness.errors import StepFailed
from harness.plan.cells import expand
from harness.plan.load import parse_plan
from harness.plugins import PluginHost
from harness.rig import Launch, stages_over
from harness.steps.desk import Window
from harness.steps.stepped import Stepped
from harness_plugins.command.workload import CommandWorkload
from tests.steps.desks import FakeDesk
from tests.waiting import poll_until

HOST = PluginHost()
PLAN = """
[plan]
question = "Is it as fast?"
repeats = 2
reference = "factory"
[[profiles]]
name = "factory"
[[titles]]
name = "pebble"
workload = "command"
command = ["{python}", "-uc", "import time; print('in game'); time.sleep(600)"]
without_frames = true
"""
Start = Callable[..., tuple[Stepped, FakeDesk]]


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    started: list[Stepped] = []

    def make(steps: str, measure_s: float | None = None) -> tuple[Stepped, FakeDesk]:
        window = "" if measure_s is None else f"measure_s = {measure_s}\n"
        (cell,) = expand(parse_plan(f"{PLAN}{window}steps = [{steps}]\n", "plan.toml", HOST.kinds))
        inner, desk = CommandWorkload(cell, SystemClock()), FakeDesk()
        workload = Stepped(inner, cell, SystemClock(), lambda: desk)
        (tmp_path / "work").mkdir(exist_ok=True)
        workload.start(Launch(cell, tmp_path / "work", tmp_path / "output.log"))
        started.append(workload)
        own = Window(1, "pebble", inner.process_id(), 0, 0, 90, 60)
        desk.shown.append((own, np.zeros((60, 90, 3), np.uint8)))
        return workload, desk

    yield make
    for workload in started:
        workload.stop(0.0)


def keys(desk: FakeDesk) -> list[str]:
    return [one.removeprefix("key down ") for one in desk.done if one.startswith("key down")]


def begun(workload: Stepped) -> None:
    poll_until(workload, lambda s: s.ready)
    stages_over(workload)
    poll_until(workload, lambda s: s.begin_s is not None)


LEAVES = "{ line = 'in game' }, { begin = true }, { end = true }, { press = 'q' }, { leave = 'end' }"


def test_a_measured_title_is_left_step_by_step(start: Start):
    workload, desk = start(LEAVES)
    begun(workload)
    state = poll_until(workload, lambda s: s.finished)
    assert state.end_s is not None
    assert keys(desk) == []
    workload.stop(5.0)
    assert keys(desk) == ["q"]
    assert not workload.poll().running


def test_a_title_that_is_stopped_inside_its_window_is_ended_at_once(start: Start):
    workload, desk = start(LEAVES, measure_s=600)
    begun(workload)
    began_s = time.monotonic()
    workload.stop(5.0)
    assert keys(desk) == []
    assert time.monotonic() - began_s < 8
    assert not workload.poll().running


def test_the_window_does_not_begin_before_the_stages_are_over(start: Start):
    workload, _ = start(LEAVES)
    poll_until(workload, lambda s: s.ready)
    time.sleep(0.3)
    assert workload.poll().begin_s is None


def test_a_step_that_fails_raises_its_reason(start: Start):
    workload, _ = start("{ line = 'never said', within_s = 0.5 }, { begin = true }")
    with pytest.raises(StepFailed, match=r"step 1 of 2 \(wait for the line 'never said'\): it did not come"):
        poll_until(workload, lambda s: s.ready)


def test_a_title_that_can_not_be_left_as_planned_is_marked_and_ended(start: Start):
    leaves = "{ begin = true }, { end = true }, { leave = 'menu', within_s = 0.5 }"
    workload, _ = start(leaves)
    begun(workload)
    poll_until(workload, lambda s: s.finished)
    workload.stop(5.0)
    state = workload.poll()
    assert not state.running
    assert any(mark.startswith("not-left-as-planned: step 3 of 3") for mark in state.remarks)
