from __future__ import annotations

import shutil
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import psutil
import pytest
from pydantic import ValidationError

from harness.clock import SystemClock
from harness.errors import FrameLogError, WorkloadFailed
from harness.frames.align import align_by_markers
from harness.plan.placeholders import fill
from harness.plan.schema import Cell, FrameLogSpec, ProfileSpec, SettingSpec, TitleSpec
from harness.rig import Launch
from harness_plugins.command.options import CommandOptions
from harness_plugins.command.workload import CommandWorkload
from tests import waiting

poll_until = partial(waiting.poll_until, within_s=20.0)

Make = Callable[..., CommandWorkload]


def cell_of(options: dict[str, Any], frame_log: str | None = None) -> Cell:
    return Cell(
        cell_id="mill-race.low.factory",
        title=TitleSpec(
            name="mill-race",
            workload="command",
            measure_s=30,
            frame_log=FrameLogSpec(path=frame_log) if frame_log else None,
        ),
        setting=SettingSpec(name="low"),
        profile=ProfileSpec(name="factory"),
        workload_options=options,
        definition_hash="x",
    )


def launch_of(folder: Path, cell: Cell, **more: Any) -> Launch:
    work_folder = folder / "work"
    work_folder.mkdir(exist_ok=True)
    return Launch(cell=cell, work_folder=work_folder, output_path=folder / "output.log", **more)


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Make]:
    """Starts a Python program as a title; whatever happens, nothing of it is left at the end."""
    started: list[CommandWorkload] = []

    def make(
        program: str, frame_log: str | None = None, launch: dict[str, Any] | None = None, **more: Any
    ) -> Any:
        cell = cell_of({"command": ["{python}", "-u", "-c", program], **more}, frame_log)
        workload = CommandWorkload(cell, SystemClock())
        started.append(workload)
        workload.start(launch_of(tmp_path, cell, **(launch or {})))
        return workload

    yield make
    for workload in started:
        workload.stop(0.0)


def test_a_title_that_ends_with_success_is_finished(run: Make, tmp_path: Path) -> None:
    state = poll_until(run("print('hello')"), lambda s: not s.running)
    assert (state.finished, state.exit_code, state.failure) == (True, 0, None)
    assert (tmp_path / "output.log").read_text().splitlines() == ["hello"]


def test_a_crash_is_told_with_exit_code_and_last_words(run: Make) -> None:
    state = poll_until(run("print('no such level'); raise SystemExit(3)"), lambda s: not s.running)
    assert not state.finished
    assert state.failure is not None
    assert "exit code 3" in state.failure
    assert "no such level" in state.failure


@pytest.mark.skipif(sys.platform == "win32", reason="signals are POSIX")
def test_a_title_killed_by_a_signal_is_told_by_the_signals_name(run: Make) -> None:
    state = poll_until(
        run("import os, signal; os.kill(os.getpid(), signal.SIGSEGV)"), lambda s: not s.running
    )
    assert state.failure is not None
    assert "SIGSEGV" in state.failure


def test_other_exit_codes_can_mean_success(run: Make) -> None:
    state = poll_until(run("raise SystemExit(7)", ok_exit_codes=[0, 7]), lambda s: not s.running)
    assert (state.finished, state.failure) == (True, None)


def test_readiness_passes_end_and_score_are_told_by_lines(run: Make) -> None:
    program = (
        "import time\n"
        "print('loading'); time.sleep(0.2); print('in game')\n"
        "for n in (1, 2, 3): print('lap', n, 'score', 100.5 + n)\n"
        "print('results written'); time.sleep(60)"
    )
    workload = run(
        program, ready_line="^in game", pass_line=r"^lap \d", end_line="results", score_line=r"score ([\d.]+)"
    )
    assert not workload.poll().ready
    state = poll_until(workload, lambda s: s.finished)
    assert (state.ready, state.passes, state.running) == (True, 3, True)
    workload.stop(1.0)
    assert workload.score() == 103.5
    assert not workload.poll().running


def test_lines_are_found_in_the_titles_own_log_file_but_not_those_of_an_earlier_run(
    run: Make, tmp_path: Path
) -> None:
    own = tmp_path / "own"
    own.mkdir()
    (own / "game.log").write_text("done\n")
    program = (
        "import time\n"
        "with open('game.log', 'a') as f: time.sleep(0.3); print('begun', file=f)\n"
        "time.sleep(60)"
    )
    workload = run(
        program, working_folder=str(own), watch_file="game.log", ready_line="begun", end_line="done"
    )
    state = poll_until(workload, lambda s: s.ready)
    assert not state.finished


