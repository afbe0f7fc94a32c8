"""Companions of a title, as real processes: start, readiness, end, log, what becomes of one that fails."""

from __future__ import annotations

import gzip
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import psutil
import pytest

from harness.clock import SystemClock
from harness.companions import Accompanied
from harness.engine.campaign import run_campaign
from harness.engine.progress import Silent, StopSignal
from harness.errors import CompanionFailed, FrameLogError, PlanError
from harness.plan.cells import expand
from harness.plan.load import parse_plan
from harness.plan.schema import Cell, Plan
from harness.plugins import PluginHost, PluginRig
from harness.processes import own_processes
from harness.rig import Launch
from harness_plugins.command.workload import CommandWorkload
from tests.waiting import poll_until

HOST = PluginHost()
#: A title that says when it is ready and runs until it is ended.
TITLE = "import time; print('in game', flush=True); time.sleep(600)"
SLEEPS = "import time; print('recording', flush=True); time.sleep(600)"

HEAD = """
[plan]
question = "Is it as fast?"
repeats = 1
reference = "factory"
[conditions]
cooldown = { seconds = 0 }
warm_up = { seconds = 0 }
[retries]
attempts_per_repeat = 1
[checks]
mark_only = ["foreign-cpu-load"]
[[profiles]]
name = "factory"
control = "processor"
"""


def words(program: str, *more: str) -> str:
    return str(["{python}", "-u", "-c", program, *more]).replace("\\n", "\n").replace("'", '"')


def plan_of(
    tmp_path: Path, companions: str, title: str = TITLE, frame_log: str = "", measure_s: float = 2
) -> Plan:
    (tmp_path / "title.py").write_text(title)
    text = f"""{HEAD}
[[titles]]
name = "harbour-lights"
workload = "command"
command = ["{{python}}", "-u", '{tmp_path / "title.py"}']
ready_line = "in game"
measure_s = {measure_s}
{frame_log}
{companions}
"""
    return parse_plan(text, "plan.toml", HOST.kinds)


def companion(tmp_path: Path, program: str, name: str = "logger", **keys: Any) -> str:
    path = tmp_path / f"{name}.py"
    path.write_text(program)
    shown = {True: "true", False: "false"}
    lines = [
        f"{key} = {shown.get(value, value) if isinstance(value, bool | int | float) else repr(value)}"
        for key, value in keys.items()
    ]
    keys_text = "\n".join(lines)
    return f"""
[[titles.companions]]
name = "{name}"
command = ["{{python}}", "-u", '{path}', "{{work_folder}}"]
{keys_text}
"""


def only_cell(plan: Plan) -> Cell:
    (cell,) = expand(plan)
    return cell


Start = Callable[[Plan], Accompanied]


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    started: list[Accompanied] = []

    def make(plan: Plan) -> Accompanied:
        cell = only_cell(plan)
        workload = Accompanied(CommandWorkload(cell, SystemClock()), cell, SystemClock())
        started.append(workload)
        (tmp_path / "work").mkdir(exist_ok=True)
        workload.start(Launch(cell, tmp_path / "work", tmp_path / "output.log"))
        return workload

    yield make
    for workload in started:
        workload.stop(0.0)


def alive_with(text: str) -> list[int]:
    return [
        process.pid
        for process in psutil.process_iter(["cmdline", "status"])
        if process.info["status"] != psutil.STATUS_ZOMBIE and text in " ".join(process.info["cmdline"] or [])
    ]


def test_one_before_the_title_is_ready_before_the_title_is_started(start: Start, tmp_path: Path):
    program = (
        "import time, pathlib, sys\ntime.sleep(0.7)\n"
        "pathlib.Path(sys.argv[1], 'ready').write_text(str(time.time()))\n"
        "print('recording'); time.sleep(600)"
    )
    title = (
        "import time, pathlib\npathlib.Path('title').write_text(str(time.time()))\n"
        "print('in game'); time.sleep(600)"
    )
    plan = plan_of(tmp_path, companion(tmp_path, program, ready_line="^recording"), title)
    workload = start(plan)
    assert workload.process_id() is None
    assert not workload.poll().ready
    poll_until(workload, lambda s: s.ready)
    work = tmp_path / "work"
    assert float((work / "ready").read_text()) < float((work / "title").read_text())
    assert "recording" in (tmp_path / "output.logger.log").read_text()


