"""A title's output: taken from a pipe as it comes, searched, and kept in a file of bounded size.

A thread reads the pipe, so that neither a title that prints gigabytes nor one that prints a line without end
costs memory, disk or a moment of the watching thread. It does nearly all its work outside the interpreter's
lock. On Linux the pipe holds up to 1 MiB while the thread waits for its turn, so a title is held up only if
it prints faster than the thread writes and searches (``tests/bench/FIGURES.md``). When the harness is killed
its writes fail from then on; its watch ends it anyway.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import IO, BinaryIO

from harness import inside
from harness.lines import LineCutter, LineTimes, some_text
from harness.log import get_logger
from harness.patterns import Pattern

#: Size of a file up to which output is kept whole; of more, so much of its beginning and of its end.
HEAD_BYTES = TAIL_BYTES = 4 << 20
_PIPE_BYTES = 1 << 20
#: Time between two looks at a title that says nothing; the shorter one where lines must be dated.
_LOOK_S, _LOOK_OFTEN_S = 1.0, 0.1
_LAST_WORDS_BYTES = 4096

#: Takes a block of whole lines and the times of the rig's clock between which they came.
TakeLines = Callable[[bytes, float, float], None]
log = get_logger("levelrig.titles")


class BoundedFile:
    """A file that takes any amount: it keeps the beginning and the end, and says what is missing between.

    While it is written the end turns in a ring inside the file, so the bound holds at every moment and a kill
    leaves all that is kept. :meth:`close` puts the ring in order. A file that is there is added to.
    """

    def __init__(self, path: Path, head_bytes: int = HEAD_BYTES, tail_bytes: int = TAIL_BYTES) -> None:
        descriptor = inside.open_file(path.parent, path, os.O_RDWR | os.O_CREAT)
        self._file: BinaryIO = os.fdopen(descriptor, "r+b", buffering=0)
        size = self._file.seek(0, os.SEEK_END)
        self._head_left = max(0, head_bytes - size)
        self._ring_at = max(size, head_bytes)
        self._ring_bytes = tail_bytes
        self._ring_taken = 0

    def write(self, data: bytes) -> None:
        """Take more. Raises OSError."""
        head, rest = data[: self._head_left], data[self._head_left :]
        self._head_left -= len(head)
        if head:
            self._put(None, head)
        self._ring_taken += len(rest)
        rest = rest[-self._ring_bytes :]
        at = (self._ring_taken - len(rest)) % self._ring_bytes
        first = rest[: self._ring_bytes - at]
        for offset, part in ((at, first), (0, rest[len(first) :])):
            if part:
                self._put(self._ring_at + offset, part)

    def _put(self, at: int | None, data: bytes) -> None:
        if at is not None:
            self._file.seek(at)
        view = memoryview(data)
        while view:
            view = view[self._file.write(view) or 0 :]

    def close(self, remarks: Sequence[str] = ()) -> None:
        """Put the end in order; where something is missing, ``remarks`` stand there. Raises OSError."""
        with self._file:
            missing = self._ring_taken - self._ring_bytes
            if missing <= 0:
                return
            self._file.seek(self._ring_at)
            ring = self._file.read(self._ring_bytes)
            turn = self._ring_taken % self._ring_bytes
            told = [f"[levelrig: {missing} bytes left out here]", *remarks]
            self._put(self._ring_at, "\n{}\n".format("\n".join(told)).encode())
            self._put(None, ring[turn:] + ring[:turn])


class OutputPump:
    """Reads a title's output on a thread of its own until it ends or is told to stop.

    Args:
        source: Reading end of the pipe; closed by the pump.
        path: File that keeps the output.
        now_s: The rig's clock.
        take: Gets the lines in blocks, on the pump's thread; None for nobody.
        keep: Patterns of which the first line each is kept, also where the file has a gap.
        dated: Whether ``take`` needs the time before which no line was written to about 0.1 s; else it may
            lie 1 s back, which costs a tenth of the looks at a silent title.
    """

    def __init__(
        self,
        source: IO[bytes],
        path: Path,
        now_s: Callable[[], float],
        take: TakeLines | None = None,
        keep: Sequence[str] = (),
        dated: bool = False,
    ) -> None:
        self._source = source
        self._look_s = _LOOK_OFTEN_S if dated else _LOOK_S
        self._file: BoundedFile | None = BoundedFile(path)
        self._wake = None if sys.platform == "win32" else os.pipe()
        self._now_s = now_s
        self._take = take
        self._wanted = {text: Pattern(text) for text in keep}
        self._kept: list[str] = []
        self._cutter = LineCutter()
        self._last_s = float("inf")
        self._last_words = b""
        self._heard_s = time.monotonic()
        self.bytes_read = 0
        _widen(source)
        self._thread = threading.Thread(target=self._run, name="levelrig-output", daemon=True)
        self._thread.start()

    @property
    def ended(self) -> bool:
        """Whether all output was taken."""
        return not self._thread.is_alive()

    @property
    def quiet_s(self) -> float:
        """Time since something was last read, s."""
        return time.monotonic() - self._heard_s

    def last_words(self, lines: int = 3) -> list[str]:
        """The last lines that say something; of at most 4 KiB."""
        text = some_text(self._last_words)
        return [line for line in text.splitlines() if line.strip()][-lines:]

    def close(self, within_s: float = 5.0) -> None:
        """Take what is left in the pipe and end, although a stranger may hold it open. Safe to call twice."""
        self._last_s = min(self._last_s, time.monotonic() + within_s / 2)
        if self._wake is not None and self._thread.is_alive():
            os.write(self._wake[1], b".")
        self._thread.join(within_s)
        if self._wake is not None and not self._thread.is_alive():
            for descriptor in self._wake:
                os.close(descriptor)
            self._wake = None

    def _run(self) -> None:
        times = LineTimes(self._now_s())
        try:
            while time.monotonic() < self._last_s:
                begun_s = self._now_s()
                if not self._readable():
                    times.looked(begun_s, lines=False, unfinished=self._cutter.unfinished)
                    if self._last_s < float("inf"):
                        break
                    continue
                data = self._read()
                if not data:
                    break
                now_s = self._now_s()
                if sys.platform == "win32" and not self._cutter.unfinished:
                    # The read itself waited, without a look first; the line came in its last moment.
                    times.looked(max(times.since_s, now_s - _LOOK_OFTEN_S), lines=False, unfinished=False)
                self._heard_s = time.monotonic()
                lines = self._keep(data, times.since_s, now_s)
                emptied = len(data) < _PIPE_BYTES
                times.looked(begun_s, lines=lines, unfinished=self._cutter.unfinished, emptied=emptied)
        except (OSError, ValueError) as error:
            log.warning("a title's output can't be read any more", error=str(error))
        finally:
            self._hand_on(self._cutter.feed(b"", ended=True), times.since_s, self._now_s())
            with contextlib.suppress(OSError):
                self._source.close()
            if self._file is not None:
                with contextlib.suppress(OSError):
                    self._file.close(self._kept)

    def _read(self) -> bytes:
        try:
            return os.read(self._source.fileno(), _PIPE_BYTES)
        except OSError as error:
            if error.errno == errno.EIO:  # the other end of a terminal is closed
                return b""
            raise

    def _readable(self) -> bool:
        """Wait for something to read, or the end. Windows can't tell of a pipe: reading then waits."""
        if sys.platform == "win32" or self._wake is None:
            return True
        import select

        poll = select.poll()
        for descriptor in (self._source.fileno(), self._wake[0]):
            poll.register(descriptor, select.POLLIN)
        return any(descriptor != self._wake[0] for descriptor, _ in poll.poll(self._look_s * 1000))

    def _keep(self, data: bytes, since_s: float, now_s: float) -> bool:
        """Take a part; whether it completed a line."""
        self.bytes_read += len(data)
        self._last_words = (self._last_words + data[-_LAST_WORDS_BYTES:])[-_LAST_WORDS_BYTES:]
        if self._file is not None:
            try:
                self._file.write(data)
            except OSError as error:  # a full disk must not hold the title up
                log.warning("a title's output can't be kept any more", error=str(error))
                self._file = None
        block = self._cutter.feed(data)
        self._hand_on(block, since_s, now_s)
        return bool(block)

    def _hand_on(self, block: bytes, since_s: float, now_s: float) -> None:
        if not block:
            return
        for text, pattern in list(self._wanted.items()):
            if (match := next(pattern.in_block(block), None)) is not None:
                self._kept.append(match.line)
                del self._wanted[text]
        if self._take is not None:
            try:
                self._take(block, since_s, now_s)
            except Exception:  # the title must go on, whatever is thought of its words
                log.exception("a title's lines can't be searched")


@contextlib.contextmanager
def own_terminal() -> Iterator[tuple[IO[bytes], int]]:
    """A terminal for a program's output: where it is read, and the program's end, which is closed at the end
    of the block. Lines stay as they were written. POSIX only. Raises OSError."""
    if sys.platform == "win32":
        raise OSError("this system has no terminals of that kind")
    import pty
    import termios

    descriptor, writing = pty.openpty()
    reading = os.fdopen(descriptor, "rb", buffering=0)
    try:
        settings = termios.tcgetattr(writing)
        settings[1] &= ~termios.OPOST  # no carriage returns
        settings[3] &= ~termios.ECHO
        termios.tcsetattr(writing, termios.TCSANOW, settings)
        yield reading, writing
    except BaseException:
        reading.close()
        raise
    finally:
        os.close(writing)


def _widen(source: IO[bytes]) -> None:
    if sys.platform == "linux":
        import fcntl

        with contextlib.suppress(OSError):  # more than a user may have
            fcntl.fcntl(source.fileno(), fcntl.F_SETPIPE_SZ, _PIPE_BYTES)
