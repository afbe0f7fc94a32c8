"""The frame rate at the end of a log that is still being written."""

from __future__ import annotations

import gzip
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from harness.frames.mapping import ColumnMapping
from harness.frames.recent import TAIL_BYTES, GrowingLog, recent_fps

INTERVAL = {"interval_column": "dt"}


def rate(path: Path, **mapping: Any) -> float | None:
    return GrowingLog(path, ColumnMapping(**mapping)).recent_fps()


def write(path: Path, text: str, encoding: str = "utf-8") -> Path:
    path.write_bytes(text.encode(encoding))
    return path


def test_the_rate_is_frames_by_elapsed_time_over_the_last_two_seconds():
    # 100 frames of 40 ms, then 100 of 20 ms: exactly 2 s at 50 FPS, and the slow ones are too old to count.
    assert recent_fps(np.array([40.0] * 100 + [20.0] * 100)) == pytest.approx(50, rel=1e-12)
    # 1 s at 50 FPS after 1 s at 25 FPS: 75 frames in 2 s, not the mean of the frames' own rates.
    assert recent_fps(np.array([40.0] * 100 + [20.0] * 50)) == pytest.approx(37.5, rel=1e-12)


def test_one_long_frame_is_a_low_rate_and_not_left_out():
    assert recent_fps(np.array([10.0] * 500 + [4000.0])) == 0.25


@pytest.mark.parametrize("frametime_ms", [[], [100.0, 149.0]])
def test_too_little_to_tell_a_rate_gives_none_and_never_zero(frametime_ms: list[float]):
    assert recent_fps(np.array(frametime_ms)) is None


def test_less_than_the_window_is_taken_as_it_is():
    assert recent_fps(np.array([10.0] * 50)) == pytest.approx(100)


@pytest.mark.parametrize("rows", [300, 30_000])
def test_a_short_log_and_the_end_of_a_long_one_read_the_same(tmp_path: Path, rows: int):
    lines = [f"{i},20.0,x\n" for i in range(rows)] + [f"{i},8.0,x\n" for i in range(300)]
    log = write(tmp_path / "log.csv", "made today\nn,dt,note\n" + "".join(lines))
    assert (log.stat().st_size > TAIL_BYTES["csv"]) == (rows == 30_000)
    assert rate(log, **INTERVAL, skip_rows=1) == pytest.approx(125, rel=1e-12)


def test_a_half_written_last_line_is_not_read(tmp_path: Path):
    log = write(tmp_path / "log.csv", "n,dt\n" + "1,10.0\n" * 300 + "1,1")
    assert rate(log, **INTERVAL) == pytest.approx(100)


def test_a_time_column_in_nanoseconds_needs_no_interval(tmp_path: Path):
    start = 1_764_000_000_000_000_000
    lines = "".join(f"{start + i * 12_500_000}\n" for i in range(20_000))
    log = write(tmp_path / "log.csv", "at\n" + lines)
    assert rate(log, presentation_time_column="at", unit="ns") == pytest.approx(80, rel=1e-12)


def test_only_the_wanted_process_counts(tmp_path: Path):
    lines = "".join("scene,10.0\nshell,16.0\nshell,4.0\n" for _ in range(9000))
    log = write(tmp_path / "log.csv", "who,dt\n" + lines)
    assert rate(log, **INTERVAL, filter_column="who", filter_value="scene") == pytest.approx(100)


def test_a_frame_that_was_never_shown_does_not_count_but_its_time_does(tmp_path: Path):
    log = write(tmp_path / "log.csv", "dt,gone\n" + "10.0,0\n10.0,1\n" * 300)
    assert rate(log, **INTERVAL, dropped_column="gone") == pytest.approx(50)


def test_decimal_commas_units_comments_and_line_ends_are_those_of_the_mapping(tmp_path: Path):
    text = "# made today\r\nn;dt\r\n" + "1;0,0125\r\n# a note\r\n" * 9000
    log = write(tmp_path / "log.csv", text)
    mapping = {"delimiter": "semicolon", "decimal": ",", "unit": "s", "comment": "#"}
    assert rate(log, **INTERVAL, **mapping) == pytest.approx(80)


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-16-le", "latin-1"])
@pytest.mark.parametrize("rows", [300, 30_000])
def test_other_encodings_are_read_from_their_end_too(tmp_path: Path, encoding: str, rows: int):
    log = write(tmp_path / "log.csv", "größe,dt\n" + "1,10.0\n" * rows, encoding)
    told = "utf-8" if encoding in ("utf-8-sig", "utf-16") else encoding  # a mark tells by itself
    assert rate(log, **INTERVAL, encoding=told) == pytest.approx(100)


@pytest.mark.parametrize("rows", [300, 30_000])
def test_json_lines_are_read_from_their_end_too(tmp_path: Path, rows: int):
    log = write(tmp_path / "log.jsonl", (json.dumps({"dt": 5.0, "n": 1}) + "\n") * rows + '{"dt"')
    assert rate(log, **INTERVAL) == pytest.approx(200)


def test_a_log_of_several_runs_gives_the_rate_of_the_last(tmp_path: Path):
    times = [i * 0.02 for i in range(500)] + [i * 0.01 for i in range(80)]
    log = write(tmp_path / "log.csv", "at\n" + "".join(f"{t:.4f}\n" for t in times))
    assert rate(log, presentation_time_column="at", unit="s") == pytest.approx(100)


def test_rows_out_of_order_are_sorted_where_the_mapping_says_so(tmp_path: Path):
    times = np.arange(500) * 0.01
    times[1::2], times[::2] = times[::2].copy(), times[1::2].copy()
    log = write(tmp_path / "log.csv", "at\n" + "".join(f"{t:.4f}\n" for t in times))
    mapping = {"presentation_time_column": "at", "unit": "s", "when_time_goes_back": "sort"}
    assert rate(log, **mapping) == pytest.approx(100)


def test_a_damaged_row_costs_its_own_row(tmp_path: Path):
    log = write(tmp_path / "log.csv", "n,dt\n" + "1,10.0\n" * 300 + "1,\x00?\n" + "1,10.0\n" * 50)
    assert rate(log, **INTERVAL) == pytest.approx(100)


def test_the_heading_is_read_again_until_the_log_has_rows(tmp_path: Path):
    log = GrowingLog(write(tmp_path / "log.csv", "n,dt\n"), ColumnMapping(**INTERVAL))
    assert log.recent_fps() is None
    write(tmp_path / "log.csv", "dt,n\n" + "10.0,1,\n" * 300)  # every row ends with a delimiter
    assert log.recent_fps() == pytest.approx(100)
    write(tmp_path / "log.csv", "dt,n\n" + "5.0,1,\n" * 30_000)
    assert log.recent_fps() == pytest.approx(200)


def test_an_empty_log_and_one_with_a_heading_only_have_no_rate(tmp_path: Path):
    assert rate(write(tmp_path / "a.csv", ""), **INTERVAL) is None
    assert rate(write(tmp_path / "b.csv", "n,dt\n"), **INTERVAL) is None


def test_what_can_not_be_read_from_its_end_has_no_rate(tmp_path: Path):
    packed = tmp_path / "log.csv.gz"
    packed.write_bytes(gzip.compress(b"n,dt\n" + b"1,10.0\n" * 300))
    assert rate(packed, **INTERVAL) is None
    parquet = tmp_path / "log.parquet"
    parquet.write_bytes(b"PAR1" + bytes(5000))
    assert rate(parquet, **INTERVAL) is None
