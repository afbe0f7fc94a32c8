"""A text log as blocks of whole lines, in order; skipped lines, header and comments are gone."""

from __future__ import annotations

import io
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, TypeVar

import pyarrow as pa

from harness.errors import FrameLogError
from harness.frames.files import LONGEST_LINE_BYTES, open_text
from harness.frames.mapping import SPACES, ColumnMapping

BLOCK_BYTES = 4 << 20
_Text = TypeVar("_Text", bytes, bytearray)


@dataclass(frozen=True)
class TextBlock:
    """Whole lines of the file; ``cut_off`` when the last one has no line end."""

    data: bytes | bytearray
    cut_off: bool = False

    def load(self) -> TextBlock:
        """This block."""
        return self


@dataclass(frozen=True)
class FileStretch:
    """Whole lines that lie in a file as they are wanted, not read yet: that is left to whoever parses them.

    Attributes:
        path: The file.
        identity: Device and number of the file in which the lines were found.
        begin: First byte.
        end: Byte after the last one.
    """

    path: Path
    identity: tuple[int, int]
    begin: int
    end: int

    def load(self) -> TextBlock:
        """Read the lines; safe in threads. Raises FrameLogError."""
        data = bytearray(self.end - self.begin)
        try:
            with self.path.open("rb", buffering=0) as file:
                same = _identity(file) == self.identity
                file.seek(self.begin)
                view, filled = memoryview(data), 0
                while filled < len(data) and (count := file.readinto(view[filled:])):
                    filled += count
                view.release()
        except OSError as error:
            raise _stopped(self.path, error) from error
        if not same or filled < len(data):
            raise _stopped(self.path, "the file was replaced or cut while it was read")
        return TextBlock(_with_plain_ends(data), cut_off=not data.endswith((b"\n", b"\r")))


def text_blocks(
    path: Path, mapping: ColumnMapping, block_bytes: int = BLOCK_BYTES
) -> Iterator[TextBlock | FileStretch]:
    """The data lines in blocks of about ``block_bytes``. Raises FrameLogError."""
    with open_text(path, mapping.encoding) as stream:
        as_wanted = mapping.comment is None and mapping.delimiter != SPACES and _is_plain(stream)
        rest = b""
        to_skip = mapping.skip_rows
        header_pending = mapping.header
        while True:
            if as_wanted and not (to_skip or header_pending):
                yield from _stretches(path, stream, stream.tell() - len(rest), block_bytes)
                return
            try:
                read = stream.read(block_bytes)
            except (OSError, EOFError, pa.ArrowException, UnicodeError) as error:
                raise _stopped(path, error) from error
            end = read.rfind(b"\n") + 1
            if read and not end:
                rest += read
                if len(rest) > LONGEST_LINE_BYTES:
                    raise _too_long(path)
                continue
            data, rest = _with_plain_ends(rest + read[:end]), read[end:]
            while data and (to_skip or header_pending):
                cut = data.find(b"\n") + 1 or len(data)
                line, data = data[:cut], data[cut:]
                if to_skip:
                    to_skip -= 1
                elif line.strip() and not is_comment(line, mapping.comment):
                    header_pending = False
            data = as_table_lines(data, mapping)
            if data and not data.isspace():
                yield TextBlock(data, cut_off=not data.endswith(b"\n"))
            if not read:
                return


def _stretches(path: Path, stream: BinaryIO, begin: int, block_bytes: int) -> Iterator[FileStretch]:
    """The rest of a plain file."""
    identity, size = _identity(stream), os.fstat(stream.fileno()).st_size
    while begin < size:
        end = min(begin + block_bytes, size)
        if end < size:
            stream.seek(end)
            line = stream.readline(LONGEST_LINE_BYTES + 1)
            if len(line) > LONGEST_LINE_BYTES:
                raise _too_long(path)
            end += len(line)
        yield FileStretch(path, identity, begin, end)
        begin = end


def _is_plain(stream: BinaryIO) -> bool:
    """Whether the stream's bytes are the file's own, neither unpacked nor recoded."""
    return isinstance(stream, io.BufferedReader) and isinstance(stream.raw, io.FileIO)


def _identity(file: BinaryIO | io.FileIO) -> tuple[int, int]:
    state = os.fstat(file.fileno())
    return state.st_dev, state.st_ino


def _with_plain_ends(data: _Text) -> _Text:
    return data.replace(b"\r\n", b"\n").replace(b"\r", b"\n") if b"\r" in data else data


def as_table_lines(data: bytes, mapping: ColumnMapping) -> bytes:
    """Lines less comments, columns aligned by blanks narrowed."""
    data = without_comments(data, mapping.comment)
    return narrowed(data) if mapping.delimiter == SPACES else data


def without_comments(data: bytes, comment: str | None) -> bytes:
    """The lines less those that begin with the sign of a comment."""
    if comment is None:
        return data
    return re.sub(rb"(?m)^[ \t]*" + re.escape(comment.encode()) + rb".*(?:\n|\Z)", b"", data)


def is_comment(line: bytes, comment: str | None) -> bool:
    """Whether a line is none of the table's."""
    return comment is not None and line.lstrip(b" \t").startswith(comment.encode())


def narrowed(lines: bytes) -> bytes:
    """Lines with one blank for each run of blanks, and none at their ends."""
    return re.sub(rb"(?m)^ | (?=\r?$)", b"", re.sub(rb"[ \t]+", b" ", lines))


def _stopped(path: Path, why: object) -> FrameLogError:
    return FrameLogError(f"{path}: reading stopped ({why}); the file is damaged or cut off, copy it again")


def _too_long(path: Path) -> FrameLogError:
    return FrameLogError(
        f"{path}: a line of over {LONGEST_LINE_BYTES >> 20} MiB; this is no text log, or its line ends are "
        "missing"
    )
