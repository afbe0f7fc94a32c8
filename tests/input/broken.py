"""Runs the public commands on broken inputs, in this process, and counts what became of each."""

from __future__ import annotations

import contextlib
import io
import os
import signal
import sys
import time
import traceback
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from harness import cli

#: A command on a broken input that takes longer hangs, s; many times what it takes on a busy machine.
LIMIT_S = 60


class Hang(BaseException):
    """A command took too long."""


@dataclass
class Tally:
    """What became of the cases.

    Attributes:
        cases: Broken inputs.
        calls: Commands that were run on them.
        codes: Exit code -> calls.
        tracebacks, hangs, written, silent: A line for each call that went wrong: an error that nobody
            foresaw, one beyond the time limit, one that was refused and yet wrote a file, one that failed
            without a word.
        slowest_s: Longest call.
    """

    cases: int = 0
    calls: int = 0
    codes: Counter[int] = field(default_factory=Counter)
    tracebacks: list[str] = field(default_factory=list)
    hangs: list[str] = field(default_factory=list)
    written: list[str] = field(default_factory=list)
    silent: list[str] = field(default_factory=list)
    slowest_s: float = 0.0

    def row(self, name: str) -> str:
        codes = ", ".join(f"{code}: {count}" for code, count in sorted(self.codes.items()))
        return (
            f"{name:28} {self.cases:5} {self.calls:6} {len(self.tracebacks):10} {len(self.hangs):6} "
            f"{len(self.written):8} {len(self.silent):7} {self.slowest_s:7.1f}  {codes}"
        )


HEADING = f"{'input':28} {'cases':>5} {'calls':>6} tracebacks  hangs  written  silent  slowest  exit codes"


def tree(folder: Path) -> dict[str, tuple[int, int]]:
    """Every path below a folder with size and time of change."""
    return {
        str(path): (path.lstat().st_size, path.lstat().st_mtime_ns)
        for path in sorted(folder.rglob("*"))
        if not path.name.endswith((".sqlite-shm", ".sqlite-wal"))  # SQLite's own, made by reading
    }


@contextlib.contextmanager
def limit(seconds: int) -> Iterator[None]:
    """Raises Hang after so long; where the system has no alarm there is no limit."""
    if sys.platform == "win32":
        yield
        return

    def ring(*_: object) -> None:
        raise Hang

    before = signal.signal(signal.SIGALRM, ring)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def call(
    words: Sequence[object],
    tally: Tally,
    about: str,
    watched: Path,
    *,
    may_write: frozenset[int] = frozenset({0}),
) -> int:
    """Run one command; its exit code.

    Args:
        words: The command line.
        tally: Takes what became of it.
        about: The case, for messages.
        watched: Nothing below it may change where the command is refused.
        may_write: Exit codes with which files may have been written.
    """
    line = [str(word) for word in words]
    before = tree(watched)
    unforeseen: list[str] = []
    own = cli._last_resort

    def note(error: Exception) -> int:
        frames = traceback.extract_tb(error.__traceback__)
        unforeseen.append(
            f"{type(error).__name__}: {str(error)[:160]} at {frames[-1].filename}:{frames[-1].lineno}"
        )
        return 1

    cli._last_resort = note
    said, told = io.StringIO(), io.StringIO()
    began_s = time.perf_counter()
    try:
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(told), limit(LIMIT_S):
            code = cli.main(line)
    except SystemExit as ended:
        code = ended.code if isinstance(ended.code, int) else 1
    except Hang:
        code = -1
        tally.hangs.append(f"{about}: {' '.join(line)[:200]}")
    finally:
        cli._last_resort = own
    tally.slowest_s = max(tally.slowest_s, time.perf_counter() - began_s)
    tally.calls += 1
    tally.codes[code] += 1
    shown = f"{about}: {' '.join(line)[:160]}"
    if unforeseen or "Traceback (most recent" in told.getvalue():
        tally.tracebacks.append(f"{shown}: {'; '.join(unforeseen) or told.getvalue()[-300:]}")
    if code != 0 and not unforeseen and not (said.getvalue().strip() or told.getvalue().strip()):
        tally.silent.append(shown)
    if code not in may_write and (changes := sorted(set(tree(watched).items()) ^ set(before.items()))):
        tally.written.append(f"{shown}: {[os.path.relpath(path, watched) for path, _ in changes[:3]]}")
    return code