def test_one_that_starts_with_the_ready_title_is_told_its_process_and_is_waited_for(
    start: Start, tmp_path: Path
):
    program = "import sys, time\nprint('attached to', sys.argv[2]); time.sleep(600)"
    text = companion(tmp_path, program, starts="when-ready", ready_line="attached").replace(
        '"{work_folder}"]', '"{work_folder}", "{process_id}"]'
    )
    workload = start(plan_of(tmp_path, text))
    state = poll_until(workload, lambda s: s.ready)
    assert state.running
    assert f"attached to {workload.process_id()}" in (tmp_path / "output.logger.log").read_text()


def test_companions_count_as_the_harness_s_own_processes(start: Start, tmp_path: Path):
    workload = start(plan_of(tmp_path, companion(tmp_path, SLEEPS)))
    poll_until(workload, lambda s: s.ready)
    (pid,) = alive_with(str(tmp_path / "logger.py"))
    assert pid in {process.pid for process in own_processes()}


@pytest.mark.parametrize(
    ("program", "keys", "said"),
    [
        ("print('no disk'); raise SystemExit(3)", {}, ["exit code 3", "no disk"]),
        ("import time; print('hm'); time.sleep(600)", {"ready_line": "recording", "ready_within_s": 0.5},
         ["'recording'", "0.5 s", "hm", "ready_within_s"]),
        ("import sys, time; sys.stdout.buffer.write(b'\\xff\\xfe bad\\n'); sys.stdout.flush(); sys.exit(1)",
         {}, ["exit code 1", "bad"]),
    ],
)  # fmt: skip
def test_one_that_fails_is_a_finding_with_its_reason(
    start: Start, tmp_path: Path, program: str, keys: dict[str, Any], said: list[str]
):
    workload = start(plan_of(tmp_path, companion(tmp_path, program, **keys)))
    with pytest.raises(CompanionFailed) as caught:
        poll_until(workload, lambda s: False)
    for part in ("companion logger", *said):
        assert part in str(caught.value)
    assert not caught.value.permanent


def test_a_program_that_is_not_there_can_t_change_by_itself(start: Start, tmp_path: Path):
    plan = plan_of(
        tmp_path, "\n[[titles.companions]]\nname = 'logger'\ncommand = ['no-such-frame-logger-here']\n"
    )
    with pytest.raises(CompanionFailed, match="companion logger: there is no program") as caught:
        start(plan)
    assert caught.value.permanent


def test_one_that_need_not_live_may_end_and_a_bad_end_is_a_remark(start: Start, tmp_path: Path):
    both = companion(tmp_path, "print('set up')", "setup", must_live=False) + companion(
        tmp_path, "raise SystemExit(4)", "other", must_live=False
    )
    workload = start(plan_of(tmp_path, both))
    state = poll_until(workload, lambda s: bool(s.remarks))
    assert state.failure is None
    assert state.running
    assert ["companion: other: it ended by itself with exit code 4" in one for one in state.remarks] == [True]


@pytest.mark.skipif(sys.platform == "win32", reason="forks")
def test_one_that_forks_away_lives_on_and_is_ended_with_the_title(start: Start, tmp_path: Path):
    program = (
        "import os, sys, time\n"
        "if os.fork(): os._exit(0)\n"
        "os.setsid()\n"
        "if os.fork(): os._exit(0)\n"
        "open(sys.argv[1] + '/forked', 'w').write(str(os.getpid()))\n"
        "time.sleep(600)"
    )
    workload = start(plan_of(tmp_path, companion(tmp_path, program)))
    poll_until(workload, lambda s: s.ready and (tmp_path / "work" / "forked").exists())
    time.sleep(1.5)
    state = workload.poll()
    assert (state.running, state.failure) == (True, None)
    workload.stop(5.0)
    assert alive_with(str(tmp_path / "logger.py")) == []


