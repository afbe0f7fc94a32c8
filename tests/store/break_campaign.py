"""Breaks the small campaign at every effect of the store, resumes it, and compares what it ends with.

A program of its own, so that it can fork: one child is broken, the next one resumes and is compared.
    python tests/store/break_campaign.py --how kill --repeats 2 --titles 1
    python tests/store/break_campaign.py --how kill --random 10000 --seed 1
Prints one JSON object; exit 1 if anything was lost, duplicated or different.
"""

from __future__ import annotations

import argparse
import errno
import json
import os
import random
import shutil
import signal
import sqlite3
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator
from io import FileIO
from pathlib import Path
from typing import Any, NoReturn

sys.path.insert(0, str(Path(__file__).parent))

import small_campaign as small

from harness.errors import StoreError
from harness.store.campaign import CampaignStore
from harness.store.files import TEMPORARY, FileSystem
from harness.store.verify import verify

#: how -> (what it does, effects that it applies to; None for all)
WAYS: dict[str, tuple[str, frozenset[str] | None]] = {
    "kill": ("SIGKILL before the effect", None),
    "kill-within": ("SIGKILL when half of the data is written", frozenset({"write"})),
    "kill-after": ("SIGKILL after the effect", None),
    "eio": ("the effect fails once with EIO", None),
    "eio-after": ("the effect happens, but reports EIO", frozenset({"fsync", "fsync_folder", "commit"})),
    "enospc": ("the effect fails once with ENOSPC", None),
    "enospc-within": ("half is written, then ENOSPC", frozenset({"write"})),
}


