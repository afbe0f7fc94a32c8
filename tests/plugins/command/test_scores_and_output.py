"""Which scores count, and output that a pipe would hold back."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from harness.clock import SystemClock
from harness.errors import PlanError, WorkloadFailed
from harness.plan.cells import expand
from harness.plan.load import parse_plan
from harness.plugins import PluginHost
from harness.rig import Launch, measured
from harness_plugins.command.options import CommandOptions
from harness_plugins.command.story import Story
from harness_plugins.command.workload import CommandWorkload
from tests.waiting import poll_until

HOST = PluginHost()
HEAD = """
[plan]
question = "Is it as fast?"
repeats = 2
reference = "factory"
[[profiles]]
name = "factory"
[[titles]]
name = "salt-road"
workload = "command"
"""

Start = Callable[..., CommandWorkload]


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    started: list[CommandWorkload] = []

    def make(program: str, **keys: Any) -> CommandWorkload:
        lines = [
            f"{key} = {str(value).lower() if value is True else repr(value)}" for key, value in keys.items()
        ]
        command = ["{python}", "-c", program]
        text = HEAD + f"command = {command!r}\n" + "\n".join(lines) + "\n"
        (cell,) = expand(parse_plan(text, "plan.toml", HOST.kinds))
        workload = CommandWorkload(cell, SystemClock())
        (tmp_path / "work").mkdir(exist_ok=True)
        workload.start(Launch(cell, tmp_path / "work", tmp_path / "output.log"))
        started.append(workload)
        return workload

    yield make
    for workload in started:
        workload.stop(0.0)


def story(**keys: Any) -> Story:
    return Story(CommandOptions(command=["x"], score_line="score ([0-9.]+)", **keys))


def scores(one: Story) -> list[str]:
    return [score.text for score in one.scores]


def test_a_score_in_the_line_that_says_ready_or_before_it_does_not_count():
    told = story(ready_line="ready")
    told.take(b"score 1\n", 0.0, 1.0)
    told.take(b"score 2\nready score 3\nscore 4\n", 1.0, 2.0)
    told.take(b"score 5 ready\n", 2.0, 3.0)
    assert scores(told) == ["4", "5"]


def test_without_a_ready_line_every_score_is_kept():
    told = story()
    told.take(b"score 1\nscore 2\n", 0.0, 1.0)
    assert scores(told) == ["1", "2"]


def workload_with(start: Start, score_of: str) -> CommandWorkload:
    """A title that gave 4 before its window, 10 and 20 inside, and 99 long after it."""
    workload = start(
        "import time; time.sleep(60)", score_line="score ([0-9.]+)", score_of=score_of, measure_s=5
    )
    begun_s = workload._started_s
    for score, at_s in ((4, 3), (10, 11), (20, 14), (99, 30)):
        workload._story.take(f"score {score}\n".encode(), begun_s + at_s, begun_s + at_s)
    measured(workload, begun_s + 10, begun_s + 15)
    return workload


@pytest.mark.parametrize(("score_of", "score"), [("last", 99), ("mean", 15), ("sum", 30)])
def test_the_scores_of_the_window_count(start: Start, score_of: str, score: float):
    assert workload_with(start, score_of).score() == score


def test_scores_before_the_window_alone_are_none(start: Start):
    workload = start("import time; time.sleep(60)", score_line="score ([0-9.]+)", measure_s=5)
    begun_s = workload._started_s
    workload._story.take(b"score 4\n", begun_s, begun_s + 1)
    measured(workload, begun_s + 10, begun_s + 15)
    with pytest.raises(WorkloadFailed, match=r"no line inside the window matched .* but 1 before its window"):
        workload.score()


def test_the_time_of_the_window_can_be_the_score(start: Start):
    workload = start("import time; time.sleep(60)", score_of="time")
    measured(workload, 100.0, 142.5)
    assert workload.score() == 42.5


def test_time_with_a_score_line_and_a_mean_without_one_are_refused():
    for keys in ('score_of = "time"\nscore_line = "score ([0-9.]+)"', 'score_of = "mean"'):
        with pytest.raises(PlanError, match="score_of"):
            parse_plan(f"{HEAD}command = ['x']\n{keys}\n", "plan.toml", HOST.kinds)


#: Python holds back what goes to a pipe, as most programs do, and writes line by line to a terminal.
HELD_BACK = (
    "import sys, time; print('is it a terminal?', sys.stdout.isatty()); print('in game'); time.sleep(60)"
)


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX terminals")
def test_output_to_a_terminal_of_its_own_comes_line_by_line(start: Start, tmp_path: Path):
    workload = start(HELD_BACK, ready_line="in game", terminal=True, measure_s=5, without_frames=True)
    state = poll_until(workload, lambda s: s.ready)
    assert state.said == "in game"
    workload.stop(1.0)
    assert (tmp_path / "output.log").read_bytes() == b"is it a terminal? True\nin game\n"


def test_a_program_that_ends_closes_its_terminal(start: Start):
    workload = start("print('done')", terminal=True, without_frames=True)
    state = poll_until(workload, lambda s: not s.running)
    assert (state.exit_code, state.finished) == (0, True)