@pytest.mark.skipif(sys.platform == "win32", reason="signals are POSIX")
@pytest.mark.parametrize(
    ("program", "keys"),
    [
        ("import signal, sys\n"
         "def end(*_): open(sys.argv[1] + '/told', 'w').write('SIGTERM'); sys.exit(0)\n"
         "signal.signal(signal.SIGTERM, end); print('up'); signal.pause()", {"end": "ask"}),
        ("import sys, time\nprint('up')\ntry: time.sleep(600)\n"
         "except KeyboardInterrupt: open(sys.argv[1] + '/told', 'w').write('SIGINT')", {"end": "interrupt"}),
        ("import sys\nprint('up'); sys.stdin.read(); open(sys.argv[1] + '/told', 'w').write('input')",
         {"end": "input"}),
        ("import sys, time, os\nprint('up')\n"
         "while not os.path.exists(sys.argv[1] + '/stop'): time.sleep(0.05)\n"
         "open(sys.argv[1] + '/told', 'w').write('stop')",
         {"end_command": ["{python}", "-c", "open('stop', 'w').close()"]}),
    ],
    ids=["ask", "interrupt", "input", "end_command"],
)  # fmt: skip
def test_each_way_to_end_one_lets_it_write_its_last_words(
    start: Start, tmp_path: Path, program: str, keys: dict[str, Any]
):
    workload = start(plan_of(tmp_path, companion(tmp_path, program, ready_line="up", **keys)))
    poll_until(workload, lambda s: s.ready)
    workload.stop(5.0)
    assert (tmp_path / "work" / "told").exists()
    assert workload.poll().remarks == ()
    assert alive_with(str(tmp_path / "logger.py")) == []


def test_one_that_ignores_its_end_is_killed_in_time_and_told(start: Start, tmp_path: Path):
    program = (
        "import signal, time\nsignal.signal(signal.SIGTERM, signal.SIG_IGN); print('up')\n"
        "while 1: time.sleep(9)"
    )
    workload = start(plan_of(tmp_path, companion(tmp_path, program, ready_line="up", end_within_s=0.5)))
    poll_until(workload, lambda s: s.ready)
    workload.stop(2.0)
    (remark,) = workload.poll().remarks
    assert remark == "companion: logger: it did not end within 0.5 s and was killed"
    assert alive_with(str(tmp_path / "logger.py")) == []


FRAMES = (
    "import sys, time\n"
    "log = open(sys.argv[1] + '/{name}', 'w'); log.write('dt\\n'); log.flush()\n"
    "print('recording', flush=True)\n"
    "while True:\n"
    "    log.write('%.3f\\n' % (9.5 + time.monotonic() % 1)); log.flush(); time.sleep(0.01)\n"
)


def test_the_log_of_a_companion_is_the_title_s_frame_log(start: Start, tmp_path: Path):
    log = 'frame_log = { companion = "logger", path = "20*.csv", interval_column = "dt" }'
    text = companion(tmp_path, FRAMES.replace("{name}", "2031-03-09.csv"), ready_line="recording")
    workload = start(plan_of(tmp_path, text, frame_log=log))
    poll_until(workload, lambda s: s.ready)
    growing = workload.growing_log()
    assert growing is not None
    assert growing.path.name == "2031-03-09.csv"
    workload.stop(5.0)
    source = workload.frame_log()
    assert source is not None
    assert source.path.name == "2031-03-09.csv"


def test_a_companion_that_wrote_no_log_is_told_with_what_is_there(start: Start, tmp_path: Path):
    log = 'frame_log = { companion = "logger", path = "shown.csv", interval_column = "dt" }'
    workload = start(plan_of(tmp_path, companion(tmp_path, SLEEPS), frame_log=log))
    poll_until(workload, lambda s: s.ready)
    workload.stop(5.0)
    with pytest.raises(FrameLogError, match=r"companion logger wrote no file .*'shown.csv'.*there: nothing"):
        workload.frame_log()


