"""A program started for an attempt, with everything that it starts in turn: start, watch, end.

Every title carries a mark in its environment (:mod:`harness.marks`), which its descendants inherit. So the
whole tree is found even where a launcher started the title and left, and a tree whose harness was killed is
ended by the watch (:mod:`harness.titlewatch`). Looks are cheap (:mod:`harness.proctable`), output is bounded
(:mod:`harness.output`), every wait has a limit. Linux and Windows; no shell is ever involved.
"""

from __future__ import annotations

import contextlib
import errno
import os
import signal
import subprocess
import sys
import threading
import time
import weakref
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import IO, Literal

import psutil

from harness import inside
from harness.clock import Clock
from harness.errors import WorkloadFailed
from harness.isolated import python_command
from harness.marks import end_dead_runs_titles, new_mark
from harness.output import OutputPump, TakeLines, own_terminal
from harness.proctable import MARK, Family, ProcessTable, Seen, end_all, list_pids
from harness.rig import Priority
from harness.titlewatch import TitleWatch
from harness.windows.calls import windows_calls
from harness.windows.elevation import is_elevated
from harness.windows.jobs import CREATE_SUSPENDED, Job
from harness.windows.polite import ask_to_end, break_group

__all__ = ["MARK", "TitleProcess", "end_dead_runs_titles", "new_mark", "own_cpu_s", "own_processes"]

#: Longest time between two looks at a title's processes, seconds.
LOOK_EVERY_S = 1.0
#: Longest that the end of a title's output is waited for once its process has ended: what it started may
#: hold the output open.
_LAST_WORDS_S = 2.0
#: What levelrig's own variables begin with.
_OWN_VARIABLES = "LEVELRIG_"

#: How a program is asked to end.
Ending = Literal["ask", "interrupt", "wait"]

