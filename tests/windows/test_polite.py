"""How titles end on Windows: windows, console, job; held to the pages of the calls (from memory)."""

from __future__ import annotations

import ctypes
import os
import signal
import sys

import psutil
import pytest

from harness import processes
from harness.clock import SystemClock
from harness.errors import WorkloadFailed
from harness.windows.jobs import Job
from harness.windows.polite import ask_to_end, break_group, in_front, windows_of
from tests.windows.emulation import FakeWindows, poke

TITLE, HELPER, ELEVATED, BROWSER = 100, 101, 102, 900
#: Window -> (process, visible), in front first.
WINDOWS = {
    0x11: (BROWSER, True), 0x12: (TITLE, True), 0x13: (HELPER, False), 0x14: (ELEVATED, True),
    0x15: (TITLE, True),
}  # fmt: skip


def desk(console=(), windows=WINDOWS):
    """A desktop with these windows, and a console with these processes attached."""

    def enumerate_them(visit, parameter):
        for window in windows:
            if not visit(window, parameter):
                break
        return 1

    def owner(window, into):
        poke(into, windows[window][0])
        return 7

    def post(window, message, first, second):
        desktop.error = 5 if windows[window][0] == ELEVATED else 0
        return int(not desktop.error)

    def attached(into, size):
        if len(console) <= size:
            for place, pid in enumerate(console):
                poke(into + 4 * place, pid)
        return len(console)

    desktop = FakeWindows(
        EnumWindows=enumerate_them,
        GetWindowThreadProcessId=owner,
        IsWindowVisible=lambda window: int(windows[window][1]),
        PostMessageW=post,
        GetConsoleProcessList=attached,
        GenerateConsoleCtrlEvent=lambda event, group: 1,
        GetForegroundWindow=lambda: next(iter(windows), None),
    )
    return desktop


def test_visible_windows_of_the_tree_are_asked_first_and_nobody_elses():
    desktop = desk(console=(TITLE,))
    waits = []
    asked = ask_to_end(desktop, TITLE, {TITLE, HELPER}, 8.0, lambda s: waits.append(s) or True)
    assert desktop.named("PostMessageW") == [(0x12, 0x10, None, None), (0x15, 0x10, None, None)]  # WM_CLOSE
    assert (asked.windows, asked.refused, waits) == (2, frozenset(), [4.0])
    assert desktop.named("GenerateConsoleCtrlEvent") == []


def test_a_console_program_breaks_only_as_the_leader_of_a_group_on_our_own_console():
    desktop = desk(console=(50, TITLE), windows={})
    ask_to_end(desktop, TITLE, {TITLE}, 8.0, lambda s: True)
    assert desktop.named("GenerateConsoleCtrlEvent") == [(1, TITLE)]  # CTRL_BREAK_EVENT
    elsewhere = desk(console=(50,), windows={})
    assert not break_group(elsewhere, TITLE)
    ask_to_end(elsewhere, TITLE, {TITLE}, 8.0, lambda s: True)
    ask_to_end(desk(console=(50, TITLE), windows={}), None, {TITLE}, 8.0, lambda s: True)
    assert elsewhere.named("GenerateConsoleCtrlEvent") == []


def test_one_that_keeps_its_window_open_is_asked_by_its_console_next_and_the_wait_is_no_longer():
    desktop, waits = desk(console=(TITLE,)), []
    ask_to_end(desktop, TITLE, {TITLE}, 8.0, lambda s: bool(waits.append(s)))
    assert desktop.named("GenerateConsoleCtrlEvent") == [(1, TITLE)]
    assert waits == [4.0, 4.0]


def test_a_window_of_higher_rights_can_not_be_asked_and_is_named():
    """PostMessageW fails with ERROR_ACCESS_DENIED where the window's process has higher integrity (UIPI)."""
    asked = ask_to_end(desk(), None, {ELEVATED}, 8.0, lambda s: False)
    assert (asked.windows, asked.refused) == (0, frozenset({ELEVATED}))


def test_a_console_with_very_many_programs_is_listed_whole():
    """GetConsoleProcessList: a count above the buffer's size means that nothing was put there."""
    assert break_group(desk(console=tuple(range(1000, 1200))), 1199)


def test_the_window_in_front_tells_its_process():
    assert in_front(desk()) == BROWSER
    assert in_front(desk(windows={})) is None
    assert [window for window, _ in windows_of(desk(), {TITLE, HELPER})] == [0x12, 0x15]


# --- jobs -------------------------------------------------------------------------------------------------


class Jobs:
    """Jobs and their processes: with JOB_OBJECT_LIMIT_KILL_ON_JOB_CLOSE the last handle ends them."""

    def __init__(self, denied=()):
        self.members, self.ended, self.flags, self.open = [], [], 0, set()
        self.windows = FakeWindows(
            CreateJobObjectW=lambda security, name: self._opened(0x70),
            SetInformationJobObject=self._limit,
            OpenProcess=lambda rights, inherit, pid: None if pid in denied else self._opened(pid),
            AssignProcessToJobObject=lambda job, process: self.members.append(process) or 1,
            TerminateJobObject=lambda job, code: self.ended.extend(self.members) or 1,
            CloseHandle=self._close,
        )

    def _opened(self, handle):
        self.open.add(handle)
        return handle

    def _limit(self, job, kind, address, size):
        assert (kind, size) == (9, 144), "JobObjectExtendedLimitInformation"
        self.flags = ctypes.c_uint32.from_address(address + 16).value  # after two LARGE_INTEGERs
        return 1

    def _close(self, handle):
        self.open.remove(handle)
        if handle == 0x70 and self.flags & 0x2000:
            self.ended += self.members
        return 1


