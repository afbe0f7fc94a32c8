"""Reads the rings that titles record their presents into. The layout is that of ``native/ring.h``."""

from __future__ import annotations

import mmap
import os
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

MAGIC: Final = b"LVLRING1"
HEADER_BYTES: Final = 4096
_HEAD_AT: Final = 512
RECORD: Final = np.dtype(
    [
        ("sequence", "<u8"),
        ("call_ns", "<u8"),
        ("return_ns", "<u8"),
        ("present_id", "<u8"),
        ("width", "<u4"),
        ("height", "<u4"),
        ("result", "<i4"),
        ("thread", "<u4"),
        ("surface", "<u4"),
        ("swapchain", "<u4"),
        ("image", "<u4"),
        ("kind_queue", "<u4"),
    ]
)
#: Kind of a record -> its word. The last two come from watching windows (:mod:`harness.capture.windows`).
KINDS: Final = {1: "vulkan", 2: "glx", 3: "egl", 4: "displayed", 5: "complete", 6: "damage"}
Records = NDArray[np.void]


@dataclass(frozen=True)
class Taken:
    """What one look at a ring gave.

    Attributes:
        records: New records, in the order in which they were begun.
        lost: Records that were written over before they could be read, or never finished.
    """

    records: Records
    lost: int


class Ring:
    """One process's ring, read while it is written.

    A writer claims a place, clears its sequence number, fills it, and sets the number last; a record whose
    number is not the expected one is still being written, or was written over.

    Args:
        path: The file.

    Attributes:
        process_id: Of the title's process.
        program: Its executable.
        display_times: 1 where times of display are recorded.

    Raises:
        ValueError: It is no ring, or not yet.
        OSError: It can't be opened.
    """

    def __init__(self, path: Path) -> None:
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0))
        try:
            size = os.fstat(descriptor).st_size
            if size < HEADER_BYTES + RECORD.itemsize:
                raise ValueError(f"{path} is too short for a ring")
            self._map = mmap.mmap(descriptor, size, access=mmap.ACCESS_READ)
        finally:
            os.close(descriptor)
        head = self._map[:296]
        header_bytes, record_bytes, capacity = struct.unpack_from("<IIQ", head, 8)
        whole = header_bytes == HEADER_BYTES and record_bytes == RECORD.itemsize
        if head[:8] != MAGIC or not whole or size < HEADER_BYTES + capacity * RECORD.itemsize or not capacity:
            self._map.close()
            raise ValueError(f"{path} is no ring, or not yet")
        self.capacity: int = capacity
        self.process_id: int = struct.unpack_from("<I", head, 24)[0]
        self.program = head[40:296].split(b"\0")[0].decode("utf-8", "replace")
        self._taken = 0

    @property
    def display_times(self) -> int:
        return int(struct.unpack_from("<I", self._map, 28)[0])

    def _head(self) -> int:
        return int(struct.unpack_from("<Q", self._map, _HEAD_AT)[0])

    def take(self, *, last: bool = False) -> Taken:
        """The records since the look before.

        Args:
            last: The process has ended: what is not finished now never will be, and is lost.
        """
        head = self._head()
        oldest = max(self._taken, head - self.capacity)
        lost = oldest - self._taken
        wanted = np.arange(oldest, head, dtype=np.uint64)
        copied = self._copy(oldest, head)
        overwritten = max(0, min(self._head() - self.capacity, head) - oldest)  # while they were copied
        copied, wanted = copied[overwritten:], wanted[overwritten:]
        lost += overwritten
        whole = copied["sequence"] == wanted + 1
        if not last and not whole.all():  # someone is writing: from there on at the next look
            first = int(np.argmin(whole))
            copied, whole, head = copied[:first], whole[:first], oldest + overwritten + first
        self._taken = head
        return Taken(copied[whole], lost + int(np.count_nonzero(~whole)))

    def _copy(self, first: int, end: int) -> Records:
        """Copies of the records between two places, over the ring's edge."""
        pieces = [np.zeros(0, RECORD)]
        while first < end:
            slot = first % self.capacity
            count = min(end - first, self.capacity - slot)
            at = HEADER_BYTES + slot * RECORD.itemsize
            pieces.append(np.frombuffer(self._map[at : at + count * RECORD.itemsize], RECORD))
            first += count
        return np.concatenate(pieces)

    def close(self) -> None:
        """Give the mapping back."""
        self._map.close()