#: Looks for children that a program has started before it had its priority.
_LOOKS_FOR_EARLY_CHILDREN = 5
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
_TABLE = ProcessTable()
_WATCH = TitleWatch()
_HARNESS = Family()
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
        output_path: File that takes its standard output and error, appended to. That of a marked program is
            bounded: see :class:`harness.output.BoundedFile`.
        environment: Variables added to the harness's own.
        affinity: Logical processors that it and its descendants may use; None for all.
        priority: Scheduling priority.
        hold_stdin: Keep a pipe to its standard input open until :meth:`end`; a program that reads it sees
            its end when the harness ends, even when the harness is killed. Otherwise the input is empty.
        marked: Whether its descendants belong to it for ever, and end with the harness at the latest. Not
            for a command that may leave something running on purpose.
        take: Gets its lines as they come, on a thread of its own; see :data:`harness.output.TakeLines`.
        keep: Patterns of which the first line each is kept in the output, however long that grows.
        dated: Whether ``take`` needs to know to about 0.1 s before which time no line was written.
        terminal: Its output goes to a terminal of its own (POSIX), so that it is written line by line; many
            programs hold back what goes to a pipe.
        plainly: Windows: without elevation, also where the harness has it.

    Attributes:
        arguments, cwd, started_s: What was started, where, and when by the rig's clock.
        survivors: What of it :meth:`end` could not end, a sentence each.

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
        take: TakeLines | None = None,
        keep: Sequence[str] = (),
        dated: bool = False,
        terminal: bool = False,
        plainly: bool = False,
    ) -> None:
        self._clock = clock
        self.arguments, self.cwd = tuple(arguments), cwd
        self.started_s = clock.now_s()
        self._output_path = output_path
        self._affinity, self._priority = affinity, priority
        self._mark = new_mark() if marked else ""
        self._family = Family(self._mark)
        self._pump: OutputPump | None = None
        self._before = frozenset(list_pids())
        self._settled: set[int] = set()
        self._calls = windows_calls()
        self._job: Job | None = None
        self.survivors: tuple[str, ...] = ()
        self._named: set[int] = set()
        self._exited_s: float | None = None
        self._cpu_time_s = 0.0
        self._output_bytes = -1
        self._last_sign_s = clock.now_s()
        self._watched_s = -1e9
        full_environment = child_environment(environment)
        full_environment.pop(MARK, None)
        if marked:
            full_environment[MARK] = self._mark
            _WATCH.keep()
        words = list(arguments)
        if plainly and is_elevated(self._calls):
            words = [*python_command("harness.windows.elevation", "--"), *words]
        try:
            # Not through a pipe where something may stay behind that writes into it.
            source: IO[bytes] | None = None
            if terminal and marked and sys.platform != "win32":
                with own_terminal() as (source, end):
                    self._popen = _spawn(words, cwd, end, full_environment, affinity, priority, hold_stdin)
            else:
                with contextlib.nullcontext(subprocess.PIPE) if marked else _appended(output_path) as output:
                    self._popen = _spawn(words, cwd, output, full_environment, affinity, priority, hold_stdin)
                if self._popen.stdout is not None:
                    source = self._popen.stdout
                    self._family.pipe = os.fstat(source.fileno()).st_ino
            if source is not None:
                self._pump = OutputPump(source, output_path, clock.now_s, take, keep, dated)
        except (OSError, ValueError) as error:
            raise WorkloadFailed(
                f"{arguments[0]} can't be started in {cwd} ({error}); check the title's command",
                permanent=isinstance(error, FileNotFoundError | PermissionError | NotADirectoryError)
                or (isinstance(error, OSError) and error.errno == errno.ENOEXEC),
            ) from error
        _TABLE.watch(self._family, self._popen.pid)
        _TITLES.add(self)
        try:
            self._settled.add(self._popen.pid)
            try:
                _settle(self._popen.pid, affinity, priority)
            finally:
                self._let_run()
        except psutil.NoSuchProcess:
            pass  # it ended at once; poll tells
        except (OSError, ValueError, psutil.AccessDenied) as error:
            self.end(0.0)
            raise WorkloadFailed(
                f"{arguments[0]} can't be given priority {priority} and processors "
                f"{list(affinity) if affinity is not None else 'all'} ({error}); a priority above normal "
                "needs an elevated harness (Linux: a nice limit in limits.conf or CAP_SYS_NICE)"
            ) from error

    def _let_run(self) -> None:
        """Windows: it was started held, so that all that it starts is in its job from the first."""
        if self._calls is None:
            return
        if self._mark:
            with contextlib.suppress(OSError):  # then its tree is found by its mark alone
                self._job = Job(self._calls)
                self._job.take(self._popen.pid)
        psutil.Process(self._popen.pid).resume()

    def _look(self, at_most_age_s: float = 0.0) -> None:
        """Look at the tree; whoever joined it gets its processors and priority, where they don't inherit."""
        _TABLE.refresh(at_most_age_s)
        if self._calls is None or (self._affinity is None and self._priority == "normal"):
            return
        for pid in self._family.members.keys() - self._settled:
            self._settled.add(pid)
            with contextlib.suppress(OSError, ValueError, *_GONE):
                _settle(pid, self._affinity, self._priority, inherited=False)

    @property
    def pid(self) -> int:
        """Id of the process that was started."""
        return self._popen.pid

    @property
    def output_name(self) -> str:
        """Name of the file that takes its output."""
        return self._output_path.name

    def exit_code(self) -> int | None:
        """Exit code of the process that was started; None while it runs, or talks to us still."""
        code = self._popen.poll()
        if code is None or self._pump is None or self._pump.ended:
            return code
        if self._exited_s is None:
            self._exited_s = time.monotonic()
        ended_for_s = time.monotonic() - self._exited_s
        settled = min(ended_for_s, self._pump.quiet_s) > 0.3 or ended_for_s > _LAST_WORDS_S
        return code if settled else None

    def last_words(self, lines: int = 3) -> list[str]:
        """The last lines of its output that say something."""
        return [] if self._pump is None else self._pump.last_words(lines)

    def alive(self) -> bool:
        """Whether any process of the tree lives. Looks for strays only once the first process has ended."""
        if self._popen.poll() is None:
            return True
        first_look = self._pid_is_member()
        self._look(0.0 if first_look else LOOK_EVERY_S)
        return any(pid != self._popen.pid for pid in self._family.members)

    def _pid_is_member(self) -> bool:
        return self._popen.pid in self._family.members

    def tree(self) -> list[psutil.Process]:
        """All living processes of the tree now, also those that a launcher left behind."""
        self._look()
        found = []
        for pid in list(self._family.members):
            with contextlib.suppress(*_GONE):
                process = psutil.Process(pid)
                if _is_alive(process):
                    found.append(process)
        return found

    def adopt(self, name: str) -> psutil.Process | None:
        """Make programs of that name part of the tree: for a launcher that has a service start the title.

        Only those that were started after the launcher; they get its processors and priority from now on, and
        end with the harness at the latest.

        Returns:
            The first; None while there is none.
        """
        first = None
        for pid in set(list_pids()) - self._before:
            with contextlib.suppress(*_GONE):
                process = psutil.Process(pid)
                if process.name() != name:
                    continue
                if pid not in self._named:
                    self._named.add(pid)
                    with contextlib.suppress(OSError, ValueError):
                        _settle(pid, self._affinity, self._priority, inherited=False)
                    _TABLE.adopt(self._family, pid)
                    if self._job is not None:
                        self._job.take(pid)
                    if (seen := self._family.members.get(pid)) is not None:
                        _WATCH.tell(pid, seen.born)
                first = first or process
        return first

    def last_sign_s(self, watched: Iterable[Path] = ()) -> float:
        """Clock time at which the output or a watched file last grew or the tree last used CPU time.

        Looks at most every second, so it is cheap to call at every poll.
        """
        now_s = self._clock.now_s()
        if now_s - self._watched_s < LOOK_EVERY_S:
            return self._last_sign_s
        self._watched_s = now_s
        own = _size(self._output_path) if self._pump is None else self._pump.bytes_read
        size = own + sum(_size(path) for path in watched)
        self._look(LOOK_EVERY_S / 2)
        cpu_time_s = self._family.cpu_s
        # A title that waits for a lock still takes a tick now and then: ask for over 10 ms of CPU time.
        if size != self._output_bytes or abs(cpu_time_s - self._cpu_time_s) > 0.010:
            self._output_bytes, self._cpu_time_s = size, cpu_time_s
            self._last_sign_s = now_s
        return self._last_sign_s

    def end(self, grace_s: float, how: Ending = "ask") -> bool:
        """Ask it to end, wait up to ``grace_s``, then end the whole tree. Safe to call twice.

        Args:
            grace_s: How long it may take.
            how: Asked to end; as by Ctrl-C; or not asked, as what ends it was done already. One whose
                standard input is held is never asked: it sees its input's end.
        Returns:
            Whether all of it ended in time.
        """
        end_s = time.monotonic() + grace_s
        seen = self.tree()
        if self._popen.stdin is not None:
            with contextlib.suppress(OSError):
                self._popen.stdin.close()
        if grace_s > 0 and seen:
            if self._popen.stdin is None and how != "wait":
                self._ask(seen, grace_s, how)
            _wait_until_gone(seen, end_s - time.monotonic())
        in_time = True
        for _ in range(5):
            tree = self.tree()
            in_time = in_time and not tree
            for process in tree:
                with contextlib.suppress(*_GONE):
                    process.kill()
            if self._popen.poll() is None:
                with contextlib.suppress(OSError):  # Windows: it has higher rights
                    self._popen.kill()
            if self._job is not None:
                self._job.end()
            _wait_until_gone(tree, 2.0)
            if not tree:
                break
        else:
            self.survivors = tuple(_survivor(process) for process in self.tree())
        if self._job is not None:
            self._job.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._popen.wait(timeout=5.0)
        if self._pump is not None:
            self._pump.close()
        return in_time

    def _ask(self, tree: Sequence[psutil.Process], within_s: float, how: Ending) -> None:
        if self._calls is None:
            _ask(tree, how)
            return
        leader = self._popen.pid if self._popen.poll() is None else None
        if how == "interrupt":
            if leader is not None:
                break_group(self._calls, leader)
            return
        pids = {process.pid for process in tree}
        ask_to_end(self._calls, leader, pids, within_s, lambda seconds: _wait_until_gone(tree, seconds))