def test_time_makes_ready_and_ends(run: Make) -> None:
    workload = run("import time; time.sleep(60)", ready_after_s=0.1, end_after_s=0.2)
    assert not workload.poll().ready
    begun = time.monotonic()
    poll_until(workload, lambda s: s.ready)
    state = poll_until(workload, lambda s: s.finished)
    assert state.running
    assert time.monotonic() - begun >= 0.2


def test_an_end_without_the_promised_line_is_a_failure(run: Make) -> None:
    state = poll_until(run("print('bye')", end_line="results"), lambda s: not s.running)
    assert not state.finished
    assert state.failure is not None
    assert "without the line 'results'" in state.failure


def test_a_line_can_mean_failure_while_the_title_still_runs(run: Make) -> None:
    workload = run("import time; print('device lost'); time.sleep(60)", fail_line="device lost")
    state = poll_until(workload, lambda s: s.failure is not None)
    assert state.running
    assert state.failure == "the title said: device lost"


def test_a_score_that_never_came_is_an_error_and_a_word_is_no_score(run: Make) -> None:
    workload = run("print('score: high')", score_line="score: (.*)")
    poll_until(workload, lambda s: not s.running)
    workload.stop(0.0)
    with pytest.raises(WorkloadFailed, match="no number"):
        workload.score()
    silent = run("pass", score_line="points: (.*)")
    poll_until(silent, lambda s: not s.running)
    silent.stop(0.0)
    with pytest.raises(WorkloadFailed, match="no line"):
        silent.score()


@pytest.mark.parametrize("said", ["nan", "inf", "1e999", "-5", "0", "1,234.5"])
def test_a_score_that_is_no_number_above_0_is_told_as_the_titles(run: Make, said: str) -> None:
    workload = run(f"print('score: {said}')", score_line="score: (.*)")
    poll_until(workload, lambda s: not s.running)
    workload.stop(0.0)
    with pytest.raises(WorkloadFailed, match="no number above 0"):
        workload.score()


@pytest.mark.parametrize(
    ("line", "pattern", "score"),
    [
        ("score: 1,234.5", "score: ([0-9.]+)", None),
        ("score: 1e999", "score: ([0-9.]+)", None),
        ("score: 12,5", "score: ([0-9]+)", None),
        ("score: 60.25", "score: ([0-9]+)", None),
        ("score: 123", "score.*([0-9]+)", None),
        ("score: 60.25 of 100", "score: ([0-9.]+)", 60.25),
        ("score: 60.", "score: ([0-9]+)", 60.0),
        ("60.25,16.6,3", "^([0-9.]+),", 60.25),  # the pattern says what comes after
        ("score: 60.25", "([0-9]+)[.]", 60.0),
        ("fps=60.25s", "fps=([0-9.]+)", 60.25),
    ],
)
def test_a_score_is_never_a_part_of_a_longer_number(
    run: Make, line: str, pattern: str, score: float | None
) -> None:
    workload = run(f"print({line!r})", score_line=pattern)
    poll_until(workload, lambda s: not s.running)
    workload.stop(0.0)
    if score is None:
        with pytest.raises(WorkloadFailed, match="out of the number"):
            workload.score()
    else:
        assert workload.score() == score


def test_lines_that_tell_the_logs_time_tie_its_clock_to_the_rigs(run: Make, tmp_path: Path) -> None:
    # The title's clock is the rig's less 1000 s; each line was written between two looks.
    program = (
        "import time\n"
        "open('frames.csv', 'w').write('t')\n"
        "for n in range(3): print('clock', time.perf_counter() - 1000); time.sleep(0.1)\n"
    )
    workload = run(program, frame_log="frames.csv", clock_line=r"^clock ([-\d.]+)")
    poll_until(workload, lambda s: not s.running)
    source = workload.frame_log()
    assert source is not None
    assert len(source.clock_markers) == 3
    for marker in source.clock_markers:  # none was seen before it was stamped, however busy the machine is
        assert marker.rig_s + marker.resolution_s / 2 >= marker.log_s + 1000
    found = align_by_markers(source.clock_markers)
    assert found.method == "markers"
    assert abs(found.offset_s - 1000) <= 3 * found.uncertainty_ms / 1e3


