"""Which processes belong together, told cheaply: the machine's list is compared with the last one.

Only a process that was not there at the last look is asked for its parent, session and mark, once; members of
a family are asked for their processor time, all in one read of 3 µs from a file that is kept open, which is
taken apart only where it changed. So a look stays cheap for a title of sixty processes on a machine with
hundreds. Linux reads ``/proc`` itself; elsewhere psutil is asked (:class:`CachedLooks`).

Imports nothing of the package and no large library: the watch process lives on it.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import time
import weakref
from collections.abc import Callable, Iterable, Set
from typing import Any, Final, NamedTuple

import psutil

#: Environment variable that marks a title's processes; see :func:`harness.marks.new_mark`.
MARK = "LEVELRIG_PROCESS_MARK"

#: So many files of processes are kept open at most; those beyond are opened again at each look.
MOST_KEPT_OPEN: Final = 128
_STAT_BYTES = 1024
_MARK_BYTES = MARK.encode() + b"="
_GONE = (psutil.NoSuchProcess, psutil.ZombieProcess, psutil.AccessDenied)
if sys.platform == "win32":
    _TICKS_PER_S = 1
else:
    _TICKS_PER_S = os.sysconf("SC_CLK_TCK")


class Seen(NamedTuple):
    """A process at one look.

    Attributes:
        born: When it was started, on a scale of the system that a set clock does not move.
        cpu_s: Its processor time, user and system.
        collected_s: That of its children that ended and were collected.
    """

    pid: int
    parent: int
    session: int
    born: float
    cpu_s: float
    collected_s: float


def list_pids() -> Iterable[int]:
    """Ids of all processes."""
    if sys.platform == "linux":
        return [int(name) for name in os.listdir("/proc") if name.isdigit()]  # noqa: PTH208
    return psutil.pids()


def look_at(pid: int, known: Seen | None = None) -> Seen | None:
    """A living process; None where there is none, or only a zombie.

    Args:
        known: What an earlier look saw, to save asking for what can't change.
    """
    if sys.platform == "linux":
        try:
            descriptor = os.open(f"/proc/{pid}/stat", os.O_RDONLY)
            try:
                text = os.read(descriptor, _STAT_BYTES)
            finally:
                os.close(descriptor)
        except OSError:
            return None
        return _taken_apart(pid, text)
    return OTHER_LOOKS.look_at(pid, known)


class CachedLooks:
    """Looks at processes where there is no ``/proc``: what can't change is asked for once.

    On Windows a parent is found in a list of the whole machine, a state too, and the environment of another
    process is read out of its memory. A process that may not be looked at has no parent, mark or processor
    time here, and is not asked again; it ends when its id is no longer listed.

    Args:
        process: Makes a look at a process: ``psutil.Process``.
        has_zombies: Whether a process that ended may still be listed.
    """

    def __init__(self, process: Callable[[int], Any], *, has_zombies: bool) -> None:
        self._process = process
        self._has_zombies = has_zombies
        self._parents: dict[tuple[int, float], int] = {}
        self._marks: dict[tuple[int, float], str] = {}

    def look_at(self, pid: int, known: Seen | None = None) -> Seen | None:
        """See :func:`look_at`."""
        try:
            process = self._process(pid)
            born = process.create_time()
            if self._has_zombies and process.status() == psutil.STATUS_ZOMBIE:
                return None
        except _GONE:
            return None
        cpu_s = 0.0
        with contextlib.suppress(psutil.AccessDenied):
            try:
                times = process.cpu_times()
            except (psutil.NoSuchProcess, psutil.ZombieProcess):
                return None
            cpu_s = times.user + times.system
        if known is not None and known.born == born:
            return known._replace(cpu_s=max(cpu_s, known.cpu_s))
        return Seen(pid, self._parent(process, pid, born), 0, born, cpu_s, 0.0)

    def mark_of(self, pid: int) -> str:
        """See :func:`mark_of`."""
        try:
            process = self._process(pid)
            key = pid, process.create_time()
            if key not in self._marks:
                self._marks[key] = process.environ().get(MARK, "")
            return self._marks[key]
        except (psutil.NoSuchProcess, psutil.ZombieProcess):
            return ""
        except (psutil.AccessDenied, OSError):
            with contextlib.suppress(*_GONE):
                self._marks[pid, self._process(pid).create_time()] = ""
            return ""

    def keep_only(self, pids: Set[int]) -> None:
        """Forget all others."""
        for gone in [key for key in self._parents if key[0] not in pids]:
            del self._parents[gone]
        for gone in [key for key in self._marks if key[0] not in pids]:
            del self._marks[gone]

    def _parent(self, process: Any, pid: int, born: float) -> int:
        key = pid, born
        if key not in self._parents:
            self._parents[key] = 0
            with contextlib.suppress(*_GONE):
                self._parents[key] = process.ppid()
        return self._parents[key]


OTHER_LOOKS: Final = CachedLooks(psutil.Process, has_zombies=sys.platform != "win32")


def _taken_apart(pid: int, text: bytes) -> Seen | None:
    """What proc_pid_stat(5) says; None for a zombie. The name, in brackets, may hold anything."""
    field = text[text.rfind(b")") + 2 :].split(None, 20)
    if len(field) < 20 or field[0] in (b"Z", b"X"):
        return None
    user, system, children_user, children_system = (int(word) for word in field[11:15])
    return Seen(
        pid,
        int(field[1]),
        int(field[3]),
        float(field[19]),
        (user + system) / _TICKS_PER_S,
        (children_user + children_system) / _TICKS_PER_S,
    )


class KeptOpen:
    """Looks at the same processes over and over, on Linux through files that stay open.

    An open file of ``/proc`` goes on meaning the process that it was opened for, also where its id is given
    to another one, and where nothing has changed since the last look its text is the same.
    """

    def __init__(self) -> None:
        self._files: dict[int, tuple[int, bytes, Seen | None]] = {}

    def look_at(self, pid: int, known: Seen) -> Seen | None:
        """As :func:`look_at`, for the very process that is known; None also where it is another by now."""
        kept = self._files.get(pid)
        if sys.platform != "linux" or kept is None:
            now = look_at(pid, known)
            if now is None or now.born != known.born:
                return None
            if sys.platform == "linux" and len(self._files) < MOST_KEPT_OPEN:
                with contextlib.suppress(OSError):  # no more files may be open: it is opened each time
                    self._files[pid] = os.open(f"/proc/{pid}/stat", os.O_RDONLY), b"", None
            return now
        descriptor, before, seen = kept
        try:
            text = os.pread(descriptor, _STAT_BYTES, 0)
        except OSError:
            text = b""
        if text == before and text:
            return seen
        now = _taken_apart(pid, text)
        if now is None or now.born != known.born:
            self._close(pid)
            return None
        self._files[pid] = descriptor, text, now
        return now

    def keep_only(self, pids: Iterable[int]) -> None:
        """Close the files of all other processes."""
        for pid in self._files.keys() - set(pids):
            self._close(pid)

    def _close(self, pid: int) -> None:
        with contextlib.suppress(OSError):
            os.close(self._files.pop(pid)[0])


def mark_of(pid: int) -> str:
    """The mark in a process's environment; empty where there is none or it can't be read."""
    if sys.platform == "linux":
        try:
            with open(f"/proc/{pid}/environ", "rb") as file:  # noqa: PTH123
                environment = b"\0" + file.read()
        except OSError:
            return ""
        at = environment.find(b"\0" + _MARK_BYTES)
        if at < 0:
            return ""
        begins = at + 1 + len(_MARK_BYTES)
        return environment[begins : environment.find(b"\0", begins)].decode("utf-8", "replace")
    return OTHER_LOOKS.mark_of(pid)


def writes_into(pid: int, pipe: int) -> bool:
    """Whether a process has that pipe as its standard output or error. Linux only; elsewhere never."""
    for descriptor in (1, 2) if sys.platform == "linux" else ():
        with contextlib.suppress(OSError):
            if os.readlink(f"/proc/{pid}/fd/{descriptor}") == f"pipe:[{pipe}]":  # noqa: PTH115
                return True
    return False


class Family:
    """A process and all that it started, directly or not.

    One that left its parent and its session is known by the family's mark in its environment, and one that
    threw that away too by the family's output, which nobody else can have. One that between two looks dropped
    all four is not found: to be the parent that orphans fall to (Linux: a subreaper) would take a process
    between the harness and each title, since the harness's own orphans may be anybody's, as a control's.
    """

    def __init__(self, mark: str = "") -> None:
        self.mark = mark
        #: Number of the pipe that takes its output; 0 where there is none.
        self.pipe = 0
        self.members: dict[int, Seen] = {}
        #: Sessions of which this family is sure: those that a member leads.
        self.sessions: set[int] = set()
        #: Processor time of members that ended.
        self.ended_cpu_s = 0.0

    def add(self, seen: Seen) -> None:
        """Make a process a member."""
        self.members[seen.pid] = seen
        if seen.session == seen.pid:
            self.sessions.add(seen.session)

    def claims(self, seen: Seen, mark: str) -> bool:
        """Whether a process that is new belongs to it."""
        parent = self.members.get(seen.parent)
        return (
            # Where orphans keep the id of a parent that ended (Windows), it may be given out again.
            (parent is not None and parent.born <= seen.born)
            or (seen.session != 0 and seen.session in self.sessions)
            or (bool(self.mark) and mark == self.mark)
            or (bool(self.pipe) and not mark and writes_into(seen.pid, self.pipe))
        )

    @property
    def cpu_s(self) -> float:
        """Processor time of all members, those that ended included."""
        return self.ended_cpu_s + sum(seen.cpu_s for seen in self.members.values())


class ProcessTable:
    """Keeps families up to date. Thread-safe; one for each program."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._families: weakref.WeakSet[Family] = weakref.WeakSet()
        self._known: set[int] = set()
        self._open = KeptOpen()
        self._looked_s = -1e9

    def watch(self, family: Family, root: int) -> None:
        """Keep a family from now on, beginning with a process."""
        with self._lock:
            seen = look_at(root)
            if seen is not None:
                family.add(seen)
            self._families.add(family)
            self._known.clear()  # what it started meanwhile was seen as a stranger
            self._looked_s = -1e9

    def adopt(self, family: Family, pid: int) -> None:
        """Make a process that is no descendant a member, with what it starts from now on."""
        with self._lock:
            seen = look_at(pid)
            if seen is not None:
                family.add(seen)
            self._known.clear()

    def knows(self, pid: int) -> bool:
        """Whether that process was there at the last look."""
        return pid in self._known

    def refresh(self, at_most_age_s: float = 0.0) -> None:
        """Look, unless the last look is younger than this."""
        with self._lock:
            now_s = time.monotonic()
            if now_s - self._looked_s < at_most_age_s:
                return
            self._looked_s = now_s
            pids = set(list_pids())
            new, self._known = pids - self._known, pids
            OTHER_LOOKS.keep_only(pids)
            looked: dict[int, Seen | None] = {}
            families = list(self._families)
            for family in families:
                self._renew(family, looked)
            self._open.keep_only(looked)
            strangers = [seen for pid in new if (seen := looked.get(pid) or look_at(pid)) is not None]
            strangers.sort(key=lambda seen: (seen.born, seen.pid))
            marks = {seen.pid: mark_of(seen.pid) for seen in strangers}
            for family in families:
                self._gather(family, strangers, marks)

    def _renew(self, family: Family, looked: dict[int, Seen | None]) -> None:
        for pid, before in list(family.members.items()):
            if pid not in looked:
                looked[pid] = self._open.look_at(pid, before)
            now = looked[pid]
            if now is None or now.born != before.born:
                del family.members[pid]
                family.ended_cpu_s += before.cpu_s
            else:
                family.members[pid] = now

    @staticmethod
    def _gather(family: Family, strangers: list[Seen], marks: dict[int, str]) -> None:
        more = True
        while more:  # a child may have been born in the same tick as its parent
            more = False
            for seen in strangers:
                if seen.pid not in family.members and family.claims(seen, marks[seen.pid]):
                    family.add(seen)
                    more = True


def end_all(processes: Iterable[Seen]) -> list[str]:
    """End processes at once, each only if it is still the one that was seen. Returns their names."""
    names = []
    for seen in processes:
        with contextlib.suppress(OSError, *_GONE):
            process = psutil.Process(seen.pid)
            name = process.name()
            if (now := look_at(seen.pid)) is not None and now.born == seen.born:
                process.kill()
                names.append(name)
    return names