def _survivor(process: psutil.Process) -> str:
    name = "a program"
    with contextlib.suppress(*_GONE):
        name = process.name()
    return (
        f"{name} (process {process.pid}) could not be ended: it has higher rights, or hangs in the system; "
        "end it by hand, for it may disturb what follows"
    )


def _appended(path: Path) -> IO[bytes]:
    """A file that output is appended to; no link in its place is followed."""
    return os.fdopen(inside.open_file(path.parent, path, os.O_WRONLY | os.O_APPEND | os.O_CREAT), "ab")


def child_environment(added: Mapping[str, str] | None = None) -> dict[str, str]:
    """The harness's environment for a program that is none of its own, with ``added``.

    Levelrig's own variables stay behind: they hold notification addresses, which are secrets, and settings
    of this run, which a levelrig that the program starts must not take for its own.
    """
    kept = {name: value for name, value in os.environ.items() if not name.upper().startswith(_OWN_VARIABLES)}
    return {**kept, **(added or {})}


def started_titles(since_s: float) -> list[TitleProcess]:
    """Marked programs that were started since then, by the clock that they were given, in order."""
    found = [title for title in list(_TITLES) if title._mark and title.started_s >= since_s]
    return sorted(found, key=lambda title: title.started_s)


def family_of(process_id: int) -> list[int]:
    """Ids of the living processes that belong together with this one: all that one title started, also what
    left its parent. Only itself and its children where no title is known that it belongs to."""
    _TABLE.refresh(LOOK_EVERY_S / 2)
    for title in list(_TITLES):
        if process_id == title.pid or process_id in title._family.members:
            return [pid for pid in {title.pid, *title._family.members} if _lives(pid)]
    try:
        main = psutil.Process(process_id)
        return [p.pid for p in (main, *main.children(recursive=True)) if _is_alive(p)]
    except _GONE:
        return []