def test_a_time_that_is_no_number_fails_the_title_with_the_remedy(run: Make) -> None:
    state = poll_until(run("print('clock now')", clock_line="clock (.*)"), lambda s: not s.running)
    assert state.failure == "clock_line found 'now', which is no number; fix the pattern's group"


def test_stopping_ends_the_whole_tree_also_what_ignores_the_request(run: Make) -> None:
    program = (
        "import subprocess, sys, time\n"
        "child = 'import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); time.sleep(600)'\n"
        "p = subprocess.Popen([sys.executable, '-c', child]); print('child', p.pid); time.sleep(600)"
    )
    workload = run(program, score_line=r"child (\d+)")
    poll_until(workload, lambda s: bool(workload._story.scores))
    child = psutil.Process(int(workload._story.scores[-1].text))
    workload.stop(0.3)
    assert not child.is_running() or child.status() == psutil.STATUS_ZOMBIE
    assert not workload.poll().running
    workload.stop(0.3)


@pytest.mark.skipif(sys.platform == "win32", reason="signals are POSIX")
def test_the_request_to_end_reaches_a_title_behind_a_script(run: Make, tmp_path: Path) -> None:
    note = tmp_path / "saved"
    title = (
        "import signal, sys, time\n"
        f"def save(*_): open({str(note)!r}, 'w').write('log is whole'); sys.exit(0)\n"
        "signal.signal(signal.SIGTERM, save); print('up', flush=True); time.sleep(600)"
    )
    program = f"import subprocess, sys; subprocess.run([sys.executable, '-c', {title!r}])"
    workload = run(program, ready_line="up")
    poll_until(workload, lambda s: s.ready)
    workload.stop(10.0)
    assert note.read_text() == "log is whole"


def test_a_title_whose_launcher_left_is_still_watched_and_ended(run: Make) -> None:
    program = (
        "import subprocess, sys\n"
        "sleeper = [sys.executable, '-c', 'import time; time.sleep(600)']\n"
        "p = subprocess.Popen(sleeper, start_new_session=True)\n"
        "print('child', p.pid)"
    )
    workload = run(program, score_line=r"child (\d+)")
    state = poll_until(workload, lambda s: s.exit_code == 0)
    assert state.running
    assert not state.finished
    child = psutil.Process(int(workload._story.scores[-1].text))
    workload.stop(0.2)
    assert not child.is_running() or child.status() == psutil.STATUS_ZOMBIE


@pytest.mark.skipif(sys.platform == "win32", reason="builds its title from a POSIX program")
def test_a_title_that_a_running_launcher_starts_is_found_by_its_name(run: Make, tmp_path: Path) -> None:
    title = tmp_path / "harbour-demo"
    shutil.copy(shutil.which("sleep") or "", title)
    # An empty environment and a session of its own: nothing ties the title to the command.
    program = (
        "import subprocess, time; time.sleep(0.2)\n"
        f"subprocess.Popen([{str(title)!r}, '600'], env={{}}, start_new_session=True)"
    )
    workload = run(program, process_name="harbour-demo", launch={"priority": "low"})
    poll_until(workload, lambda s: s.exit_code == 0)
    state = poll_until(workload, lambda s: workload._title is not None)
    assert (state.running, state.finished) == (True, False)
    found = psutil.Process(workload.process_id())
    assert (found.name(), found.nice()) == ("harbour-demo", 15)
    workload.stop(0.5)
    assert not found.is_running() or found.status() == psutil.STATUS_ZOMBIE
    assert not workload.poll().running


def test_the_title_gets_environment_values_and_its_folder(run: Make, tmp_path: Path) -> None:
    program = (
        "import os, sys; print(os.environ['LEVEL'], os.environ['FROM_PROFILE'], os.getcwd(), sys.argv[1:])"
    )
    workload = run(
        program,
        launch={"environment": {"FROM_PROFILE": "yes"}, "thread_count": 3},
        arguments=["--width={width}", "--threads={thread_count}", '{"json": 1}', "--for={measure_s}"],
        environment={"LEVEL": "{title}-{setting}"},
        values={"width": 2560},
    )
    poll_until(workload, lambda s: not s.running)
    words = (tmp_path / "output.log").read_text()
    assert words.startswith(f"mill-race-low yes {tmp_path / 'work'}")
    assert """['--width=2560', '--threads=3', '{"json": 1}', '--for=30.0']""" in words


