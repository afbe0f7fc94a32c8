"""A file too long to be held meets the same checks as a short one, part by part."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from harness.collect import judged_file, parts
from harness.frames.mapping import ColumnMapping

DRAW = np.random.default_rng(8)
STEADY_MS = np.round(DRAW.lognormal(2.1, 0.06, 40_000), 4)
PLACES = np.arange(40_000)


@pytest.fixture
def judged(tmp_path, monkeypatch):
    """Judges frame times once held and once in parts of 1,000 frames."""
    monkeypatch.setattr(parts.JudgedParts.__init__, "__defaults__", (1000,))

    def of(frametime_ms):
        path = tmp_path / "log.parquet"
        pq.write_table(pa.table({"took": frametime_ms}), path)
        mapping = ColumnMapping(interval_column="took")
        monkeypatch.setattr(judged_file, "HELD_BYTES", 256 << 20)
        held = judged_file.judge_file(path, mapping).figures
        monkeypatch.setattr(judged_file, "HELD_BYTES", 1)
        return held, judged_file.judge_file(path, mapping).figures

    return of


def test_a_good_log_is_accepted_with_the_same_figures_and_no_mark(judged):
    held, streamed = judged(STEADY_MS)
    assert streamed["verdict"] == "accepted"
    assert streamed["marks"] == held["marks"] == []
    assert streamed["one_percent_low_fps"] == held["one_percent_low_fps"]


@pytest.mark.parametrize(
    ("frametime_ms", "code"),
    [
        (STEADY_MS / 1000, "frame-log-unit"),  # a wrong unit: 120,000 frames a second
        (np.arange(1.0, 40_001.0), "frame-log-unit"),  # a counter
        (np.where(PLACES % 1000 < 600, STEADY_MS[PLACES // 1000 * 1000], STEADY_MS), "frame-log-repeated"),
        (np.repeat(STEADY_MS[:20_000], 2), "frame-log-repeated"),
        (np.append(STEADY_MS, 30_000.0), "long-pause"),
    ],
)
def test_what_is_rejected_held_is_rejected_in_parts(judged, frametime_ms, code):
    held, streamed = judged(frametime_ms)
    assert held["verdict"] == streamed["verdict"] == "rejected"
    assert code in {held["reason_code"]} & {streamed["reason_code"]}


def test_a_cap_is_told_in_parts_as_it_is_held(judged):
    held, streamed = judged(16.6667 + DRAW.normal(0, 0.02, 40_000))
    assert held["verdict"] == streamed["verdict"]
    for figures in (held, streamed):
        assert any(mark.startswith("frame-cap") for mark in figures["marks"])


def test_what_stands_in_a_small_part_of_the_log_is_a_mark_with_its_place(judged):
    frames = STEADY_MS.copy()
    frames[5_000:6_000] = 8.1234
    _, streamed = judged(frames)
    assert streamed["verdict"] == "accepted"
    assert any("frame-log-repeated" in mark and "5001 to 6000" in mark for mark in streamed["marks"])
