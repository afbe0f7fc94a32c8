from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import psutil

from harness.clock import SystemClock
from harness.processes import TitleProcess, end_orphans, own_processes

SLEEPER = "import time; time.sleep(600)"


def is_alive(pid: int) -> bool:
    return psutil.pid_exists(pid) and psutil.Process(pid).status() != psutil.STATUS_ZOMBIE


def test_a_title_whose_harness_was_killed_is_ended_at_the_next_start_and_a_living_ones_is_not(
    tmp_path: Path,
) -> None:
    program = (
        "import sys, time; from pathlib import Path\n"
        "from harness.clock import SystemClock; from harness.processes import TitleProcess\n"
        f"t = TitleProcess([sys.executable, '-c', {SLEEPER!r}], SystemClock(), cwd=Path({str(tmp_path)!r}),\n"
        f"                 output_path=Path({str(tmp_path / 'other.log')!r}))\n"
        "print(t.pid, flush=True); time.sleep(600)"
    )
    harness = subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE)
    assert harness.stdout is not None
    orphan = int(harness.stdout.readline())
    ours = TitleProcess(
        [sys.executable, "-c", SLEEPER], SystemClock(), cwd=tmp_path, output_path=tmp_path / "output.log"
    )
    end_orphans()
    assert is_alive(orphan)  # its harness still lives
    harness.kill()
    harness.wait()
    harness.stdout.close()
    assert is_alive(orphan)
    assert end_orphans() != []
    assert not is_alive(orphan)
    assert is_alive(ours.pid)
    ours.end(0.0)
    assert not is_alive(ours.pid)


def test_the_harness_its_titles_and_what_they_started_are_its_own(tmp_path: Path) -> None:
    program = (
        f"import subprocess, sys, time; subprocess.Popen([sys.executable, '-c', {SLEEPER!r}]); {SLEEPER}"
    )
    title = TitleProcess(
        [sys.executable, "-c", program], SystemClock(), cwd=tmp_path, output_path=tmp_path / "output.log"
    )
    try:
        end_s = time.monotonic() + 10
        while len(title.tree()) < 2 and time.monotonic() < end_s:
            time.sleep(0.02)
        own = {process.pid for process in own_processes()}
        assert {process.pid for process in title.tree()} | {psutil.Process().pid} <= own
        assert psutil.Process().ppid() not in own
    finally:
        title.end(0.0)


def test_a_command_that_is_not_marked_may_leave_something_running_after_the_harness(tmp_path: Path) -> None:
    note = tmp_path / "pid"
    program = (
        "import subprocess, sys\n"
        f"p = subprocess.Popen([sys.executable, '-c', {SLEEPER!r}], start_new_session=True)\n"
        f"open({str(note)!r}, 'w').write(str(p.pid))"
    )
    command = TitleProcess(
        [sys.executable, "-c", program],
        SystemClock(),
        cwd=tmp_path,
        output_path=tmp_path / "output.log",
        marked=False,
    )
    while command.exit_code() is None:
        time.sleep(0.02)
    daemon = int(note.read_text())
    command.end(0.0)
    assert is_alive(daemon)
    psutil.Process(daemon).kill()