def _lives(pid: int) -> bool:
    try:
        return _is_alive(psutil.Process(pid))
    except _GONE:
        return False


def own_cpu_s() -> float:
    """Processor time of the harness, of all that it started, and of all that its titles started.

    With that of children that ended and were collected. Costs a few µs for each of these processes, and less
    than 1 µs for each other one of the machine.
    """
    _TABLE.refresh(LOOK_EVERY_S / 2)
    return sum(seen.cpu_s + seen.collected_s for seen in _own_members().values())


def own_processes() -> list[psutil.Process]:
    """The harness, all that it started, and all that its titles started, as far as they still live."""
    _TABLE.refresh()
    found = []
    for pid in _own_members():
        with contextlib.suppress(*_GONE):
            found.append(psutil.Process(pid))
    return found


def is_ours(pid: int) -> bool | None:
    """Whether a process is the harness, was started by it, or belongs to a title of it, whoever started it.

    None where it is not seen from here: it ended, or is in another name space.
    """
    _TABLE.refresh(LOOK_EVERY_S)
    if pid in _own_members():
        return True
    if not psutil.pid_exists(pid):
        return None
    if not _TABLE.knows(pid):  # it was started since
        _TABLE.refresh()
    return pid in _own_members()


def own_pids() -> frozenset[int]:
    """Ids of all of these, as of a look that is a second old at most."""
    _TABLE.refresh(LOOK_EVERY_S)
    return frozenset(_own_members())