def test_all_in_a_job_ends_with_it_however_the_harness_ends():
    jobs = Jobs()
    job = Job(jobs.windows)
    assert job.take(TITLE)
    assert jobs.open == {0x70}
    job.close()
    job.close()
    assert (jobs.ended, jobs.open) == ([TITLE], set())


def test_what_leaves_the_job_by_itself_may_and_what_may_not_be_taken_is_said():
    jobs = Jobs(denied={ELEVATED})
    job = Job(jobs.windows)
    assert jobs.flags & 0x800  # JOB_OBJECT_LIMIT_BREAKAWAY_OK: such a title would not start otherwise
    assert not job.take(ELEVATED)
    job.take(TITLE)
    job.end()
    assert jobs.ended == [TITLE]


def test_a_job_that_can_not_be_made_is_an_error_and_leaves_no_handle():
    jobs = Jobs()
    jobs.windows.answers["SetInformationJobObject"] = lambda *_: 0
    with pytest.raises(OSError, match="takes no limits"):
        Job(jobs.windows)
    assert jobs.open == set()
    jobs.windows.answers["CreateJobObjectW"] = lambda *_: None
    with pytest.raises(OSError, match="can be made"):
        Job(jobs.windows)


# --- a title of a harness with these calls ----------------------------------------------------------------


@pytest.fixture
def title(tmp_path, monkeypatch):
    """A title as on Windows: real processes, emulated calls. ``jobs.windows`` answers for the desktop too."""
    jobs = Jobs()
    jobs.windows.answers |= desk(windows={}).answers
    monkeypatch.setattr(processes, "windows_calls", lambda: jobs.windows)
    monkeypatch.setattr(processes, "is_elevated", lambda calls: False)
    words = [sys.executable, "-S", "-c", "import time; time.sleep(600)"]
    started = processes.TitleProcess(
        words, SystemClock(), cwd=tmp_path, output_path=tmp_path / "output.log", affinity=None
    )
    yield started, jobs
    started.end(0.0)


def test_a_title_is_in_its_job_before_it_runs_and_its_window_is_closed_first(title):
    started, jobs = title
    assert jobs.members == [started.pid]
    jobs.windows.answers |= desk(windows={0x9: (started.pid, True)}).answers

    def close(window, message, first, second):
        os.kill(started.pid, signal.SIGTERM)
        return 1

    jobs.windows.answers["PostMessageW"] = close
    assert started.end(20.0)
    assert started.survivors == ()
    assert jobs.windows.named("GenerateConsoleCtrlEvent") == []
    assert 0x70 not in jobs.open


def refused(error):
    def refuse(*arguments):
        raise error

    return refuse


def test_what_can_not_be_ended_is_named_and_ends_nothing_else(title, monkeypatch):
    """TerminateProcess on a process of higher rights: ERROR_ACCESS_DENIED."""
    started, _ = title
    with monkeypatch.context() as patched:
        patched.setattr(psutil.Process, "kill", refused(psutil.AccessDenied(started.pid)))
        patched.setattr(started._popen, "kill", refused(PermissionError(13, "denied")))
        patched.setattr(started._popen, "wait", lambda timeout=None: 0)
        patched.setattr(processes, "_wait_until_gone", lambda tree, seconds: False)
        assert not started.end(0.0)
    (told,) = started.survivors
    assert f"(process {started.pid}) could not be ended: it has higher rights, or hangs" in told


def test_who_joins_the_tree_gets_its_priority_and_processors(title, monkeypatch):
    """A child of a launcher: Windows hands down neither a priority above normal nor a late affinity."""
    started, _ = title
    settled = []
    monkeypatch.setattr(
        processes, "_settle", lambda pid, *how, inherited: settled.append((pid, *how, inherited))
    )
    started._affinity, started._priority = (0,), "above-normal"
    started._family.members[12345] = processes.Seen(12345, started.pid, 0, 1e9, 0.0, 0.0)
    monkeypatch.setattr(processes._TABLE, "refresh", lambda age=0.0: None)
    started._look()
    started._look()
    assert settled == [(12345, (0,), "above-normal", False)]
    del started._family.members[12345]


def test_an_elevated_harness_starts_a_title_through_the_one_that_gives_its_rights_away(tmp_path, monkeypatch):
    given = []
    monkeypatch.setattr(processes, "is_elevated", lambda calls: True)

    def spawn(words, *rest):
        given.append(list(words))
        raise OSError("enough")

    monkeypatch.setattr(processes, "_spawn", spawn)
    for plainly in (True, False):
        with pytest.raises(WorkloadFailed):
            processes.TitleProcess(
                ["title", "-x"], SystemClock(), cwd=tmp_path, output_path=tmp_path / "o", plainly=plainly
            )
    assert given[0][-5:] == ["-m", "harness.windows.elevation", "--", "title", "-x"]
    assert given[1] == ["title", "-x"]
