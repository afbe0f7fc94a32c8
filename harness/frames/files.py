"""Opening a frame log: format and compression by the first bytes, text as a UTF-8 byte stream."""

from __future__ import annotations

import codecs
import io
from pathlib import Path
from typing import BinaryIO, Literal, cast

import pyarrow as pa

from harness.errors import FrameLogError
from harness.frames.bounds import BoundedStream, require_regular_file
from harness.frames.jsonlog import is_json_array
from harness.frames.xz import Xz

Format = Literal["csv", "parquet", "jsonl"]
LONGEST_LINE_BYTES = 16 << 20
_PACKED = ((b"\x1f\x8b", "gzip"), (b"\x28\xb5\x2f\xfd", "zstd"), (b"BZh", "bz2"), (b"\xfd7zXZ\x00", "xz"))
_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


def open_bytes(path: Path) -> BinaryIO:
    """The file's content, decompressed if it is gzip, Zstandard, bzip2 or xz. Raises FrameLogError."""
    packed_bytes = require_regular_file(path).st_size
    try:
        with path.open("rb") as file:
            head = file.read(6)
    except OSError as error:
        raise FrameLogError(
            f"{path}: can't be opened ({error.strerror or error}); check the path (in a plan "
            "frame_log.path) and whether the title wrote a log"
        ) from error
    kind = next((name for mark, name in _PACKED if head.startswith(mark)), None)
    if kind is None:
        return path.open("rb")
    unpacked = Xz(path) if kind == "xz" else cast(io.RawIOBase, pa.input_stream(str(path), compression=kind))
    return cast(BinaryIO, io.BufferedReader(BoundedStream(unpacked, path, packed_bytes), 1 << 16))


def open_text(path: Path, encoding: str) -> BinaryIO:
    """The text as UTF-8 bytes without a byte-order mark, lines ended by LF or CR LF. Raises FrameLogError."""
    stream = open_bytes(path)
    try:
        head = _peek(stream)
    except (OSError, EOFError, pa.ArrowException) as error:
        stream.close()
        raise FrameLogError(f"{path}: can't be read ({error}); the file is damaged, copy it again") from error
    for mark, name in _MARKS:
        if head.startswith(mark):
            encoding = name
            break
    if codecs.lookup(encoding).name == "utf-8" and not (b"\r" in head and b"\n" not in head):
        return stream
    if codecs.lookup(encoding).name == "utf-8-sig":
        stream.read(len(codecs.BOM_UTF8))
        return stream
    return cast(BinaryIO, io.BufferedReader(_Recoded(stream, encoding), 1 << 20))


def sniff_format(path: Path) -> Format:
    """Parquet by its mark, JSON by an opening brace, else delimited text. Raises FrameLogError."""
    with open_bytes(path) as stream:
        try:
            head = _peek(stream)
        except (OSError, EOFError, pa.ArrowException) as error:
            raise FrameLogError(
                f"{path}: can't be read ({error}); the file is damaged, copy it again"
            ) from error
    if head.startswith(b"PAR1"):
        return "parquet"
    head = _as_utf8(head)
    if is_json_array(head):
        return "jsonl"
    return "jsonl" if head.removeprefix(codecs.BOM_UTF8).lstrip().startswith(b"{") else "csv"


def _as_utf8(head: bytes) -> bytes:
    """The first bytes of a file, recoded where they begin with a mark of another encoding."""
    name = next((name for mark, name in _MARKS if head.startswith(mark)), None)
    return head if name is None else head.decode(name, "ignore").encode()


def _peek(stream: BinaryIO) -> bytes:
    return cast(io.BufferedReader, stream).peek(4096)[:4096]


class _Recoded(io.RawIOBase):
    """A byte stream in another encoding, read as UTF-8 with LF line ends."""

    def __init__(self, source: BinaryIO, encoding: str) -> None:
        self._source = source
        self._text = io.TextIOWrapper(source, encoding, errors="replace", newline=None)
        self._ready = b""

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        if not self._ready:
            self._ready = self._text.read(1 << 18).encode("utf-8", "replace")
        part = self._ready[: len(buffer)]
        buffer[: len(part)] = part
        self._ready = self._ready[len(part) :]
        return len(part)

    def close(self) -> None:
        self._text.close()
        super().close()
