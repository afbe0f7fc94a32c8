"""A ring is read while it is written. The layout is that of ``native/ring.h``; no source outside."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from harness.capture.ring import HEADER_BYTES, MAGIC, RECORD, Ring

CAPACITY = 8


class Written:
    """A ring that the test writes as a title would."""

    def __init__(self, path):
        self.path = path
        header = bytearray(HEADER_BYTES)
        header[:8] = MAGIC
        struct.pack_into("<IIQII", header, 8, HEADER_BYTES, RECORD.itemsize, CAPACITY, 77, 0)
        header[40:52] = b"/games/basal"
        path.write_bytes(bytes(header) + bytes(CAPACITY * RECORD.itemsize))
        self.head = 0

    def _put(self, at, data):
        with self.path.open("r+b") as file:
            file.seek(at)
            file.write(data)

    def begin(self):
        """Claim a place, as far as a title gets that is killed there."""
        place = self.head
        self.head += 1
        self._put(512, struct.pack("<Q", self.head))
        self._put(HEADER_BYTES + place % CAPACITY * RECORD.itemsize, bytes(RECORD.itemsize))
        return place

    def finish(self, place):
        record = np.zeros(1, RECORD)
        record["sequence"], record["call_ns"] = place + 1, 1000 * place
        self._put(HEADER_BYTES + place % CAPACITY * RECORD.itemsize, record.tobytes())

    def add(self, count):
        for _ in range(count):
            self.finish(self.begin())


@pytest.fixture
def written(tmp_path):
    return Written(tmp_path / "1.ring")


def times(taken):
    return (taken.records["call_ns"] // 1000).tolist()


def test_records_come_once_each_and_over_the_edge(written):
    ring = Ring(written.path)
    assert (ring.process_id, ring.program, ring.capacity) == (77, "/games/basal", CAPACITY)
    seen = []
    for count in (3, 0, 5, 7, 8, 1):
        written.add(count)
        taken = ring.take()
        seen += times(taken)
        assert taken.lost == 0
    assert seen == list(range(24))


def test_what_is_written_over_is_lost_and_counted(written):
    ring = Ring(written.path)
    written.add(2)
    ring.take()
    written.add(CAPACITY + 3)
    taken = ring.take()
    assert (times(taken), taken.lost) == (list(range(5, 13)), 3)


def test_a_record_that_is_being_written_is_waited_for(written):
    ring = Ring(written.path)
    written.add(2)
    slow = written.begin()
    written.add(1)
    assert times(ring.take()) == [0, 1]
    written.finish(slow)
    assert times(ring.take()) == [2, 3]


def test_a_record_that_a_killed_title_never_finished_is_lost(written):
    ring = Ring(written.path)
    written.add(1)
    written.begin()
    written.add(1)
    taken = ring.take(last=True)
    assert (times(taken), taken.lost) == ([0, 2], 1)


def test_what_is_no_ring_is_refused(tmp_path):
    path = tmp_path / "1.ring"
    for content in (b"", b"LVLRING1", bytes(HEADER_BYTES + 1000)):
        path.write_bytes(content)
        with pytest.raises(ValueError, match="ring"):
            Ring(path)
