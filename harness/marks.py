"""The mark that says whose a title's process is, and the end of titles whose run is dead.

Every title carries the mark in its environment, and so does all that it starts. It names the run and its
owner so exactly that no other can be meant: process id with its birth, boot, process namespace, user.

Imports no large library: the watch process lives on it.
"""

from __future__ import annotations

import contextlib
import os
import sys
import time
import uuid
from collections.abc import Iterable

import psutil

from harness.identity import Owner, ourselves
from harness.proctable import Family, Seen, end_all, list_pids, look_at, mark_of

_ROUNDS = 10


def new_mark() -> str:
    """Value of :data:`MARK` for one more program of this harness: a name of its own, then the owner."""
    return "/".join((uuid.uuid4().hex, *ourselves()))


def owner_of(mark: str) -> Owner | None:
    """The owner that a mark names; None if it is no mark of ours."""
    parts = mark.split("/")
    return Owner(*parts[1:]) if len(parts) == 1 + len(Owner._fields) else None


def end_dead_runs_titles(also: Iterable[tuple[int, float]] = ()) -> list[str]:
    """End every process that belongs to a run which is no more, with all that such a process started.

    A run counts as dead where its mark is of this boot, this process namespace and this user, and the process
    that it names does not run any more (its birth tells a reused id). All other marks are left alone: those
    of a living run, of another user, of another container, of another machine. Safe to call at any time,
    by any number of programs at once; costs about 20 µs for each process of the machine, and never takes
    longer than 10 s.

    Args:
        also: Further processes of a dead run, as (id, birth): programs that its titles only asked for.
    Returns:
        Names of the processes that were ended.
    """
    names: list[str] = []
    end_s = time.monotonic() + 10.0
    told = set(also)
    for _ in range(_ROUNDS):  # one that multiplies is met again
        found = _left_behind(told)
        if not found or time.monotonic() > end_s:
            break
        names += end_all(found)
        while any(_still(seen) for seen in found) and time.monotonic() < end_s:
            time.sleep(0.02)
    return names


def _still(seen: Seen) -> bool:
    now = look_at(seen.pid)
    return now is not None and now.born == seen.born


def _left_behind(told: set[tuple[int, float]]) -> list[Seen]:
    family, strangers, verdicts = Family(), [], {}
    for pid in list_pids():
        if pid == os.getpid() or (seen := look_at(pid)) is None:
            continue
        mark = mark_of(pid)
        if mark not in verdicts:
            owner = owner_of(mark)
            verdicts[mark] = owner is not None and owner.here and not owner.lives
        if (pid, seen.born) in told or (verdicts[mark] and _is_ours(pid)):
            family.add(seen)
        elif not mark:
            strangers.append(seen)
    more = bool(family.members)
    while more:
        more = False
        for seen in strangers:
            if seen.pid not in family.members and family.claims(seen, ""):
                family.add(seen)
                more = True
    return list(family.members.values())


def _is_ours(pid: int) -> bool:
    if sys.platform == "win32":
        return True  # the environment of another user's process can't be read
    with contextlib.suppress(psutil.Error):
        return psutil.Process(pid).uids().real == os.getuid()
    return False
