"""Unattended campaigns as processes of their own: detached, killed, without their terminal, stopped."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from contextlib import closing, suppress

import pytest

from harness.cli import main
from harness.isolated import python_command
from harness.store.campaign import CampaignStore
from harness.supervise.runners import find_runners

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="POSIX sessions, signals and terminals")

PLAN = """
[plan]
question  = "Does it go on?"
repeats   = 20
reference = "one-thread"
[conditions]
cooldown = { seconds = 0.2 }
warm_up  = { seconds = 0.2 }
[checks]
mark_only = ["foreign-cpu-load", "start-temperature", "ambient-temperature", "frame-cap", "window-short"]
[[profiles]]
name    = "one-thread"
control = "processor"
thread_count = 1
[[titles]]
name      = "tarn-ridge"
workload  = "scene"
scene     = "tarn-ridge"
measure_s = 3
"""
#: Far more than anything takes, so that a busy machine changes no outcome, seconds.
LONG_S = 400.0


def until(what, condition):
    end_s = time.monotonic() + LONG_S
    while time.monotonic() < end_s:
        found = condition()
        if found:
            return found
        time.sleep(0.2)
    raise AssertionError(f"not within {LONG_S:.0f} s: {what}")


def ended_attempts(folder):
    with closing(CampaignStore.read(folder)) as store:
        return store.attempts_table().num_rows


@pytest.fixture
def night(tmp_path, monkeypatch):
    monkeypatch.delenv("LEVELRIG_NOTIFY", raising=False)
    plan = tmp_path / "night.toml"
    plan.write_text(PLAN)
    folder = tmp_path / "c"
    yield plan, folder
    for pid in find_runners(folder).pids:
        with suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)


def test_a_detached_run_survives_a_kill_and_an_edited_plan_and_is_stopped_from_outside(night, capsys):
    plan, folder = night
    (folder).mkdir()
    assert main(["run", str(plan), "--into", str(folder), "--detach", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["running"]
    runners = find_runners(folder)
    assert runners.run is not None
    supervisor = until("supervisor named", lambda: find_runners(folder).supervisor)
    assert supervisor == told["pid"]
    assert os.getsid(supervisor) == supervisor != os.getsid(0)

    assert main(["run", str(plan), "--into", str(folder), "--detach"]) == 3  # busy, and it says so
    assert "levelrig stop" in capsys.readouterr().err

    plan.write_text(PLAN.replace("measure_s = 3", "measure_s = 0.0"))  # not even a plan any more
    os.kill(runners.run, signal.SIGKILL)
    known = (
        runners.run,
        supervisor,
    )  # the supervisor itself holds the folder for a moment, to write an event
    again = until("another start", lambda: (r := find_runners(folder).run) not in known and r)
    before = ended_attempts(folder)
    until("an attempt of the second start", lambda: ended_attempts(folder) > before)
    output = " ".join((folder / "run.log").read_text().split())
    assert "it is started again in 5 s" in output
    assert "was edited since the night began" in output

    assert main(["stop", str(folder), "--json", "--timeout-s", str(LONG_S)]) == 0
    stopped = json.loads(capsys.readouterr().out)
    assert set(stopped["asked"]) == {supervisor, again}
    assert (stopped["runs"], stopped["left_changed"]) == ([], [])
    assert find_runners(folder).pids == frozenset()
    with closing(CampaignStore.read(folder)) as store:
        kinds = [event["kind"] for event in store.events()]
        assert kinds.count("supervisor-restarted") == 1
        assert store.sessions()[-1].outcome == "stop"

    assert main(["stop", str(folder)]) == 0
    assert "nothing runs here" in capsys.readouterr().out


def test_a_supervised_run_goes_on_when_its_terminal_is_closed_and_a_stale_pause_stops_nothing(night, capsys):
    pty = pytest.importorskip("pty")
    plan, folder = night
    folder.mkdir()
    (folder / "control.json").write_text('{"request": "pause-after-attempt"}')
    words = python_command("harness.cli", "run", str(plan), "--into", str(folder), "--supervised")
    pid, terminal = pty.fork()
    if pid == 0:
        os.execv(words[0], words)
    until("the run works", lambda: (folder / "live.json").exists() and find_runners(folder).supervisor)
    os.close(terminal)  # the kernel sends SIGHUP to the whole session, and every write fails from now on
    before = ended_attempts(folder)
    until("two further attempts", lambda: ended_attempts(folder) >= before + 2)
    assert find_runners(folder).supervisor == pid
    assert main(["stop", str(folder), "--after-attempt", "--timeout-s", str(LONG_S)]) in (0, 3)
    assert os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == 130
    with closing(CampaignStore.read(folder)) as store:
        assert len(store.sessions()) == 1
        assert store.sessions()[0].outcome == "pause"
        assert "interrupted" not in store.attempts_table()["verdict"].to_pylist()


def test_what_is_wrong_with_a_detached_run_is_said_at_once_and_leaves_no_folder(night, capsys):
    plan, folder = night
    plan.write_text(PLAN.replace('"one-thread"\n[cond', '"nobody"\n[cond'))
    assert main(["run", str(plan), "--into", str(folder), "--detach"]) == 2
    assert "nobody" in capsys.readouterr().err
    assert not folder.exists()


def test_sigterm_to_the_child_of_a_supervisor_is_a_stop(night):
    plan, folder = night
    words = python_command("harness.cli", "run", str(plan), "--into", str(folder), "--supervised")
    with subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as supervisor:
        until("the run works", lambda: (folder / "live.json").exists())
        child = find_runners(folder).run
        assert child != supervisor.pid
        os.kill(child, signal.SIGTERM)
        assert supervisor.wait(LONG_S) == 130
    with closing(CampaignStore.read(folder)) as store:
        assert len(store.sessions()) == 1
