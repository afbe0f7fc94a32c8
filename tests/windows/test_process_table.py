"""A process table as Windows shows it: denied looks, coarse clocks, ids that are given out again."""

from __future__ import annotations

from collections import Counter
from types import SimpleNamespace

import psutil
import pytest

from harness import proctable
from harness.apart import BREAKAWAY, NEW_GROUP, NO_WINDOW, start_on_windows
from harness.proctable import MARK, CachedLooks, Family, Seen

TICK_S = 0.015625  # births come in steps of a clock's tick


class Table:
    """Processes by id, and how often the memory of another process was read."""

    def __init__(self):
        self.processes, self.reads = {}, Counter()

    def start(self, pid, parent, born, *, mark="", denied=()):
        self.processes[pid] = SimpleNamespace(parent=parent, born=born, mark=mark, denied=denied, cpu_s=1.0)

    def __call__(self, pid):
        if pid not in self.processes:
            raise psutil.NoSuchProcess(pid)
        found = self.processes[pid]

        def read(what, value):
            def answer():
                self.reads[what] += 1
                if what in found.denied:
                    raise psutil.AccessDenied(pid)
                return value() if callable(value) else value

            return answer

        return SimpleNamespace(
            create_time=lambda: found.born,
            ppid=read("parent", found.parent),
            environ=read("memory", {MARK: found.mark} if found.mark else {}),
            cpu_times=read("times", lambda: SimpleNamespace(user=found.cpu_s, system=0.0)),
            status=read("state", psutil.STATUS_RUNNING),
        )


@pytest.fixture
def table():
    return Table()


@pytest.fixture
def looks(table):
    return CachedLooks(table, has_zombies=False)


def test_memory_parent_and_state_of_a_machine_full_of_programs_are_asked_for_once(table, looks):
    """Thousands of reads a second before: for each look the environment of each process and a list of all."""
    for pid in range(4, 404, 4):
        table.start(pid, 4, 10.0)
    for _ in range(20):
        for pid in table.processes:
            looks.mark_of(pid)
            looks.look_at(pid)
    assert (table.reads["memory"], table.reads["parent"], table.reads["state"]) == (100, 100, 0)
    looks.keep_only({4})
    looks.mark_of(4)
    looks.mark_of(8)
    assert table.reads["memory"] == 101


def test_another_process_under_the_same_id_is_read_again(table, looks):
    table.start(40, 4, 10.0, mark="mine")
    assert looks.mark_of(40) == "mine"
    table.start(40, 8, 20.0)
    assert looks.mark_of(40) == ""
    assert looks.look_at(40).parent == 8


def test_one_that_may_not_be_looked_at_lives_until_it_is_gone(table, looks):
    """An elevated child of a title: it runs on, so the title has not ended."""
    table.start(40, 4, 10.0, denied=("memory", "times", "parent"))
    seen = looks.look_at(40)
    assert seen == Seen(40, 0, 0, 10.0, 0.0, 0.0)
    assert looks.look_at(40, seen._replace(cpu_s=3.0)).cpu_s == 3.0
    assert looks.mark_of(40) == looks.mark_of(40) == ""
    assert table.reads["memory"] == 1
    del table.processes[40]
    assert looks.look_at(40) is None


def test_a_stranger_whose_parent_had_the_titles_id_before_is_not_taken_for_its_child(table, looks):
    """Windows keeps a parent's id in a process and gives it out again: the stranger would be ended."""
    table.start(600, 40, 10.0)  # its parent 40 ended long ago
    table.start(40, 4, 500.0)  # the title
    table.start(700, 40, 500.0)  # a child, born in the same tick
    family = Family()
    family.add(looks.look_at(40))
    assert not family.claims(looks.look_at(600), "")
    assert family.claims(looks.look_at(700), "")


def test_the_rest_of_the_program_looks_through_these_where_there_is_no_proc(table, monkeypatch):
    monkeypatch.setattr(proctable, "OTHER_LOOKS", CachedLooks(table, has_zombies=False))
    monkeypatch.setattr(proctable, "sys", SimpleNamespace(platform="win32"))
    table.start(40, 4, 500 * TICK_S, mark="mine")
    assert proctable.mark_of(40) == "mine"
    assert proctable.look_at(40).born == 500 * TICK_S


def test_a_guard_has_no_window_and_leaves_the_job_of_its_terminal_where_that_lets_it():
    """CreateProcess fails with error 5 where CREATE_BREAKAWAY_FROM_JOB is not allowed by the job."""
    given = []

    def start(command, creationflags):
        given.append(creationflags)
        if creationflags & BREAKAWAY and refuses:
            raise PermissionError(13, "Access is denied")
        return command

    refuses = False
    assert start_on_windows(["guard"], start) == ["guard"]
    refuses = True
    assert start_on_windows(["guard"], start) == ["guard"]
    apart = NO_WINDOW | NEW_GROUP
    assert given == [apart | BREAKAWAY, apart | BREAKAWAY, apart]
