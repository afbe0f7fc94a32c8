"""A program started for an attempt, with everything that it starts in turn: start, watch, end.

Every title carries a mark in its environment, which its descendants inherit. So the whole tree is found
even where a launcher started the title and left, and a tree whose harness was killed can be ended at the
next start. Linux and Windows; no shell is ever involved.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
import uuid
import weakref
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import IO

import psutil

from harness.clock import Clock
from harness.errors import WorkloadFailed
from harness.rig import Priority

#: Environment variable that marks a title's processes: ``<run>/<harness process id>/<its start time>``.
MARK = "LEVELRIG_TITLE"

#: Unix niceness of each priority.
NICENESS: Mapping[Priority, int] = {
    "low": 15,
    "below-normal": 5,
    "normal": 0,
    "above-normal": -5,
    "high": -10,
}
_WINDOWS_CLASS: Mapping[Priority, str] = {
    "low": "IDLE_PRIORITY_CLASS",
    "below-normal": "BELOW_NORMAL_PRIORITY_CLASS",
    "normal": "NORMAL_PRIORITY_CLASS",
    "above-normal": "ABOVE_NORMAL_PRIORITY_CLASS",
    "high": "HIGH_PRIORITY_CLASS",
}
_SPAWNING = threading.Lock()
_TITLES: weakref.WeakSet[TitleProcess] = weakref.WeakSet()
_GONE = (psutil.NoSuchProcess, psutil.ZombieProcess, psutil.AccessDenied)


def windows_priority_class(priority: Priority) -> int:
    """Windows' number for a priority. Windows only."""
    return int(getattr(psutil, _WINDOWS_CLASS[priority]))


