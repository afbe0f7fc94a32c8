from __future__ import annotations

import ctypes
import shutil
import subprocess
import sys
import threading
import time

import pytest

from harness import awake
from harness.windows.awake import modern_standby
from tests.windows.emulation import FakeWindows


def execution_state():
    """SetThreadExecutionState: gives the calling thread's state before; 0 is a failure."""
    states = {}

    def answer(flags):
        assert flags & 0x80000000, "without ES_CONTINUOUS the call only resets the idle timer once"
        thread = threading.get_ident()
        before, states[thread] = states.get(thread, 0x80000000), flags
        return before

    return FakeWindows(SetThreadExecutionState=answer), states


def test_windows_stays_awake_with_its_screen_while_inside_and_by_the_same_thread_no_longer_after():
    windows, states = execution_state()
    with awake.kept_awake(windows) as by:
        assert by == ("SetThreadExecutionState",)
        assert states == {threading.get_ident(): 0x80000003}
    assert states == {threading.get_ident(): 0x80000000}


def test_a_refusal_is_told_by_naming_nothing():
    with awake.kept_awake(FakeWindows(SetThreadExecutionState=lambda flags: 0)) as by:
        assert by == ()


def test_modern_standby_is_byte_20_of_the_power_capabilities():
    """SYSTEM_POWER_CAPABILITIES (winnt.h): twenty one-byte members come before AoAc."""

    def fill(address):
        ctypes.memmove(address, bytes(20) + b"\1" + bytes(55), 76)
        return 1

    assert modern_standby(FakeWindows(GetPwrCapabilities=fill)) is True
    assert modern_standby(FakeWindows(GetPwrCapabilities=lambda address: 1)) is False
    assert modern_standby(FakeWindows(GetPwrCapabilities=lambda address: 0)) is None


def test_only_the_session_managers_that_are_there_are_asked():
    def find(name):
        return name if name in ("systemd-inhibit", "gnome-session-inhibit") else None

    assert [w[0] for w in awake.inhibitor_words({}, find)] == ["systemd-inhibit"]
    with_screen = awake.inhibitor_words({"DISPLAY": ":0"}, find)
    assert [w[0] for w in with_screen] == ["systemd-inhibit", "gnome-session-inhibit"]
    assert awake.inhibitor_words({"DISPLAY": ":0"}, lambda name: None) == []


@pytest.mark.skipif(sys.platform == "win32", reason="inhibitors are Linux's")
def test_a_lock_lasts_while_inside_and_one_that_is_refused_is_not_named():
    """``env A=1`` starts what it is given, as one that grants; ``false`` ends at once: refused."""
    with awake.kept_awake(words=[["env", "A=1"], ["false"], ["no-such-inhibitor"]]) as by:
        assert by == ("env",)


@pytest.mark.skipif(sys.platform == "win32", reason="inhibitors are Linux's")
def test_a_lock_ends_with_the_program_that_asked_for_it_however_it_ends(tmp_path):
    holder = tmp_path / "holder"
    holder.write_text('#!/bin/sh\necho $$ > "$0.pid"\nexec "$@"\n')
    holder.chmod(0o755)
    code = f"import time; from harness.awake import Inhibitor; Inhibitor(['{holder}']); time.sleep(60)"
    program = subprocess.Popen([sys.executable, "-c", code])
    written = tmp_path / "holder.pid"
    soon(lambda: written.exists() and written.read_text().strip())
    pid = written.read_text().strip()
    assert lives(pid)
    program.kill()
    program.wait()
    soon(lambda: not lives(pid))


def soon(is_so):
    end_s = time.monotonic() + 30
    while not is_so():
        assert time.monotonic() < end_s
        time.sleep(0.02)


def lives(pid):
    found = subprocess.run(["ps", "-o", "stat=", "-p", pid], capture_output=True, text=True, check=False)
    return bool(found.stdout.strip()) and not found.stdout.startswith("Z")


@pytest.mark.skipif(shutil.which("systemd-inhibit") is None, reason="needs systemd-inhibit")
def test_what_holds_sleep_off_here_is_tried_and_let_go_of():
    assert set(awake.can_be_kept_awake()) <= {"systemd-inhibit", "gnome-session-inhibit", "kde-inhibit"}