class ProgramNames:
    """Names of processes, each asked for once."""

    def __init__(self) -> None:
        self._known: dict[int, tuple[float, str]] = {}

    def __call__(self, pid: int) -> str:
        """Its program's name; ``process N`` where that may not be seen."""
        try:
            process = psutil.Process(pid)
            born = process.create_time()
            if self._known.get(pid, (None, ""))[0] != born:
                self._known[pid] = born, process.name()
        except (*_GONE, OSError):
            return f"process {pid}"
        return self._known[pid][1]


def _own_members() -> dict[int, Seen]:
    if os.getpid() not in _HARNESS.members:
        _TABLE.watch(_HARNESS, os.getpid())
        _TABLE.refresh()
    members = dict(_HARNESS.members)
    for title in list(_TITLES):
        members.update(title._family.members)
    return members


def kill_own_titles() -> None:
    """Kill what the titles of this process are, without a word: for a program that ends at once."""
    _TABLE.refresh()
    end_all(seen for title in list(_TITLES) if title._mark for seen in list(title._family.members.values()))


def _is_alive(process: psutil.Process) -> bool:
    try:
        return process.is_running() and process.status() != psutil.STATUS_ZOMBIE
    except psutil.AccessDenied:
        return True  # Windows: it has higher rights
    except (psutil.NoSuchProcess, psutil.ZombieProcess):
        return False


def _ask(tree: Sequence[psutil.Process], how: Ending) -> None:
    """Ask every process of a tree to end, since a script that started a title does not pass a request on."""
    for process in tree:
        with contextlib.suppress(OSError, *_GONE):
            process.send_signal(signal.SIGINT if how == "interrupt" else signal.SIGTERM)


def _wait_until_gone(processes: Sequence[psutil.Process], timeout_s: float) -> bool:
    """Whether all are. A zombie counts as gone: who started it may never collect it, and it holds nothing."""
    end_s = time.monotonic() + timeout_s
    while alive := any(_is_alive(p) for p in processes):
        if time.monotonic() >= end_s:
            break
        time.sleep(0.02)
    return not alive


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _spawn(
    arguments: Sequence[str],
    cwd: Path,
    output: IO[bytes] | int,
    environment: dict[str, str],
    affinity: Sequence[int] | None,
    priority: Priority,
    hold_stdin: bool,
) -> subprocess.Popen[bytes]:
    flags = 0
    if sys.platform == "win32":
        flags = subprocess.CREATE_NEW_PROCESS_GROUP | windows_priority_class(priority) | CREATE_SUSPENDED
    # On Linux the child inherits the mask of the thread that starts it, so it never runs a moment without it.
    with _SPAWNING, _thread_affinity(affinity):
        return subprocess.Popen(
            arguments,
            cwd=cwd,
            stdin=subprocess.PIPE if hold_stdin else subprocess.DEVNULL,
            stdout=output,
            stderr=subprocess.STDOUT,
            env=environment,
            creationflags=flags,
            start_new_session=sys.platform != "win32",
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
        for _ in range(_LOOKS_FOR_EARLY_CHILDREN):  # a launcher may have started some before
            family = [process, *process.children(recursive=True)]
            if not sum(not _is_settled(one, NICENESS[priority]) for one in family):
                return


def _is_settled(process: psutil.Process, niceness: int) -> bool:
    """Give a process and its threads the niceness; whether it had it already, or is gone."""
    try:
        if process.nice() == niceness:
            return True
        process.nice(niceness)
        if sys.platform == "linux":
            for thread in process.threads():
                with contextlib.suppress(ProcessLookupError):
                    os.setpriority(os.PRIO_PROCESS, thread.id, niceness)
    except psutil.NoSuchProcess:
        return True
    return False