class TitleProcess:
    """One started program and its descendants.

    Args:
        arguments: Executable and arguments; the executable's path should be absolute.
        clock: The rig's clock.
        cwd: Its working folder.
        output_path: File that takes its standard output and error, appended to.
        environment: Variables added to the harness's own.
        affinity: Logical processors that it and its descendants may use; None for all.
        priority: Scheduling priority.
        hold_stdin: Keep a pipe to its standard input open until :meth:`end`; a program that reads it sees
            its end when the harness ends, even when the harness is killed. Otherwise the input is empty.
        marked: Whether its descendants belong to it for ever. Not for a command that may leave something
            running on purpose.

    Raises:
        WorkloadFailed: It can't be started so.
    """

    def __init__(
        self,
        arguments: Sequence[str],
        clock: Clock,
        *,
        cwd: Path,
        output_path: Path,
        environment: Mapping[str, str] | None = None,
        affinity: Sequence[int] | None = None,
        priority: Priority = "normal",
        hold_stdin: bool = False,
        marked: bool = True,
    ) -> None:
        self._clock = clock
        self._output_path = output_path
        self._affinity, self._priority = affinity, priority
        self._started_at_s = time.time()
        self._mark = new_mark()
        self._seen: dict[int, psutil.Process] = {}
        _TITLES.add(self)
        self._cpu_time_s = 0.0
        self._output_bytes = -1
        self._last_sign_s = clock.now_s()
        self._watched_s = -1e9
        full_environment = {**os.environ, **(environment or {})}
        if marked:
            full_environment[MARK] = self._mark
        try:
            with output_path.open("ab") as output:
                self._popen = _spawn(arguments, cwd, output, full_environment, affinity, priority, hold_stdin)
        except (OSError, ValueError) as error:
            raise WorkloadFailed(
                f"{arguments[0]} can't be started in {cwd} ({error}); check the title's command"
            ) from error
        with contextlib.suppress(psutil.NoSuchProcess):
            self._seen[self._popen.pid] = psutil.Process(self._popen.pid)
        try:
            _settle(self._popen.pid, affinity, priority)
        except psutil.NoSuchProcess:
            pass  # it ended at once; poll tells
        except (OSError, ValueError, psutil.AccessDenied) as error:
            self.end(0.0)
            raise WorkloadFailed(
                f"{arguments[0]} can't be given priority {priority} and processors "
                f"{list(affinity) if affinity is not None else 'all'} ({error}); a priority above normal "
                "needs an elevated harness (Linux: a nice limit in limits.conf or CAP_SYS_NICE)"
            ) from error

    @property
    def pid(self) -> int:
        """Id of the process that was started."""
        return self._popen.pid

    def exit_code(self) -> int | None:
        """Exit code of the process that was started; None while it runs."""
        return self._popen.poll()

    def alive(self) -> bool:
        """Whether any process of the tree lives. Looks for strays only once the first process has ended."""
        return self._popen.poll() is None or bool(self.tree())

    def tree(self) -> list[psutil.Process]:
        """All living processes of the tree, also those that a launcher left behind."""
        found = {p.pid: p for p in self._seen.values() if _is_alive(p)}
        for process in list(found.values()):
            with contextlib.suppress(*_GONE):
                found.update({child.pid: child for child in process.children(recursive=True)})
        if self._popen.poll() is not None:
            found.update({p.pid: p for p in _marked() if _mark_of(p) == self._mark})
        self._seen.update(found)
        return [p for p in found.values() if _is_alive(p)]

    def adopt(self, name: str) -> psutil.Process | None:
        """Make a program of that name part of the tree: for a launcher that has a service start the title.

        It must have been started after the launcher; it gets the same processors and priority from now on.
        Looks through all processes of the machine: some milliseconds.

        Returns:
            The process; None while there is none.
        """
        for process in psutil.process_iter(["name", "create_time"]):
            known = process.info
            if known["name"] == name and (known["create_time"] or 0) >= self._started_at_s - 1.0:
                with contextlib.suppress(OSError, ValueError, *_GONE):
                    _settle(process.pid, self._affinity, self._priority, inherited=False)
                self._seen[process.pid] = process
                return process
        return None

    def last_sign_s(self, watched: Iterable[Path] = ()) -> float:
        """Clock time at which the output or a watched file last grew or the tree last used CPU time.

        Looks at most every half second, so it is cheap to call at every poll.
        """
        now_s = self._clock.now_s()
        if now_s - self._watched_s < 0.5:
            return self._last_sign_s
        self._watched_s = now_s
        size = sum(_size(path) for path in (self._output_path, *watched))
        cpu_time_s = 0.0
        for process in self.tree():
            with contextlib.suppress(*_GONE):
                times = process.cpu_times()
                cpu_time_s += times.user + times.system
        # A title that waits for a lock still takes a tick now and then: ask for over 10 ms of CPU time.
        if size != self._output_bytes or abs(cpu_time_s - self._cpu_time_s) > 0.010:
            self._output_bytes, self._cpu_time_s = size, cpu_time_s
            self._last_sign_s = now_s
        return self._last_sign_s

    def end(self, grace_s: float) -> None:
        """Ask it to end, wait up to ``grace_s``, then end the whole tree. Safe to call twice."""
        seen = self.tree()
        if self._popen.stdin is not None:
            with contextlib.suppress(OSError):
                self._popen.stdin.close()
        if grace_s > 0 and seen:
            if self._popen.stdin is None:
                _ask(seen)
            _wait_until_gone(seen, grace_s)
        for _ in range(5):
            tree = self.tree()
            for process in tree:
                with contextlib.suppress(*_GONE):
                    process.kill()
            if self._popen.poll() is None:
                self._popen.kill()
            _wait_until_gone(tree, 2.0)
            if not tree:
                break
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._popen.wait(timeout=5.0)


def new_mark() -> str:
    """Value of the variable :data:`MARK` for one more program of this harness: its run, and who owns it."""
    return f"{uuid.uuid4().hex}/{os.getpid()}/{_birth_s(psutil.Process()):.2f}"


def own_processes() -> list[psutil.Process]:
    """The harness, all that it started, and all that its titles started, as far as they still live.

    Costs about 10 µs for each process of the machine.
    """
    harness = psutil.Process()
    found = {harness.pid: harness}
    with contextlib.suppress(*_GONE):
        found.update({child.pid: child for child in harness.children(recursive=True)})
    for title in list(_TITLES):
        found.update({p.pid: p for p in list(title._seen.values()) if _is_alive(p)})
    return list(found.values())


def kill_own_titles() -> None:
    """Kill what the titles of this process are, without a word: for a program that ends at once."""
    for process in own_processes():
        if process.pid != os.getpid() and _mark_of(process):
            with contextlib.suppress(*_GONE):
                process.kill()


def end_orphans() -> list[str]:
    """End titles whose harness was killed before it could end them.

    Returns:
        Names of the processes that were ended.
    """
    ended: list[psutil.Process] = []
    names: list[str] = []
    for process in _marked():
        _, _, owner = _mark_of(process).partition("/")
        if owner and not _owner_lives(owner):
            with contextlib.suppress(*_GONE):
                name = process.name()
                process.kill()
                ended.append(process)
                names.append(name)
    _wait_until_gone(ended, 5.0)
    return names


