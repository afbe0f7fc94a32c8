"""Frames inside a JSON document, which holds other things as well."""

from __future__ import annotations

import gzip
import json

import pytest

from harness.errors import FrameLogError
from harness.frames import json_document
from harness.frames.json_document import row_arrays
from harness.frames.mapping import ColumnMapping
from harness.frames.propose import propose_mapping
from harness.frames.reader import read_log

FRAMES = [{"no": i, "took": {"ms": 8 + i % 7 / 8}, "parts": [{"draw": 1}]} for i in range(400)]
ABOUT = {"card": 'a "quoted" {name} [x]: \\', "rates": [60, 120], "empty": [], "none": {}}


def read(path, **mapping):
    log = read_log(path, ColumnMapping(interval_column="took.ms", **mapping))
    return log.frames["frametime_ms"].to_pylist()


WANTED = [frame["took"]["ms"] for frame in FRAMES]


@pytest.mark.parametrize("indent", [None, 1])
@pytest.mark.parametrize("document", [{"about": ABOUT, "frames": FRAMES}, {"a": {"b": FRAMES, "c": ABOUT}}])
def test_the_only_array_of_objects_holds_the_rows(tmp_path, document, indent):
    path = tmp_path / "log.json"
    path.write_text(json.dumps(document, indent=indent))
    assert read(path) == WANTED


@pytest.mark.parametrize("wrap", [gzip.compress, lambda data: b"\xef\xbb\xbf" + data, bytes])
def test_a_document_may_be_compressed_or_begin_with_a_mark(tmp_path, wrap):
    path = tmp_path / "log"
    path.write_bytes(wrap(json.dumps({"about": ABOUT, "frames": FRAMES}).encode()))
    assert read(path) == WANTED


def test_of_several_arrays_the_mapping_names_one(tmp_path):
    path = tmp_path / "log.json"
    path.write_text(json.dumps({"run": {"warm-up": FRAMES[:50], "frames": FRAMES}}))
    with pytest.raises(
        FrameLogError, match=r"'run\.warm-up' \(50 rows\), 'run\.frames' \(400 rows\).*rows_key"
    ):
        read(path)
    assert read(path, rows_key="run.frames") == WANTED
    with pytest.raises(FrameLogError, match=r"no array of objects under 'frames'.*run\.frames"):
        read(path, rows_key="frames")


def test_a_proposal_takes_the_longest_array_and_says_so(tmp_path):
    path = tmp_path / "log.json"
    path.write_text(json.dumps({"warm": FRAMES[:50], "frames": FRAMES}))
    found = propose_mapping(path)
    assert found.mapping["rows_key"] == "frames"
    assert found.mapping["interval_column"] == "took.ms"
    assert "'warm'" in found.evidence[0]


def test_a_document_cut_off_loses_its_last_row_only(tmp_path):
    path = tmp_path / "log.json"
    text = json.dumps({"about": ABOUT, "frames": FRAMES})
    path.write_text(text[: text.rindex('"took"') + 3])
    log = read_log(path, ColumnMapping(interval_column="took.ms"))
    assert log.frames["frametime_ms"].to_pylist() == WANTED[:-1]
    assert log.dropped == {"cut off at the end of the file": 1}


def test_objects_line_by_line_stay_lines_also_where_they_hold_arrays(tmp_path):
    path = tmp_path / "log.jsonl"
    path.write_text("\n".join(map(json.dumps, FRAMES)))
    assert read(path) == WANTED


def test_arrays_are_found_wherever_a_piece_of_the_file_ends(tmp_path, monkeypatch):
    path = tmp_path / "log.json"
    path.write_text(json.dumps({"about": ABOUT, "frames": FRAMES[:9], "x": [[{"no": 1}]]}))
    whole = row_arrays(path, "utf-8")
    assert [(array.key, array.rows) for array in whole] == [("frames", 9), ("x", 1)]
    for size in (1, 2, 7):
        monkeypatch.setattr(json_document, "_READ_BYTES", size)
        assert row_arrays(path, "utf-8") == whole


def test_a_text_without_end_and_brackets_without_end_are_refused(tmp_path):
    path = tmp_path / "log.json"
    path.write_text('{"a": ' + "[" * 500)
    with pytest.raises(FrameLogError):
        read(path)
    path.write_text('{"a": "' + "x" * (17 << 20))
    with pytest.raises(FrameLogError):
        read(path)
