"""Breaks the small campaign below the store: at every system call that reaches its folder, SQLite's too.

    python tests/store/break_syscalls.py --mode kill          SIGKILL before each call
    python tests/store/break_syscalls.py --mode kill-within   SIGKILL when half of a write is done
    python tests/store/break_syscalls.py --mode eio           each fsync fails once
    python tests/store/break_syscalls.py --mode enospc        each write is cut short once, then no space
    python tests/store/break_syscalls.py --mode power-cut     after each call: only what was synced is left

The last one records all calls and builds, for the moment after each, the folder as a power cut may leave it:
file contents as of their last fsync, names as of their folder's last fsync; and again with some of the
unsynced writes on the disk, in sectors of 512 bytes, drawn at random. What had been acknowledged to the
caller by then must be there. Needs a C compiler and Linux.
"""

from __future__ import annotations

import argparse
import ctypes
import json
import os
import random
import shutil
import struct
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

import small_campaign as small
from break_campaign import accepted_now, in_child, judge

HERE = Path(__file__).parent
HOW = {"kill": 1, "kill-within": 2, "eio": 3, "enospc": 4}
SECTOR = 512
HEADER = struct.Struct("=cHHqI")


def shim() -> ctypes.CDLL:
    library = ctypes.CDLL(os.environ["LEVELRIG_SHIM"])
    library.shim_arm.argtypes = [ctypes.c_char_p, ctypes.c_int, ctypes.c_int, ctypes.c_int]
    return library


def the_plan() -> Any:
    retries = {"attempts_per_repeat": 20, "set_aside_after_machine_crashes": 1000}
    return small.plan(1, 1, retries=retries, profiles=[{"name": "factory"}])


def run_armed(folder: Path, at: int, how: int, log: int = -1) -> int:
    """Run the campaign with the shim on; returns how many calls it counted."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    library = shim()
    library.shim_arm(str(folder).encode(), at, how, log)
    small.run(
        folder, the_plan(), acknowledge=lambda name: (folder / "lock-acks").open("a").write(f"{name}\n")
    )
    return int(library.shim_count())


def break_calls(base: Path, mode: str) -> dict[str, Any]:
    folder = base / "c"
    _, calls = in_child(lambda: run_armed(folder, 0, HOW[mode]))
    wanted = small.final_repeats(folder)
    total: Counter[str] = Counter()
    failed: list[str] = []
    for at in range(1, calls + 1):
        shutil.rmtree(folder)
        status, _ = in_child(lambda at=at: run_armed(folder, at, HOW[mode]))
        total["points"] += 1
        total["breaks"] += os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 7
        code = os.WEXITSTATUS(status) if os.WIFEXITED(status) else 0
        if code not in (0, 7):
            failed.append(f"{mode} at {at}: exit {code}")
        add(total, failed, f"{mode} at {at}", resumed(folder, wanted))
    return {"calls": calls, **figures(total, failed)}


def resumed(folder: Path, wanted: Any, acknowledged: frozenset[str] = frozenset()) -> dict[str, Any] | None:
    """Resume in a child without the shim's attention, and judge."""

    def act() -> dict[str, Any]:
        before = set(accepted_now(folder)) | acknowledged
        small.run(folder, the_plan())
        return judge(folder, wanted, before)

    verdict: dict[str, Any] | None = in_child(act)[1]
    return verdict


# --- the power cut ----------------------------------------------------------------------------------------


@dataclass
class Inode:
    """A file: what is in memory, what is on the disk, and the writes in between."""

    cached: bytearray = field(default_factory=bytearray)
    durable: bytes = b""
    pending: list[tuple[int, bytes]] = field(default_factory=list)


class Disk:
    """Follows the recorded calls."""

    def __init__(self) -> None:
        self.names: dict[str, Inode | None] = {}  # None: a folder
        self.durable_names: dict[str, Inode | None] = {}

    def apply(self, op: str, path: str, other: str, offset: int, data: bytes) -> None:
        match op:
            case "W":
                inode = self._inode(path)
                _put(inode.cached, offset, data)
                inode.pending.append((offset, data))
            case "T":
                inode = self._inode(path)
                del inode.cached[offset:]
                inode.pending.append((offset, b""))
            case "S":
                inode = self._inode(path)
                inode.durable = bytes(inode.cached)
                inode.pending = []
            case "M":
                self.names[path] = None
            case "R":
                self.names[other] = self.names.pop(path)
            case "U":
                self.names.pop(path, None)
            case "D":
                for name in [n for n in self.durable_names if _parent(n) == path]:
                    del self.durable_names[name]
                self.durable_names |= {n: i for n, i in self.names.items() if _parent(n) == path}

    def build(self, root: str, target: Path, draw: random.Random | None) -> None:
        """Write what a power cut leaves now: only what was synced, or with some of the rest by chance."""
        names = self.durable_names
        if draw is not None and draw.random() < 0.5:
            names = self.names  # the folder's new names got to the disk by themselves
        target.mkdir(parents=True)
        for name in sorted(names):
            inode = names[name]
            path = target / os.path.relpath(name, root)
            if inode is None:
                path.mkdir(exist_ok=True, parents=True)
            elif path.parent.is_dir():
                path.write_bytes(inode.durable if draw is None else _some(inode, draw))

    def _inode(self, path: str) -> Inode:
        found = self.names.get(path)
        if found is None:
            found = self.names[path] = Inode()
        return found