class BreakingFileSystem(FileSystem):
    """Counts effects and breaks the ``at``-th (from 1) in the way ``how``; 0 only counts."""

    def __init__(self, at: int = 0, how: str = "kill") -> None:
        self.at = at
        self.how = how
        self.done: list[str] = []

    def _applies(self, name: str) -> bool:
        """A random point may fall on an effect that its way has no meaning for; nothing breaks then."""
        kinds = WAYS[self.how][1]
        return kinds is None or name in kinds

    def _break(self, error: BaseException) -> None:
        if self.how.startswith("kill"):
            os.kill(os.getpid(), signal.SIGKILL)
        raise error

    def _effect(self, name: str, act: Any, error: BaseException, within: Any = None) -> None:
        self.done.append(name)
        if len(self.done) != self.at or not self._applies(name):
            act()
        elif self.how.endswith("-within"):
            within()
            self._break(error)
        elif self.how.endswith("-after"):
            act()
            self._break(error)
        else:
            self._break(error)
            act()

    def _error(self) -> OSError:
        number = errno.ENOSPC if self.how.startswith("enospc") else errno.EIO
        return OSError(number, os.strerror(number))

    def make_folder(self, path: Path) -> None:
        self._effect("make_folder", lambda: super(BreakingFileSystem, self).make_folder(path), self._error())

    def create(self, path: Path) -> FileIO:
        made: list[FileIO] = []
        self._effect(
            "create", lambda: made.append(super(BreakingFileSystem, self).create(path)), self._error()
        )
        return made[0]

    def write(self, file: FileIO, data: bytes) -> None:
        whole = super().write
        self._effect(
            "write",
            lambda: whole(file, data),
            self._error(),
            lambda: whole(file, bytes(data)[: len(data) // 2]),
        )

    def fsync(self, file: FileIO) -> None:
        self._effect("fsync", lambda: super(BreakingFileSystem, self).fsync(file), self._error())

    def rename(self, source: Path, target: Path) -> None:
        self._effect("rename", lambda: super(BreakingFileSystem, self).rename(source, target), self._error())

    def fsync_folder(self, path: Path) -> None:
        self._effect(
            "fsync_folder", lambda: super(BreakingFileSystem, self).fsync_folder(path), self._error()
        )

    def remove(self, path: Path) -> None:
        self._effect("remove", lambda: super(BreakingFileSystem, self).remove(path), self._error())

    def commit(self, connection: sqlite3.Connection, transition: str) -> None:
        full = self.how.startswith("enospc")
        error = sqlite3.OperationalError("database or disk is full" if full else "disk I/O error")
        error.sqlite_errorcode = sqlite3.SQLITE_FULL if full else sqlite3.SQLITE_IOERR_FSYNC
        error.sqlite_errorname = "SQLITE_FULL" if full else "SQLITE_IOERR_FSYNC"
        self._effect("commit", lambda: super(BreakingFileSystem, self).commit(connection, transition), error)
        self.done[-1] = f"commit:{transition}"

    def free_bytes(self, folder: Path) -> int:
        return super().free_bytes(folder)


def in_child(act: Any) -> tuple[int, Any]:
    """(wait status, what ``act`` returned) of a forked child; None if it was killed or failed."""
    reading, writing = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(reading)
        _child(act, writing)
    os.close(writing)
    with os.fdopen(reading) as pipe:
        text = pipe.read()
    _, status = os.waitpid(pid, 0)
    return status, json.loads(text) if text else None


def _child(act: Any, writing: int) -> NoReturn:
    code = 1
    try:
        result = act()
        with os.fdopen(writing, "w") as pipe:
            json.dump(result, pipe)
        code = 0
    except StoreError:
        code = 7  # the fault was told as levelrig tells it
    except BaseException:
        import traceback

        traceback.print_exc()
    finally:
        os._exit(code)


def judge(folder: Path, wanted: Any, before: set[str]) -> dict[str, Any]:
    """What the resumed campaign ended with, against the undisturbed one."""
    repeats = small.final_repeats(folder)
    keys = list(zip(repeats["cell_id"].to_pylist(), repeats["repeat_index"].to_pylist(), strict=True))
    counts = Counter(keys)
    with CampaignStore.read(folder) as store:
        attempts = store.attempts_table().to_pylist()
        slots = len(store.standing().repeats)
    accepted = {
        f"{a['cell_id']}/{a['repeat_index']}.{a['attempt_index']}"
        for a in attempts
        if a["verdict"] == "accepted"
    }
    report = verify(folder)
    leftovers = [str(p.relative_to(folder)) for p in folder.rglob("*" + TEMPORARY)]
    return {
        "lost": slots - len(counts) + len(before - accepted),
        "duplicated": sum(n - 1 for n in counts.values()),
        "different": not repeats.equals(wanted),
        "damage": [str(finding) for finding in report.damage],
        "leftovers": leftovers,
    }


def accepted_now(folder: Path) -> list[str]:
    """Attempts that are accepted in a folder as a break left it; empty where no campaign is readable yet."""
    try:
        with CampaignStore.read(folder) as store:
            return [
                f"{a['cell_id']}/{a['repeat_index']}.{a['attempt_index']}"
                for a in store.attempts_table().to_pylist()
                if a["verdict"] == "accepted"
            ]
    except StoreError:
        return []


def try_point(base: Path, the_plan: Any, wanted: Any, breaks: list[tuple[int, str]]) -> dict[str, Any]:
    """Break the campaign one time after another at the given points, then resume it to its end."""
    folder = base / "c"
    shutil.rmtree(folder, ignore_errors=True)
    hits = 0
    before: set[str] = set()
    for number, (at, how) in enumerate(breaks):
        status, _ = in_child(
            lambda at=at, how=how, n=number: small.run(
                folder, the_plan, BreakingFileSystem(at, how), boot_id=f"boot-{n}"
            )
        )
        if os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 7:
            hits += 1
        elif os.WEXITSTATUS(status) != 0:
            return {"hits": hits, "failed": f"{breaks}: exit {os.WEXITSTATUS(status)}"}
        if number < len(breaks) - 1:
            _, seen = in_child(lambda: accepted_now(folder))
            before |= set(seen or ())

    def resume() -> dict[str, Any]:
        before.update(accepted_now(folder))
        small.run(folder, the_plan, boot_id=f"boot-{len(breaks) - 1}")
        return judge(folder, wanted, before)

    status, verdict = in_child(resume)
    if verdict is None:
        return {"hits": hits, "failed": f"{breaks}: resuming failed with status {status}"}
    return {"hits": hits, **verdict}


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--how", choices=WAYS, action="append", help="ways to break it; default: all")
    parser.add_argument("--repeats", type=int, default=2)
    parser.add_argument("--titles", type=int, default=1)
    parser.add_argument("--profiles", type=int, default=2)
    parser.add_argument("--in-turns", action="store_true", help="at each point one of the ways, in turns")
    parser.add_argument(
        "--twice", action="store_true", help="break the run that resumes, at its every effect"
    )
    parser.add_argument("--random", type=int, default=0, help="so many random breaks instead of all points")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--base", type=Path, help="where to work; default: memory file system if there is one"
    )
    arguments = parser.parse_args()
    memory = Path("/dev/shm")
    base = Path(tempfile.mkdtemp(dir=arguments.base or (memory if memory.is_dir() else None)))
    try:
        result = explore(base, arguments)
    finally:
        shutil.rmtree(base, ignore_errors=True)
    print(json.dumps(result, indent=1))
    bad = ("lost", "duplicated", "different", "damaged", "left_over")
    return 1 if result["failed"] or any(result[key] for key in bad) else 0


def random_points(
    arguments: argparse.Namespace, effects: int, ways: list[str]
) -> Iterator[list[tuple[int, str]]]:
    """One to three breaks in a row, without end. Some fall behind a run's end and break nothing."""
    draw = random.Random(arguments.seed)
    while True:
        yield [(draw.randint(1, effects), draw.choice(ways)) for _ in range(draw.choice((1, 1, 2, 3)))]


def explore(base: Path, arguments: argparse.Namespace) -> dict[str, Any]:
    retries = {"attempts_per_repeat": 20, "set_aside_after_machine_crashes": 1000}
    profiles = [{"name": "factory"}, {"name": "quiet", "power_limit_w": 180}][: arguments.profiles]
    the_plan = small.plan(arguments.repeats, arguments.titles, retries=retries, profiles=profiles)
    counting = BreakingFileSystem()
    small.run(base / "undisturbed", the_plan, counting)
    effects = list(counting.done)
    wanted = small.final_repeats(base / "undisturbed")
    ways = arguments.how or list(WAYS)
    points: Iterable[list[tuple[int, str]]] = []
    if arguments.random:
        points = random_points(arguments, len(effects), ways)
    elif arguments.twice:
        # First a break in the middle of an attempt: journal not closed, a stream half written.
        middle = next(n for n, e in enumerate(effects, start=1) if e == "commit:heartbeat")
        shutil.rmtree(base / "c", ignore_errors=True)
        in_child(lambda: small.run(base / "c", the_plan, BreakingFileSystem(middle)))
        counting = BreakingFileSystem()
        _, resumed = in_child(lambda: small.run(base / "c", the_plan, counting) or counting.done)
        effects = resumed
        points = [
            [(middle, "kill"), (at, how)]
            for how in ways
            for at, effect in enumerate(resumed, start=1)
            if WAYS[how][1] is None or effect.split(":")[0] in (WAYS[how][1] or ())
        ]
    else:
        for how in ways:
            kinds = WAYS[how][1]
            points = [
                *points,
                *(
                    [(at, how)]
                    for at, effect in enumerate(effects, start=1)
                    if kinds is None or effect.split(":")[0] in kinds
                ),
            ]
        if arguments.in_turns:
            points = [[(at, how)] for [(at, how)] in points if ways[at % len(ways)] == how]
    total: Counter[str] = Counter()
    failed: list[str] = []
    for breaks in points:
        if arguments.random and total["breaks"] >= arguments.random:
            break
        outcome = try_point(base, the_plan, wanted, breaks)
        total["points"] += 1
        total["breaks"] += outcome["hits"]
        if "failed" in outcome:
            failed.append(outcome["failed"])
            continue
        total["lost"] += outcome["lost"]
        total["duplicated"] += outcome["duplicated"]
        total["different"] += outcome["different"]
        total["damaged"] += bool(outcome["damage"])
        total["left_over"] += bool(outcome["leftovers"])
        if outcome["damage"] or outcome["leftovers"] or outcome["different"] or outcome["lost"]:
            failed.append(f"{breaks}: {outcome}")
    return {
        "ways": ways,
        "effects_of_one_run": dict(sorted(Counter(effects).items())),
        **{
            k: total[k]
            for k in (
                "points",
                "breaks",
                "lost",
                "duplicated",
                "different",
                "damaged",
                "left_over",
            )
        },
        "failed": failed[:20],
    }


if __name__ == "__main__":
    sys.exit(main())
