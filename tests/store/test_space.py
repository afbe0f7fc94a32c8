from __future__ import annotations

import pytest

from harness.errors import DiskFull
from harness.store.files import FileSystem
from harness.store.space import LEAST_FREE_BYTES, OVERHEAD_BYTES, assumed_attempt_bytes, space_needed


class SmallDisk(FileSystem):
    def __init__(self, free: int) -> None:
        self.free = free

    def free_bytes(self, folder):
        return self.free


def test_the_forecast_goes_by_the_attempts_so_far_and_by_assumptions_only_before_them():
    assert space_needed(10, [], 5_000_000).night_bytes == 50_000_000 + OVERHEAD_BYTES
    need = space_needed(10, [1_000_000, 3_000_000], 5_000_000)
    assert need.night_bytes == 20_000_000 + OVERHEAD_BYTES
    assert need.attempt_bytes == 9_000_000
    assert need.measured


def test_a_minute_at_300_frames_a_second_and_ten_samples_a_second_is_assumed_to_take_under_two_mebibytes():
    assert 300 * 60 * 16 < assumed_attempt_bytes(120, 60, 0.1) < 2 * 2**20


def test_a_shortage_is_told_with_what_is_needed_and_what_is_free():
    need = space_needed(100, [10 << 20], 0)
    assert need.shortage(2000 << 20) is None
    assert "1032 MiB" in need.shortage(500 << 20)
    assert "500 MiB are free" in need.shortage(500 << 20)


def test_no_attempt_is_begun_without_room_for_it_and_the_journal_goes_on_once_there_is(small, tmp_path):
    disk = SmallDisk(LEAST_FREE_BYTES - 1)
    with small.open_store(tmp_path / "c", file_system=disk) as store:
        slot = store.remaining_slots()[0]
        with pytest.raises(DiskFull, match=r"needs 4 MiB.*4.0 MiB free"):
            small.begin(store, slot)
        assert store.attempts_table().num_rows == 0
        disk.free = 1 << 30
        small.measure(store, slot)
        assert store.standing().accepted_count == 1