@pytest.mark.skipif(not hasattr(psutil.Process, "cpu_affinity"), reason="the system has no affinity")
def test_affinity_holds_from_the_titles_first_moment(run: Make, tmp_path: Path) -> None:
    workload = run("import psutil; print(psutil.Process().cpu_affinity())", launch={"affinity": (0,)})
    before = psutil.Process().cpu_affinity()
    poll_until(workload, lambda s: not s.running)
    assert (tmp_path / "output.log").read_text().strip() == "[0]"
    assert psutil.Process().cpu_affinity() == before


def test_priority_is_lowered(run: Make) -> None:
    workload = run("import time; time.sleep(60)", launch={"priority": "below-normal"})
    process = psutil.Process(workload.process_id())
    expected = psutil.BELOW_NORMAL_PRIORITY_CLASS if sys.platform == "win32" else 5
    assert process.nice() == expected


def test_a_silent_idle_title_gives_no_sign_of_life_and_a_busy_one_goes_on_giving_them(run: Make) -> None:
    now_s = SystemClock().now_s
    idle = run("import time; time.sleep(60)")
    poll_until(idle, lambda s: now_s() - (s.last_sign_s or now_s()) > 1.2)
    busy = run("while True: pass")
    begun_s = now_s()
    poll_until(busy, lambda s: (s.last_sign_s or 0.0) > begun_s + 1.2)


def test_the_frame_log_is_the_newest_file_of_this_run_that_matches(run: Make, tmp_path: Path) -> None:
    elsewhere = tmp_path / "documents"
    elsewhere.mkdir()
    (elsewhere / "run-old.csv").write_text("old")
    program = f"open(r'{elsewhere / 'run-new.csv'}', 'w').write('new')"
    workload = run(program, frame_log=str(elsewhere / "run-*.csv"))
    poll_until(workload, lambda s: not s.running)
    source = workload.frame_log()
    assert source is not None
    assert source.path.read_text() == "new"


def test_a_frame_log_of_an_earlier_run_is_never_taken_for_this_runs(run: Make, tmp_path: Path) -> None:
    (tmp_path / "work").mkdir()
    (tmp_path / "work" / "frames.csv").write_text("of yesterday")
    workload = run("pass", frame_log="frames.csv")
    poll_until(workload, lambda s: not s.running)
    with pytest.raises(FrameLogError, match=r"this run wrote no file.*was there before this run"):
        workload.frame_log()


@pytest.mark.skipif(sys.platform == "win32", reason="pipes and open folders behave otherwise there")
@pytest.mark.parametrize(
    ("does", "told"),
    [
        ("os.mkfifo('frames.csv')", "frames.csv is a pipe"),
        ("os.mkdir('frames.csv')", "frames.csv is a folder"),
        ("os.symlink('/dev/zero', 'frames.csv')", "frames.csv is a device"),
        ("shutil.rmtree(os.getcwd())", "the folder itself is not there any more"),
        ("pass", "there: nothing"),
    ],
)
def test_what_lies_where_the_frame_log_should_is_named(run: Make, does: str, told: str) -> None:
    workload = run(f"import os, shutil; {does}", frame_log="frames.csv")
    poll_until(workload, lambda s: not s.running)
    with pytest.raises(FrameLogError, match=told):
        workload.frame_log()


@pytest.mark.parametrize(("path", "told"), [("frames*.csv", True), ("**/frames.csv", False)])
def test_a_log_that_grows_is_told_while_the_title_runs_where_that_needs_no_search_through_trees(
    run: Make, tmp_path: Path, path: str, told: bool
) -> None:
    (tmp_path / "work").mkdir()
    (tmp_path / "work" / "frames-old.csv").write_text("of yesterday")
    program = (
        "import time; time.sleep(0.3); open('frames.csv', 'w').write('a'); print('writes'); time.sleep(60)"
    )
    workload = run(program, frame_log=path, ready_line="writes")
    assert workload.growing_log() is None, "nothing is written yet"
    poll_until(workload, lambda s: s.ready)
    source = workload.growing_log()
    assert (source.path if source else None) == (tmp_path / "work" / "frames.csv" if told else None)