def _owner_lives(owner: str) -> bool:
    pid, _, created_s = owner.partition("/")
    try:
        return abs(_birth_s(psutil.Process(int(pid))) - float(created_s)) < 1.0
    except (ValueError, psutil.NoSuchProcess):
        return False
    except psutil.AccessDenied:
        return True


def _birth_s(process: psutil.Process) -> float:
    """When a process was started, on a scale that a set clock does not move.

    Linux counts from the boot, and psutil adds the time of the boot, which moves when the clock is set;
    Windows notes the wall-clock time once.
    """
    return process.create_time() - (psutil.boot_time() if sys.platform == "linux" else 0.0)


def _marked() -> list[psutil.Process]:
    return [p for p in psutil.process_iter() if p.pid != os.getpid() and _mark_of(p)]


def _mark_of(process: psutil.Process) -> str:
    try:
        return process.environ().get(MARK, "")
    except (*_GONE, OSError):
        return ""


def _is_alive(process: psutil.Process) -> bool:
    try:
        return process.is_running() and process.status() != psutil.STATUS_ZOMBIE
    except _GONE:
        return False


def _ask(tree: Sequence[psutil.Process]) -> None:
    """Ask every process of a tree to end, since a script that started a title does not pass a request on."""
    for process in tree:
        if sys.platform == "win32":
            with contextlib.suppress(OSError, *_GONE):
                process.send_signal(signal.CTRL_BREAK_EVENT)  # to the console programs of its group
            # Without /F it asks the program's windows to close.
            subprocess.run(["taskkill", "/PID", str(process.pid)], capture_output=True, check=False)
        else:
            with contextlib.suppress(OSError, *_GONE):
                process.terminate()


def _wait_until_gone(processes: Sequence[psutil.Process], timeout_s: float) -> None:
    """A zombie counts as gone: who started it may never collect it, and it holds nothing."""
    end_s = time.monotonic() + timeout_s
    while any(_is_alive(p) for p in processes) and time.monotonic() < end_s:
        time.sleep(0.02)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _spawn(
    arguments: Sequence[str],
    cwd: Path,
    output: IO[bytes],
    environment: dict[str, str],
    affinity: Sequence[int] | None,
    priority: Priority,
    hold_stdin: bool,
) -> subprocess.Popen[bytes]:
    stdin = subprocess.PIPE if hold_stdin else subprocess.DEVNULL
    if sys.platform == "win32":
        flags = subprocess.CREATE_NEW_PROCESS_GROUP | windows_priority_class(priority)
        return subprocess.Popen(
            arguments,
            cwd=cwd,
            stdin=stdin,
            stdout=output,
            stderr=subprocess.STDOUT,
            env=environment,
            creationflags=flags,
        )
    # The child inherits the mask of the thread that starts it, so it never runs a moment without it.
    with _SPAWNING, _thread_affinity(affinity):
        return subprocess.Popen(
            arguments,
            cwd=cwd,
            stdin=stdin,
            stdout=output,
            stderr=subprocess.STDOUT,
            env=environment,
            start_new_session=True,
        )


@contextlib.contextmanager
def _thread_affinity(affinity: Sequence[int] | None) -> Iterator[None]:
    if sys.platform != "linux" or affinity is None:
        yield
        return
    before = os.sched_getaffinity(0)
    os.sched_setaffinity(0, affinity)
    try:
        yield
    finally:
        os.sched_setaffinity(0, before)


def _settle(pid: int, affinity: Sequence[int] | None, priority: Priority, *, inherited: bool = True) -> None:
    """What a child does not get at its start: affinity on Windows, priority on Unix (Linux: each thread)."""
    process = psutil.Process(pid)
    if affinity is not None and (sys.platform == "win32" or not inherited):
        process.cpu_affinity(list(affinity))
    if sys.platform == "win32":
        if not inherited:
            process.nice(windows_priority_class(priority))
    elif priority != "normal":
        process.nice(NICENESS[priority])
        if sys.platform == "linux":
            for thread in process.threads():
                with contextlib.suppress(ProcessLookupError):
                    os.setpriority(os.PRIO_PROCESS, thread.id, NICENESS[priority])
