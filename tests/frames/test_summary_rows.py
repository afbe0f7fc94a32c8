"""Rows above and below a table that are no frames, though a number stands where a frame time belongs."""

from __future__ import annotations

import random

import pytest

from harness.collect.judged_file import judge_file
from harness.errors import FrameLogError
from harness.frames import reader
from harness.frames.blocks import text_blocks
from harness.frames.mapping import ColumnMapping
from harness.frames.reader import read_log

DRAW = random.Random(3)
FRAMES_MS = [round(DRAW.lognormvariate(2.2, 0.07), 4) for _ in range(1800)]
NUMBERED = [f"{i},{ms}" for i, ms in enumerate(FRAMES_MS)]
OF_A_PROGRAM = [f"glass.exe,{ms},flip" for ms in FRAMES_MS]


def write(tmp_path, head, rows, end="\n"):
    path = tmp_path / "log.csv"
    path.write_bytes(("\n".join([head, *rows]) + end).encode())
    return path


def frames(path, **mapping):
    return read_log(path, ColumnMapping(interval_column="dt", **mapping))


@pytest.mark.parametrize("end", ["\n", "", "\r\n", "\n\n  \n"])
@pytest.mark.parametrize(
    "footer",
    [
        ["Frames,1800"],
        ["Total,16500.25"],
        ["Min,7.1", "Mean,9.1", "Max,12.2", "Frames,1800"],
        ["-----", "Frames,1800"],
        ["", "FPS,109.7"],
        ["End of log"],
        ["frames: 1800"],
    ],
)
def test_a_summary_below_the_table_is_no_frame_and_is_told(tmp_path, footer, end):
    log = frames(write(tmp_path, "no,dt", [*NUMBERED, *footer], end))
    assert log.frames["frametime_ms"].to_pylist() == FRAMES_MS
    assert any("below the table" in note for note in log.notes)
    assert not sum(log.dropped.values())
    assert log.worst is None


def test_a_summary_above_the_table_is_no_frame_and_is_told(tmp_path):
    log = frames(write(tmp_path, "no,dt", ["Frames,1800", "Average,9.1", *NUMBERED]))
    assert log.frames["frametime_ms"].to_pylist() == FRAMES_MS
    assert any("2 above the table" in note and "Frames,1800" in note for note in log.notes)


def test_a_long_row_without_what_every_row_has_leaves_the_figures_open(tmp_path):
    path = write(tmp_path, "app,dt,mode", [*OF_A_PROGRAM, "Longest,812.5,"])
    log = frames(path)
    assert log.frames.num_rows == 1800
    assert log.dropped == {"perhaps a summary and no frame": 1}
    assert log.worst is not None
    assert log.worst["frametime_ms"][-1].as_py() == 812.5
    figures = judge_file(path, ColumnMapping(interval_column="dt")).figures
    assert figures["reason_code"] == "frame-log-doubtful-rows"


def test_the_last_frame_of_a_title_that_leaves_its_screen_mode_is_a_frame(tmp_path):
    log = frames(write(tmp_path, "app,dt,mode", [*OF_A_PROGRAM, "glass.exe,21.5,copy"]))
    assert log.frames.num_rows == 1801
    assert not log.notes


def test_a_column_that_holds_words_here_and_there_tells_nothing(tmp_path):
    rows = [f"{'warm' if i % 9 == 0 else i},{ms}" for i, ms in enumerate(FRAMES_MS)]
    log = frames(write(tmp_path, "no,dt", [*rows, "warm,9.5"]))
    assert log.frames.num_rows == 1801


@pytest.mark.parametrize(("last", "word"), [("1800", "number"), (f"{sum(FRAMES_MS):.4f}", "sum")])
def test_a_last_row_that_holds_the_number_or_the_sum_of_all_others_is_refused(tmp_path, last, word):
    path = write(tmp_path, "dt", [*map(str, FRAMES_MS), last])
    with pytest.raises(FrameLogError, match=f"{word} of the 1800 rows above"):
        frames(path)


def test_a_longer_summary_than_may_be_left_out_is_not_taken_for_frames(tmp_path):
    path = write(tmp_path, "no,dt", [*NUMBERED, *(f"Step {i}x,9.5" for i in range(60))])
    with pytest.raises(FrameLogError):
        frames(path, damaged_rows_at_most_pct=0.5)


@pytest.mark.parametrize("size", [5, 60, 1000])
def test_nothing_hangs_on_where_a_block_ends(tmp_path, monkeypatch, size):
    path = write(tmp_path, "no,dt", ["Frames,1800", *NUMBERED[:300], "Mean,9.1", "Frames,1800"], "")
    whole = frames(path)
    monkeypatch.setattr(reader, "text_blocks", lambda p, m: text_blocks(p, m, size))
    parts = frames(path)
    assert parts.frames["frametime_ms"].equals(whole.frames["frametime_ms"])
    assert parts.notes == whole.notes
    assert whole.frames.num_rows == 300


@pytest.mark.parametrize("first", ["-1", "-8.5", "", "NaN", "nan"])
@pytest.mark.parametrize("key", ["presentation_time_column", "start_time_column"])
def test_a_first_interval_that_is_none_is_no_damage_also_beside_a_time(tmp_path, first, key):
    ends_s = [sum(FRAMES_MS[: i + 1]) / 1e3 for i in range(300)]
    rows = [f"{first},{ends_s[0]:.6f}"]
    rows += [f"{ms},{end:.6f}" for ms, end in zip(FRAMES_MS[1:300], ends_s[1:], strict=True)]
    log = frames(write(tmp_path, "dt,at", rows), time_unit="s", **{key: "at"})
    assert log.frames["frametime_ms"].to_pylist() == FRAMES_MS[1:300]
    assert log.left_out == {"first row: no frame before it": 1}
    assert not log.dropped
    assert log.worst is None
    assert not log.notes