def test_a_program_that_does_not_exist_says_where_it_was_looked_for(tmp_path: Path) -> None:
    cell = cell_of({"command": ["no-such-mill"]})
    with pytest.raises(WorkloadFailed, match="no program 'no-such-mill'"):
        CommandWorkload(cell, SystemClock()).start(launch_of(tmp_path, cell))


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"command": []}, "at least 1"),
        ({"command": ["a", "{widht}"], "values": {"width": 1}}, "placeholder {widht}"),
        ({"command": ["a"], "ready_line": "("}, "no regular expression"),
        ({"command": ["a"], "score_line": "score"}, "exactly one group"),
        ({"command": ["a"], "clock_line": "(a)(b)"}, "clock_line needs exactly one group"),
        ({"command": ["a"], "shell": True}, "Extra inputs"),
    ],
)
def test_wrong_options_are_refused_with_their_reason(options: dict[str, Any], message: str) -> None:
    with pytest.raises(ValidationError) as caught:
        CommandOptions.model_validate(options)
    assert message in str(caught.value)


def test_braces_that_are_no_placeholder_stay() -> None:
    assert fill('{"a": {b}, "C": {}}', {"b": 2}) == '{"a": 2, "C": {}}'


@pytest.mark.skipif(sys.platform == "win32", reason="signals are POSIX")
def test_a_title_that_ignores_the_request_to_end_is_ended_and_that_is_no_failure_of_it(run: Make) -> None:
    program = (
        "import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); print('up'); time.sleep(600)"
    )
    workload = run(program, ready_line="up")
    poll_until(workload, lambda s: s.ready)
    workload.stop(0.3)
    state = workload.poll()
    assert (state.running, state.exit_code, state.failure) == (False, -9, None)


def test_a_command_that_leaves_before_the_title_is_ready_says_how_a_launcher_is_planned(run: Make) -> None:
    state = poll_until(run("print('asked the service')", ready_line="in game"), lambda s: not s.running)
    assert not state.finished
    assert state.failure is not None
    assert "process_name" in state.failure


@pytest.mark.skipif(sys.platform == "win32", reason="builds its title from a POSIX program")
def test_copies_of_a_title_that_a_launcher_starts_do_not_pile_up(run: Make, tmp_path: Path) -> None:
    title = tmp_path / "pile-demo"
    shutil.copy(shutil.which("sleep") or "", title)
    program = (
        "import subprocess, time\n"
        f"subprocess.Popen([{str(title)!r}, '600'], env={{}}, start_new_session=True, stdout=-3, stderr=-3)"
    )

    def copies() -> int:
        found = [p for p in psutil.process_iter(["name", "status"]) if p.info["name"] == "pile-demo"]
        return sum(p.info["status"] != psutil.STATUS_ZOMBIE for p in found)

    for _ in range(3):
        workload = run(program, process_name="pile-demo")
        poll_until(workload, lambda s: s.exit_code == 0)
        assert copies() == 1
    workload.stop(0.2)
    assert copies() == 0


@pytest.mark.skipif(sys.platform == "win32", reason="builds its title from a POSIX program")
def test_a_copy_that_runs_since_before_the_run_is_not_ended_but_told(run: Make, tmp_path: Path) -> None:
    title = tmp_path / "own-demo"
    shutil.copy(shutil.which("sleep") or "", title)
    before = psutil.Popen([str(title), "600"])
    try:
        time.sleep(1.2)
        with pytest.raises(WorkloadFailed, match="own-demo runs already"):
            run("pass", process_name="own-demo")
        assert before.is_running()
    finally:
        before.kill()
        before.wait(10)


def test_a_pattern_that_runs_away_elsewhere_does_not_hold_the_watching_up(run: Make) -> None:
    program = "import time\nwhile True: print('a' * 60000 + '!'); time.sleep(0.01)"
    workload = run(program, end_line="(a+)+$", fail_line="^(a|aa)+$", pass_line="(.*a){9}!x")
    begun_s = time.monotonic()
    longest_s = 0.0
    while time.monotonic() - begun_s < 2.0:
        looked_s = time.monotonic()
        state = workload.poll()
        longest_s = max(longest_s, time.monotonic() - looked_s)
        time.sleep(0.01)
    assert (state.running, state.finished, state.failure) == (True, False, None)
    assert longest_s < 2.0  # a backtracking engine would not have come back at all
