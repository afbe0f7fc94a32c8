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
    """Runs a program and reads its output on a thread; starts it anew, at most every 5 s, when it ended."""

    _PAUSE_S = 5.0

    def __init__(self, words: Sequence[str], clock: Clock) -> None:
        self._words = list(words)
        self._clock = clock
        self._lines: deque[Line] = deque(maxlen=_LONGEST_QUEUE)
        self._process: subprocess.Popen[str] | None = None
        self._thread: threading.Thread | None = None
        self._last_words = ""
        self._started_s = 0.0
        self._closed = False
        end_dead_runs_titles()  # one that a killed harness left may hold the instrument
        self._start()

    def _start(self) -> None:
        self._started_s = self._clock.now_s()
        try:
            self._process = subprocess.Popen(
                self._words,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
                encoding="utf-8",
                errors="replace",
                bufsize=1,
                env=child_environment({MARK: new_mark()}),  # marked: the next start ends it if this one can't
                start_new_session=sys.platform != "win32",
            )
        except OSError as error:
            self._process = None
            raise SensorUnavailable(
                f"stream: {self._words[0]} can't be started ({error}); check the sensor's command"
            ) from error
        self._thread = threading.Thread(target=self._follow, args=(self._process,), daemon=True)
        self._thread.start()

    def _follow(self, process: subprocess.Popen[str]) -> None:
        assert process.stdout is not None
        with process.stdout as output:
            for number, line in enumerate(iter(lambda: output.readline(LONGEST_LINE), "")):
                self._lines.append(Line(self._clock.now_s(), line.rstrip("\r\n"), number == 0))
                self._last_words = line.strip() or self._last_words

    def take(self) -> list[Line]:
        ended = self._process is None or self._process.poll() is not None
        if ended and self._thread is not None:
            self._thread.join(timeout=1.0)
        taken = [self._lines.popleft() for _ in range(len(self._lines))]
        if ended and not taken:
            code = None if self._process is None else self._process.returncode
            if not self._closed and self._clock.now_s() - self._started_s >= self._PAUSE_S:
                self._start()
            raise SensorUnavailable(
                f"stream: {self._words[0]} ended with exit code {code}: "
                f"{self._last_words or 'it wrote nothing'}"
            )
        return taken

    def close(self) -> None:
        self._closed = True
        process = self._process
        if process is None:
            return
        tree = []
        with contextlib.suppress(psutil.NoSuchProcess):
            tree = psutil.Process(process.pid).children(recursive=True)
        process.kill()
        for child in tree:
            with contextlib.suppress(psutil.NoSuchProcess, psutil.AccessDenied):
                child.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):  # one that hangs in the driver can't be ended
            process.wait(timeout=5.0)
        if self._thread is not None:
            self._thread.join(timeout=2.0)


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