def _parent(path: str) -> str:
    return path.rsplit("/", 1)[0]


def _put(content: bytearray, offset: int, data: bytes) -> None:
    if len(content) < offset:
        content.extend(bytes(offset - len(content)))
    content[offset : offset + len(data)] = data


def _some(inode: Inode, draw: random.Random) -> bytes:
    content = bytearray(inode.durable)
    for offset, data in inode.pending:
        if not data:
            if draw.random() < 0.5:
                del content[offset:]
            continue
        for start in range(0, len(data), SECTOR):
            if draw.random() < 0.5:
                _put(content, offset + start, data[start : start + SECTOR])
    return bytes(content)


def recorded(log: Path) -> Iterator[tuple[str, str, str, int, bytes]]:
    content = memoryview(log.read_bytes())
    place = 0
    while place < len(content):
        op, a, b, offset, size = HEADER.unpack_from(content, place)
        place += HEADER.size
        first, second = bytes(content[place : place + a]), bytes(content[place + a : place + a + b])
        place += a + b
        yield op.decode(), first.decode(), second.decode(), offset, bytes(content[place : place + size])
        place += size


def cut_power(base: Path, seed: int) -> dict[str, Any]:
    folder, log = base / "c", base / "calls.log"
    descriptor = os.open(log, os.O_WRONLY | os.O_CREAT)
    os.set_inheritable(descriptor, True)
    in_child(lambda: run_armed(folder, 0, 0, descriptor))
    os.close(descriptor)
    wanted = small.final_repeats(folder)
    calls = list(recorded(log))
    draw = random.Random(seed)
    disk = Disk()
    total: Counter[str] = Counter()
    failed: list[str] = []
    acknowledged: set[str] = set()
    for number, call in enumerate(calls, start=1):
        if call[1].endswith("/lock-acks"):
            acknowledged.update(call[4].decode().split())
            continue
        disk.apply(*call)
        for chance in (None, draw):
            target = base / "after"
            disk.build(str(folder), target, chance)
            total["points"] += 1
            verdict = resumed(target, wanted, frozenset(acknowledged))
            case = "worst case" if chance is None else "by chance"
            where = f"after call {number} ({call[0]} {Path(call[1]).name}), {case}"
            add(total, failed, where, verdict)
            shutil.rmtree(target)
    return {"calls": len(calls), "acknowledged": sorted(acknowledged), **figures(total, failed)}


def add(total: Counter[str], failed: list[str], where: str, verdict: dict[str, Any] | None) -> None:
    if verdict is None:
        failed.append(f"{where}: resuming failed")
        return
    total["lost"] += verdict["lost"]
    total["duplicated"] += verdict["duplicated"]
    bad = {k: v for k, v in verdict.items() if v and k != "leftovers"}
    if bad:
        failed.append(f"{where}: {bad}")


def figures(total: Counter[str], failed: list[str]) -> dict[str, Any]:
    counted = {name: total[name] for name in ("points", "breaks", "lost", "duplicated")}
    return {**counted, "failed": failed[:20], "failed_count": len(failed)}


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--mode", choices=[*HOW, "power-cut"], default="kill")
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    if "LEVELRIG_SHIM" not in os.environ:
        return under_the_shim()
    memory = Path("/dev/shm")
    base = Path(tempfile.mkdtemp(dir=memory if memory.is_dir() else None))
    try:
        power = arguments.mode == "power-cut"
        result = cut_power(base, arguments.seed) if power else break_calls(base, arguments.mode)
    finally:
        shutil.rmtree(base, ignore_errors=True)
    print(json.dumps(result, indent=1))
    return 1 if result["failed"] else 0


def under_the_shim() -> int:
    """Build the shim and start this program again with it in place."""
    with tempfile.TemporaryDirectory() as folder:
        library = Path(folder) / "shim.so"
        build = ["cc", "-shared", "-fPIC", "-O1", "-o", str(library), str(HERE / "syscall_shim.c"), "-ldl"]
        subprocess.run(build, check=True)
        environment = {**os.environ, "LD_PRELOAD": str(library), "LEVELRIG_SHIM": str(library)}
        return subprocess.run([sys.executable, *sys.argv], env=environment, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
