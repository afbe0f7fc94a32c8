"""The frame rate at the end of a frame log that is still being written.

A look costs the last 64 KiB of the file (16 KiB of JSON lines, which are slower to read). What it finds is
for a person who watches; no metric is computed from it. A log that did not grow for 3 s says nothing.
"""

from __future__ import annotations

import codecs
from pathlib import Path
from typing import BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

from harness.frames.blocks import TextBlock, as_table_lines, text_blocks, without_comments
from harness.frames.cleaning import Cleaner
from harness.frames.columnlog import jsonl_block
from harness.frames.files import Format, open_bytes, sniff_format
from harness.frames.json_document import is_object_a_line
from harness.frames.jsonlog import is_json_array
from harness.frames.mapping import ColumnMapping
from harness.frames.reader import one_run
from harness.frames.rows import RawRows
from harness.frames.stamps import with_stamps
from harness.frames.textlog import TextLayout, open_layout, parse_block

#: How far back a frame rate looks, seconds.
WINDOW_S: Final = 2.0
#: Less than this says nothing of a frame rate, seconds.
LEAST_S: Final = 0.25
TAIL_BYTES: Final = {"csv": 64 << 10, "jsonl": 16 << 10}
_WIDE: Final = (
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


def recent_fps(frametime_ms: NDArray[np.float64], window_s: float = WINDOW_S) -> float | None:
    """Frames / elapsed time over the last frames that make up ``window_s``, or over all if they are shorter.

    Args:
        frametime_ms: 1-D, in order, positive.
    Returns:
        1/s; None where the frames last less than :data:`LEAST_S`.
    """
    back_s = np.cumsum(frametime_ms[::-1]) / 1e3
    if not len(back_s) or back_s[-1] < LEAST_S:
        return None
    last = min(int(np.searchsorted(back_s, window_s)), len(back_s) - 1)
    return (last + 1) / float(back_s[last])


def recent_frames(rows: RawRows, path: Path, mapping: ColumnMapping) -> NDArray[np.float64]:
    """Frame times in ms of the log's last rows, by the rules by which the whole log is read later.

    Where time goes back inside them, only the run after the last jump counts.

    Args:
        rows: As parsed.
        path: For messages.
    Raises:
        FrameLogError: The rows can't be used.
    """
    if mapping.time_column is not None:
        if mapping.when_time_goes_back != "sort":
            mapping = mapping.model_copy(update={"when_time_goes_back": "last-run"})
        rows, _ = one_run(rows, mapping)
    return Cleaner(path, mapping, want_times=False).clean(rows).frametime_ms


class GrowingLog:
    """A log that is looked at again and again; format and heading are read until they gave a rate once."""

    def __init__(self, path: Path, mapping: ColumnMapping) -> None:
        self._path = path
        self._mapping = mapping
        self._head: tuple[Format, TextLayout | None] | None = None

    def recent_fps(self, window_s: float = WINDOW_S) -> float | None:
        """The frame rate over the last seconds.

        Returns:
            1/s; None where there are no frames yet, or where the file can't be read from its end (Parquet,
            compressed).
        Raises:
            FrameLogError: The log does not fit its mapping.
            OSError: The file can't be read now.
        """
        head = self._head or self._read_head()
        if head is None:
            return None
        kind, layout = head
        lines = self._last_lines(kind)
        if not lines:
            return None
        if layout is None:
            rows = jsonl_block(self._path, lines, self._mapping)
        else:
            rows = parse_block(TextBlock(lines), layout)
        rows = next(with_stamps([rows], self._path, self._mapping))
        fps = recent_fps(recent_frames(rows, self._path, self._mapping), window_s)
        self._head = None if fps is None else head
        return fps

    def _read_head(self) -> tuple[Format, TextLayout | None] | None:
        path, mapping = self._path, self._mapping
        with open_bytes(path) as stream:
            if not stream.seekable() or not stream.seek(0, 2):  # compressed, or empty
                return None
            stream.seek(0)
            if is_json_array(stream.read(4096)):  # its end tells nothing without its beginning
                return None
        kind = sniff_format(path) if mapping.format == "auto" else mapping.format
        if kind == "parquet" or (kind == "jsonl" and not is_object_a_line(path, mapping.encoding)):
            return None
        return kind, open_layout(path, mapping) if kind == "csv" else None

    def _last_lines(self, kind: Format) -> bytes:
        """The last whole lines of data: the very last one may be half written."""
        with self._path.open("rb") as stream:
            size = stream.seek(0, 2)
            start = (
                max(0, size - TAIL_BYTES[kind]) // 4 * 4
            )  # on a sign's first byte where it has two or four
            if kind == "csv" and not start:
                lines = b"".join(block.load().data for block in text_blocks(self._path, self._mapping))
            else:
                lines = _lines_from(stream, start, self._mapping)
                if kind == "csv":
                    lines = as_table_lines(lines, self._mapping)
                else:
                    lines = without_comments(lines, self._mapping.comment)
        return lines[: lines.rfind(b"\n") + 1]


def _lines_from(stream: BinaryIO, start: int, mapping: ColumnMapping) -> bytes:
    """Lines from about ``start`` on as UTF-8 with LF line ends."""
    stream.seek(0)
    head = stream.read(4)
    encoding = next((name for mark, name in _WIDE if head.startswith(mark)), mapping.encoding)
    stream.seek(start)
    data = stream.read()
    if codecs.lookup(encoding).name not in ("utf-8", "utf-8-sig", "ascii"):
        data = data.decode(encoding, "replace").encode()
    data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    if start:
        data = data[data.find(b"\n") + 1 :]
    return data.removeprefix(codecs.BOM_UTF8)
