"""A run's titles end with it, whatever ends it: a small process that outlives the harness by a moment.

It sleeps on a pipe from the harness. When the harness is gone, also by SIGKILL, it ends what the harness's
titles left (:func:`harness.marks.end_dead_runs_titles`) and itself. Where even it was killed, the next start
of any levelrig of this user and ``levelrig restore`` do the same.

``python -m harness.titlewatch OWNER`` is that process; each line that it reads is ``ID BIRTH``, a program
that a title only asked for and that carries no mark.

A signal at the parent's death was left out: it reaches the direct child only, and comes when the thread that
started it ends.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import threading
import time

import psutil

from harness.apart import start_apart
from harness.identity import ourselves
from harness.isolated import python_command
from harness.marks import end_dead_runs_titles, owner_of

#: Time between two looks whether the harness still runs, beside listening to the pipe, seconds.
LOOK_EVERY_S = 5.0


class TitleWatch:
    """The watch, as seen from the harness. Thread-safe. Started with the first title, again if it ended."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._told: list[bytes] = []

    def keep(self) -> None:
        """See to it that the watch runs. One that can't be started is no reason to end the night."""
        with self._lock:
            if self._process is not None and self._process.poll() is None:
                return
            with contextlib.suppress(OSError):
                self._process = start_apart(
                    python_command("harness.titlewatch", "/".join(("-", *ourselves()))),
                    stdin=subprocess.PIPE,
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL,
                )
                self._write(b"".join(self._told))

    def tell(self, pid: int, born: float) -> None:
        """Name a program that carries no mark and is to end with the run."""
        line = f"{pid} {born!r}\n".encode()
        with self._lock:
            self._told = [*self._told[-1000:], line]
            self._write(line)

    def _write(self, data: bytes) -> None:
        if self._process is not None and self._process.stdin is not None:
            with contextlib.suppress(OSError, ValueError):
                self._process.stdin.write(data)
                self._process.stdin.flush()


def other_runs() -> list[int]:
    """Ids of other living programs of this user that have started titles, each known by its watch."""
    found = set()
    for process in psutil.process_iter(["cmdline"]):
        words = process.info["cmdline"] or []
        owner = owner_of(words[-1]) if "harness.titlewatch" in " ".join(words) else None
        if owner is not None and owner.here and owner.lives and owner != ourselves():
            found.add(int(owner.pid))
    return sorted(found)


def main(arguments: list[str] | None = None) -> int:
    """The watch process."""
    owner = owner_of((arguments or sys.argv[1:])[0])
    if owner is None:
        return 2
    for name in ("SIGINT", "SIGHUP", "SIGTERM", "SIGBREAK"):  # it ends with the harness, not before
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    told: set[tuple[int, float]] = set()
    closed = threading.Event()

    def listen() -> None:
        rest = b""
        while data := os.read(0, 4096):
            *lines, rest = (rest + data).split(b"\n")
            for line in lines:
                pid, _, born = line.partition(b" ")
                told.add((int(pid), float(born)))
        closed.set()

    threading.Thread(target=listen, daemon=True).start()
    while owner.lives and not closed.wait(LOOK_EVERY_S):
        pass
    end_s = time.monotonic() + 60.0
    while owner.lives and time.monotonic() < end_s:  # it closed its end of the pipe and is about to go
        time.sleep(0.02)
    if not owner.lives:
        end_dead_runs_titles(told)
    return 0


if __name__ == "__main__":
    sys.exit(main())
