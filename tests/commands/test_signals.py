"""Signals of a run, sent to real processes."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from harness.commands import signals as module
from harness.commands.signals import stop_on_signals
from harness.engine.progress import StopSignal

FULL = Path("/dev/full")
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="sends POSIX signals")


@pytest.fixture
def hangup_is_heard():
    """Also where the tests themselves run under nohup."""
    before = signal.signal(signal.SIGHUP, signal.SIG_DFL)
    yield
    signal.signal(signal.SIGHUP, before)


def test_the_first_asks_the_second_tells_and_the_third_ends(monkeypatch):
    monkeypatch.setattr(module, "card_state", lambda: "The card is still changed (by: nvml).")
    said, ended, left = [], [], []
    stop = StopSignal()
    with stop_on_signals(
        stop,
        missing=lambda: "the attempt is put down",
        end_titles=lambda: ended.append("titles"),
        leave=left.append,
        say=said.append,
    ) as received:
        os.kill(os.getpid(), signal.SIGINT)
        request = stop.take()
        assert request is not None
        assert request.kind == "interrupt"
        assert said == []
        os.kill(os.getpid(), signal.SIGINT)
        assert "already stopping: the attempt is put down" in said[0]
        assert "still changed (by: nvml)" in said[0]
        assert (ended, left) == ([], [])
        os.kill(os.getpid(), signal.SIGINT)
        assert (ended, left) == (["titles"], [130])
    assert received.names == ["SIGINT"] * 3


def test_a_signal_that_comes_while_the_request_is_being_taken_blocks_nothing():
    stop = StopSignal()
    with stop_on_signals(stop), stop._lock:
        os.kill(os.getpid(), signal.SIGINT)
    assert stop.take() is not None


def test_a_closed_terminal_stops_a_plain_run_and_not_a_supervised_one(hangup_is_heard):
    for outlives in (False, True):
        stop = StopSignal()
        with stop_on_signals(stop, outlives_terminal=outlives):
            os.kill(os.getpid(), signal.SIGHUP)
        assert (stop.take() is None) is outlives


def test_what_nohup_had_ignored_stays_ignored():
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        stop = StopSignal()
        with stop_on_signals(stop):
            assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
            os.kill(os.getpid(), signal.SIGHUP)
        assert stop.take() is None
    finally:
        signal.signal(signal.SIGHUP, before)


LOSES_ITS_OUTPUT = """
import os, sys, time
from harness.supervise.output import survive_lost_output
lost = []
survive_lost_output(lost.append)
print("ready", flush=True)
sys.stdin.readline()
for _ in range(3):
    print("x" * 100_000, flush=True)
    print("y", file=sys.stderr, flush=True)
from rich.console import Console
Console().print("[b]z[/b]")
os.write(3, (",".join(sorted(set(lost))) or "nothing").encode())
"""


def _ends_in_order(stdout, stderr, lose):
    """Start it, let it lose its output, let it print; returns what it says that it lost."""
    reading, writing = os.pipe()
    code = f"import os; os.dup2({writing}, 3)\n{LOSES_ITS_OUTPUT}"
    with (
        os.fdopen(reading) as told,
        subprocess.Popen(
            [sys.executable, "-c", code],
            stdin=subprocess.PIPE,
            stdout=stdout,
            stderr=stderr,
            pass_fds=(writing,),
        ) as process,
    ):
        os.close(writing)
        lose(process)
        assert process.stdin is not None
        process.stdin.write(b"\n")
        process.stdin.close()
        assert process.wait(120) == 0
        return told.read()


def test_a_reader_that_leaves_does_not_end_the_run():
    def leave(process):
        assert process.stdout.readline() == b"ready\n"
        process.stdout.close()

    assert "stdout" in _ends_in_order(subprocess.PIPE, subprocess.STDOUT, leave)


def test_a_terminal_that_was_closed_does_not_end_the_run():
    pty = pytest.importorskip("pty")
    master, slave = pty.openpty()

    def close(process):
        os.close(slave)
        assert b"ready" in os.read(master, 100)
        os.close(master)

    assert _ends_in_order(slave, slave, close) == "stderr,stdout"


@pytest.mark.skipif(not FULL.exists(), reason="needs /dev/full")
def test_output_redirected_to_a_full_disk_does_not_end_the_run():
    with FULL.open("wb") as full:
        assert _ends_in_order(full, full, lambda process: None) == "stderr,stdout"