def test_a_whole_attempt_keeps_a_companion_s_log_output_and_file(tmp_path: Path):
    program = FRAMES.replace("{name}", "shown.csv").replace(
        "import sys, time\n", "import sys, time\nopen(sys.argv[1] + '/notes.txt', 'w').write('all well')\n"
    )
    log = 'frame_log = { companion = "logger", path = "shown.csv", interval_column = "dt" }'
    text = companion(tmp_path, program, ready_line="recording", file="notes*.txt")
    plan = plan_of(tmp_path, text, frame_log=log)
    folder = tmp_path / "night"
    result = run_campaign(
        plan=plan,
        plan_text="",
        plan_source="plan.toml",
        rig=PluginRig(HOST, plan),
        folder=folder,
        observer=Silent(),
        stop=StopSignal(),
    )
    (attempt,) = (folder / "attempts").glob("*/*")
    kept = {path.name for path in attempt.iterdir()}
    assert {"output.log.gz", "output.logger.log.gz", "companion.logger.txt.gz", "frame-log.csv.gz"} <= kept
    assert gzip.decompress((attempt / "companion.logger.txt.gz").read_bytes()) == b"all well"
    assert (result.accepted, result.exit_code) == (1, 0)
    assert alive_with(str(tmp_path / "logger.py")) == []


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL is POSIX")
def test_companions_end_with_a_harness_that_was_killed(tmp_path: Path):
    ours = (
        "import sys, time\nfrom pathlib import Path\nsys.path.insert(0, sys.argv[1])\n"
        "from test_companions import *\n"
        "folder = Path(sys.argv[2])\n"
        "plan = plan_of(folder, companion(folder, SLEEPS, ready_line='recording'))\n"
        "cell = only_cell(plan)\n"
        "one = Accompanied(CommandWorkload(cell, SystemClock()), cell, SystemClock())\n"
        "(folder / 'work').mkdir()\n"
        "one.start(Launch(cell, folder / 'work', folder / 'output.log'))\n"
        "poll_until(one, lambda s: s.ready)\n"
        "print('up', flush=True); time.sleep(600)\n"
    )
    harness = psutil.Popen([sys.executable, "-c", ours, str(Path(__file__).parent), str(tmp_path)], stdout=-1)
    assert any(line == b"up\n" for line in harness.stdout)
    assert len(alive_with(str(tmp_path / "logger.py"))) == 1
    os.kill(harness.pid, signal.SIGKILL)
    harness.wait()
    harness.stdout.close()
    end_s = time.monotonic() + 30
    while alive_with(str(tmp_path / "logger.py")) and time.monotonic() < end_s:
        time.sleep(0.1)
    assert alive_with(str(tmp_path / "logger.py")) == []
    assert alive_with(str(tmp_path / "title.py")) == []


def test_what_a_companion_runs_bears_and_how_it_is_ended_does_not(tmp_path: Path):
    plain = only_cell(plan_of(tmp_path, "")).definition_hash
    one = only_cell(plan_of(tmp_path, companion(tmp_path, SLEEPS))).definition_hash
    ended = only_cell(plan_of(tmp_path, companion(tmp_path, SLEEPS, end="interrupt", end_within_s=3)))
    later = only_cell(plan_of(tmp_path, companion(tmp_path, SLEEPS, starts="with")))
    assert plain != one
    assert ended.definition_hash == one
    assert later.definition_hash != one


@pytest.mark.parametrize(
    ("keys", "frame_log", "said"),
    [
        ("starts = 'after'", "", "choose one of: before, when-ready, with"),
        ("file = '{work_foldr}/x'", "", "did you mean 'work_folder'?"),
        ("working_folder = '{process_id}'", "", 'set starts = "with" or "when-ready"'),
        ("end = 'input'\nend_command = ['x']", "", "leave one of them out"),
        ("ready_lin = 'x'", "", "did you mean 'ready_line'?"),
        ("", 'frame_log = { companion = "loger", path = "x.csv", interval_column = "dt" }',
         "did you mean 'logger'?"),
        ("[[titles.companions]]\nname = 'logger'\ncommand = ['x']", "", "a second companion named 'logger'"),
    ],
)  # fmt: skip
def test_a_mistake_in_a_companion_is_told_with_the_nearest_remedy(
    tmp_path: Path, keys: str, frame_log: str, said: str
):
    text = f"\n[[titles.companions]]\nname = 'logger'\ncommand = ['x']\n{keys}\n"
    with pytest.raises(PlanError) as caught:
        plan_of(tmp_path, text, frame_log=frame_log)
    assert said in str(caught.value)
