"""Where lines come from: a program's output, or a file that grows."""

from __future__ import annotations

import contextlib
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple, Protocol

import psutil

from harness.clock import Clock
from harness.errors import SensorUnavailable
from harness.lines import LineFollower
from harness.patterns import LONGEST_LINE
from harness.processes import MARK, child_environment, end_dead_runs_titles, new_mark

_LONGEST_QUEUE = 10_000
_LAST_WORDS = 200
#: A program that prints more than this is not an instrument.
MOST_BYTES_PER_S = 1024 * 1024
#: Pauses between two starts of a program that ends, s.
FIRST_PAUSE_S = 5.0
LONGEST_PAUSE_S = 60.0


class Line(NamedTuple):
    """One line: clock time of its arrival, text, whether it is the first of its file or program."""

    arrived_s: float
    text: str
    first: bool


class LineSource(Protocol):
    """Gives lines as they arrive."""

    def take(self) -> list[Line]:
        """Lines since the last call. Raises SensorUnavailable when no more will come."""

    def close(self) -> None:
        """Let go of it. Safe to call twice."""


class ProgramSource:
    """Runs a program and reads its output on a thread.

    A program that can't be started, or that ended, is started again after a pause that doubles from 5 s to a
    minute; one that ran well for a minute begins with the short pause again. Whatever it prints costs bounded
    memory and time: a line counts up to :data:`LONGEST_LINE`, and a program that prints more than
    :data:`MOST_BYTES_PER_S` is ended like one that failed.
    """

    def __init__(self, words: Sequence[str], clock: Clock) -> None:
        self._words = list(words)
        self._clock = clock
        self._lines: deque[Line] = deque(maxlen=_LONGEST_QUEUE)
        self._process: subprocess.Popen[bytes] | None = None
        self._thread: threading.Thread | None = None
        self._last_words = ""
        self._trouble = ""
        self._started_s = 0.0
        self._pause_s = FIRST_PAUSE_S
        self._closed = False
        end_dead_runs_titles()  # one that a killed harness left may hold the instrument
        self._start()

    def _start(self) -> None:
        self._started_s = self._clock.now_s()
        self._ended_s: float | None = None
        self._last_words = self._trouble = ""
        try:
            self._process = subprocess.Popen(
                self._words,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                # Marked: the next start ends it if this one can't. A Python program gives its lines at once.
                env=child_environment({MARK: new_mark(), "PYTHONUNBUFFERED": "1"}),
                start_new_session=sys.platform != "win32",
            )
        except (OSError, ValueError) as error:
            self._process = None
            self._trouble = f"can't be started ({error}); check the sensor's command"
            return
        self._thread = threading.Thread(target=self._follow, args=(self._process,), daemon=True)
        self._thread.start()

    def _follow(self, process: subprocess.Popen[bytes]) -> None:
        """Take lines until the output ends, or until there is too much of it."""
        assert process.stdout is not None
        first, whole = True, True
        second_s, seen = self._clock.now_s(), 0
        with process.stdout as output, contextlib.suppress(OSError, ValueError):
            while piece := output.readline(LONGEST_LINE):
                now_s = self._clock.now_s()
                if now_s - second_s >= 1.0:
                    second_s, seen = now_s, 0
                seen += len(piece)
                if seen > MOST_BYTES_PER_S:
                    self._trouble = f"printed over {MOST_BYTES_PER_S // 1024} KiB in a second and was ended"
                    _end_tree(process)
                    return
                if whole:  # the rest of an overlong line is dropped
                    text = piece.decode("utf-8", "replace").rstrip("\r\n")
                    self._lines.append(Line(now_s, text, first))
                    self._last_words = text.strip()[:_LAST_WORDS] or self._last_words
                    first = False
                whole = piece.endswith(b"\n")

    def take(self) -> list[Line]:
        taken = [self._lines.popleft() for _ in range(len(self._lines))]
        if taken or (self._process is not None and self._process.poll() is None and not self._trouble):
            return taken
        now_s = self._clock.now_s()
        if self._ended_s is None:
            self._ended_s = now_s
        if self._thread is not None and self._thread.is_alive() and now_s - self._ended_s < 1.0:
            return []  # its last lines are still under way
        what = self._trouble
        if not what:
            code = None if self._process is None else self._process.returncode
            what = f"ended with exit code {code}: {self._last_words or 'it wrote nothing'}"
        if not self._closed and now_s - self._started_s >= self._pause_s:
            well = now_s - self._started_s >= LONGEST_PAUSE_S + self._pause_s
            self._pause_s = FIRST_PAUSE_S if well else min(LONGEST_PAUSE_S, 2 * self._pause_s)
            self._start()
        raise SensorUnavailable(f"stream: {self._words[0]} {what}")

    def close(self) -> None:
        self._closed = True
        if self._process is not None:
            _end_tree(self._process)
        if self._thread is not None:
            self._thread.join(timeout=2.0)


def _end_tree(process: subprocess.Popen[bytes]) -> None:
    """End a program with all that it started. Never waits for long: one that can't be ended is left."""
    tree = []
    with contextlib.suppress(psutil.Error):
        tree = psutil.Process(process.pid).children(recursive=True)
    with contextlib.suppress(OSError):
        process.kill()
    for child in tree:
        with contextlib.suppress(psutil.Error):
            child.kill()
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(timeout=2.0)


class FileSource:
    """Follows the newest file that matches a path or pattern. Lines from before the opening are passed over,
    but for the first one, which may name the columns."""

    def __init__(self, pattern: str, clock: Clock, look_every_s: float) -> None:
        self._path = Path(pattern).expanduser().absolute()
        self._clock = clock
        self._look_every_s = look_every_s
        self._looked_s = -1e9
        self._follower: LineFollower | None = None
        self._first_lines: list[str] = []
        found = self._newest()
        if found is not None:
            self._follower = LineFollower(found)
            self._first_lines = self._follower.new_lines()[:1]
            self._follower.skip()

    def take(self) -> list[Line]:
        now_s = self._clock.now_s()
        if now_s - self._looked_s < self._look_every_s:
            return []
        self._looked_s = now_s
        newest = self._newest()
        if newest is None:
            raise SensorUnavailable(f"import: no file matches {self._path}; start what records it")
        first_lines, self._first_lines = self._first_lines, []
        at_start = bool(first_lines)
        if self._follower is None or newest != self._follower.path:
            self._follower, first_lines, at_start = LineFollower(newest), [], True
        texts = [*first_lines, *self._follower.new_lines()]
        return [Line(now_s, text, at_start and number == 0) for number, text in enumerate(texts)]

    def _newest(self) -> Path | None:
        root = Path(self._path.anchor)
        found = [path for path in root.glob(self._path.relative_to(root).as_posix()) if path.is_file()]
        return max(found, key=lambda path: path.stat().st_mtime, default=None)

    def close(self) -> None:
        self._follower = None
