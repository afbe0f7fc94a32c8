"""The look at a title's processes: what is kept between two looks, and what is never believed from before."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness import proctable
from harness.proctable import Family, KeptOpen, ProcessTable, look_at

SLEEPER = [sys.executable, "-S", "-c", "import time; time.sleep(600)"]
BUSY = [sys.executable, "-S", "-c", "while True: pass"]
linux = pytest.mark.skipif(sys.platform != "linux", reason="files of /proc")


@pytest.fixture
def started() -> Iterator[list[subprocess.Popen[bytes]]]:
    processes: list[subprocess.Popen[bytes]] = []
    yield processes
    for process in processes:
        process.kill()
        process.wait(10.0)


def open_stats() -> int:
    links = Path("/proc/self/fd").iterdir()
    return sum(link.is_symlink() and str(link.readlink()).endswith("/stat") for link in links)


def test_one_that_ended_is_gone_and_one_that_works_is_seen_to_work(
    started: list[subprocess.Popen[bytes]],
) -> None:
    started += [subprocess.Popen(SLEEPER), subprocess.Popen(BUSY)]
    kept, (sleeper, busy) = KeptOpen(), (look_at(process.pid) for process in started)
    assert sleeper is not None
    assert busy is not None
    for _ in range(3):
        assert kept.look_at(sleeper.pid, sleeper) is not None
    while (now := kept.look_at(busy.pid, busy)) is None or now.cpu_s < busy.cpu_s + 0.2:
        assert now is not None
    started[0].kill()
    os.waitid(os.P_PID, sleeper.pid, os.WEXITED | os.WNOWAIT)  # it ended, and nobody has collected it
    assert kept.look_at(sleeper.pid, sleeper) is None
    started[0].wait(10.0)
    assert kept.look_at(sleeper.pid, sleeper) is None
    kept.keep_only([])


def test_another_process_under_the_same_id_is_not_taken_for_it(
    started: list[subprocess.Popen[bytes]],
) -> None:
    started.append(subprocess.Popen(SLEEPER))
    seen = look_at(started[0].pid)
    assert seen is not None
    kept, earlier = KeptOpen(), seen._replace(born=seen.born - 1)
    assert kept.look_at(seen.pid, earlier) is None  # at the first look, which opens the file
    assert kept.look_at(seen.pid, seen) == seen
    assert kept.look_at(seen.pid, earlier) is None  # and at a later one


@linux
def test_files_are_kept_open_for_members_only_and_never_too_many(
    started: list[subprocess.Popen[bytes]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(proctable, "MOST_KEPT_OPEN", 3)
    before = open_stats()
    started += [subprocess.Popen(SLEEPER) for _ in range(5)]
    table, family = ProcessTable(), Family()
    for process in started:
        table.watch(family, process.pid)
    for _ in range(2):
        table.refresh()
        assert len(family.members) == 5
        assert open_stats() == before + 3
    for process in started:
        process.kill()
        process.wait(10.0)
    table.refresh()
    assert not family.members
    assert open_stats() == before
