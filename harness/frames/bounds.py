"""What a frame log may cost: regular files only, bounded memory, and one kind of error whatever happens.

A log comes from outside: it may be a device that never ends, a pipe that never answers, a small file that
unpacks to terabytes, or bytes that make a parser fail in a way nobody thought of.
"""

from __future__ import annotations

import io
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from harness.errors import FrameLogError, HarnessError

#: Memory for the rows of one log that are held at once, bytes: some 60 million frames.
MEMORY_BUDGET_BYTES = 1 << 30
#: A larger file is refused before it is copied or read, bytes: twelve hours at 1,000 frames/s take some 4 GB.
LARGEST_LOG_BYTES = 16 << 30
#: A compressed log that has unpacked to this much ...
UNPACKED_BYTES = 1 << 30
#: ... is refused once that is this many times its size (logs compress by 3 to 30 times).
UNPACKED_TIMES = 200


def require_regular_file(path: Path) -> os.stat_result:
    """The file's state. Raises FrameLogError where it is missing, no file, or larger than any log.

    Links are followed: what they lead to counts. The file is not opened.
    """
    try:
        state = path.stat()
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise FrameLogError(
            f"{path}: can't be opened ({why}); check the path (in a plan frame_log.path) and whether the "
            "title wrote a log"
        ) from error
    if not stat.S_ISREG(state.st_mode):
        what = next(
            (
                words
                for is_so, words in (
                    (stat.S_ISDIR, "a folder"),
                    (stat.S_ISFIFO, "a pipe"),
                    (stat.S_ISSOCK, "a socket"),
                )
                if is_so(state.st_mode)
            ),
            "a device",
        )
        raise FrameLogError(
            f"{path}: can't be opened (it is {what}, or leads to one); set frame_log.path to a regular file"
        )
    if state.st_size > LARGEST_LOG_BYTES:
        raise FrameLogError(
            f"{path}: {state.st_size / 1e9:.1f} GB is more than the log of any run; check that the title "
            "does not append to one log for ever"
        )
    return state


class Budget:
    """Counts what is held of one log."""

    def __init__(self, path: Path, limit_bytes: int | None = None) -> None:
        self._path = path
        self._left = MEMORY_BUDGET_BYTES if limit_bytes is None else limit_bytes

    def take(self, size_bytes: int) -> None:
        """Account for some more. Raises FrameLogError where the budget is used up."""
        self._left -= size_bytes
        if self._left < 0:
            raise FrameLogError(
                f"{self._path}: its rows take more than {MEMORY_BUDGET_BYTES >> 20} MiB of memory; no "
                "measured window is that long: check that this is the log of one run, or keep fewer columns"
            )


class BoundedStream(io.RawIOBase):
    """An unpacked stream that ends with an error where it grows out of all proportion to its file."""

    def __init__(self, source: io.RawIOBase, path: Path, packed_bytes: int) -> None:
        self._source = source
        self._path = path
        self._limit = max(UNPACKED_BYTES, UNPACKED_TIMES * packed_bytes)
        self._read = 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        part = self._source.read(len(buffer)) or b""
        self._read += len(part)
        if self._read > self._limit:
            raise FrameLogError(
                f"{self._path}: unpacks to over {self._limit >> 20} MiB, {UNPACKED_TIMES} times its size or "
                "more; no frame log does: unpack it by hand and look at it"
            )
        buffer[: len(part)] = part
        return len(part)

    def close(self) -> None:
        self._source.close()
        super().close()


@contextmanager
def as_frame_log_error(path: Path) -> Iterator[None]:
    """Turns whatever reading a log raises into a FrameLogError of that log."""
    try:
        yield
    except HarnessError:
        raise
    except MemoryError as error:
        raise FrameLogError(
            f"{path}: reading it takes more memory than there is; check that this is the log of one run"
        ) from error
    except Exception as error:
        said = " ".join(str(error).split())[:200]
        raise FrameLogError(
            f"{path}: can't be read as a frame log ({type(error).__name__}{': ' if said else ''}{said}); "
            "check that this is the log that the mapping describes, and that it is whole"
        ) from error
