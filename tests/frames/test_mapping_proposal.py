"""A mapping proposed from the numbers alone: headings never decide."""

from __future__ import annotations

import contextlib
import gzip
import tomllib

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.errors import FrameLogError
from harness.frames.mapping import ColumnMapping
from harness.frames.propose import propose_mapping
from harness.frames.reader import read_log

UNITS = {"s": 1.0, "ms": 1e3, "us": 1e6, "ns": 1e9}


def frames(seed=1, n=400, mean_ms=8.3):
    frametime_ms = np.random.default_rng(seed).lognormal(np.log(mean_ms), 0.15, n).round(4)
    return frametime_ms, np.cumsum(frametime_ms) / 1e3 + 100.0


def write(path, names, *columns, delimiter=",", before="", line_end="\n"):
    head = line_end.join([before, ""]) if before else ""
    text = head + (delimiter.join(names) + line_end if names else "")
    rows = zip(*columns, strict=True)
    path.write_text(text + "".join(delimiter.join(map(str, row)) + line_end for row in rows), newline="")
    return path


def mapped(path, **expected):
    proposal = propose_mapping(path)
    assert {key: proposal.mapping.get(key) for key in expected} == expected, proposal.as_text()
    return proposal


@settings(max_examples=20, deadline=None)
@given(
    interval_unit=st.sampled_from(sorted(UNITS)),
    time_unit=st.sampled_from(sorted(UNITS)),
    seed=st.integers(0, 1000),
    mean_ms=st.sampled_from([1.2, 8.3, 33.0, 90.0]),
    starts=st.booleans(),
)
def test_interval_time_their_units_and_which_end_they_mark_are_found(
    tmp_path_factory, interval_unit, time_unit, seed, mean_ms, starts
):
    frametime_ms, end_s = frames(seed, mean_ms=mean_ms)
    time = (end_s - frametime_ms / 1e3 if starts else end_s) * UNITS[time_unit]
    interval = frametime_ms / 1e3 * UNITS[interval_unit]
    path = tmp_path_factory.mktemp("map") / "log.csv"
    write(path, ["speed", "n", "x"], interval, range(len(time)), time)  # misleading headings are no matter
    key = "start_time_column" if starts else "presentation_time_column"
    wanted_time_unit = None if time_unit == interval_unit else time_unit
    proposal = mapped(
        path, interval_column="speed", unit=interval_unit, time_unit=wanted_time_unit, **{key: "x"}
    )
    log = read_log(path, ColumnMapping.model_validate(proposal.mapping))
    assert log.frames["frametime_ms"].to_numpy() == pytest.approx(frametime_ms, rel=1e-9)


@pytest.mark.parametrize("unit", sorted(UNITS))
def test_a_time_alone_is_enough(tmp_path, unit):
    _, end_s = frames()
    proposal = mapped(
        write(tmp_path / "log.csv", ["a", "b"], end_s * UNITS[unit], ["up"] * len(end_s)),
        presentation_time_column="a",
        interval_column=None,
        unit=unit,
    )
    assert "frame's end or its start" in " ".join(proposal.doubts)


def test_ticks_are_told_by_their_ratio_to_the_interval_with_their_frequency(tmp_path):
    frametime_ms, end_s = frames()
    path = write(tmp_path / "log.csv", ["t", "d"], (end_s * 19_200_000).astype(int) + 10**15, frametime_ms)
    mapped(path, interval_column="d", unit="ms", time_unit="ticks", ticks_per_s=19_200_000.0)


def test_an_interval_alone_is_proposed_with_a_doubt_where_another_column_could_be_one(tmp_path):
    frametime_ms, _ = frames()
    path = write(tmp_path / "log.csv", ["busy", "whole"], (frametime_ms * 0.6).round(4), frametime_ms)
    proposal = mapped(path, interval_column="whole", unit="ms")
    assert "'busy'" in " ".join(proposal.doubts)


def test_a_steady_log_is_still_told_apart(tmp_path):
    end_s = np.arange(1, 400) / 60
    path = write(tmp_path / "log.csv", ["dt", "at"], [16.6667] * 399, end_s.round(7))
    proposal = propose_mapping(path)
    assert proposal.mapping["presentation_time_column"] == "at"


def test_the_layout_of_the_text_is_found(tmp_path):
    frametime_ms, end_s = frames()
    columns = [[f"{x:.6f}".replace(".", ",") for x in values] for values in (frametime_ms, end_s)]
    path = tmp_path / "log.txt"
    write(path, ["d", "t"], *columns, delimiter=";", before="a night\nof tests", line_end="\r\n")
    mapped(path, delimiter=";", decimal=",", skip_rows=2, interval_column="d")


def test_comments_and_missing_headings_are_found(tmp_path):
    frametime_ms, end_s = frames()
    path = write(tmp_path / "log.txt", [], frametime_ms, end_s, delimiter="\t", before="# made by hand")
    mapped(path, delimiter="tab", comment="#", header=False, interval_column="#1")


def test_two_processes_in_turn_are_found_by_their_times(tmp_path):
    one, other = frames(1, 300)[1], frames(2, 200, 16.0)[1] - 50.0
    rows = [(t, "fore") for t in one] + [(t, "back") for t in other]
    rows = [rows[i] for i in np.random.default_rng(5).permutation(len(rows))]
    rows.sort(key=lambda row: row[0] + (50.0 if row[1] == "back" else 0.0))
    path = write(tmp_path / "log.csv", ["t", "who"], *zip(*rows, strict=True))
    proposal = mapped(path, filter_column="who", filter_value="fore", presentation_time_column="t")
    assert "'back' (200 rows)" in " ".join(proposal.evidence)


def test_two_processes_in_order_of_time_are_found_by_time_and_interval(tmp_path):
    rows = []
    for name, seed, count, mean_ms in (("a", 1, 300, 8.3), ("b", 2, 150, 16.6)):
        frametime_ms, end_s = frames(seed, count, mean_ms)
        rows += [(t, d, name) for d, t in zip(frametime_ms, end_s.round(7), strict=True)]
    path = write(tmp_path / "log.csv", ["t", "d", "who"], *zip(*sorted(rows), strict=True))
    mapped(path, filter_column="who", filter_value="a", interval_column="d", presentation_time_column="t")


def test_a_column_of_two_values_is_pointed_out_and_left_to_the_user(tmp_path):
    frametime_ms, end_s = frames()
    gone = [int(i % 40 == 0) for i in range(len(end_s))]
    proposal = propose_mapping(write(tmp_path / "log.csv", ["d", "t", "gone"], frametime_ms, end_s, gone))
    assert "dropped_column" not in proposal.mapping
    assert "'gone' has the two values '0' and '1' ('1' in 10 rows)" in " ".join(proposal.doubts)


def test_parquet_json_lines_and_gzip_are_looked_at_alike(tmp_path):
    frametime_ms, end_s = frames()
    pq.write_table(pa.table({"d": frametime_ms, "t": end_s}), tmp_path / "log.parquet")
    lines = "".join(f'{{"d":{d},"t":{t}}}\n' for d, t in zip(frametime_ms, end_s, strict=True))
    (tmp_path / "log.jsonl").write_text(lines)
    (tmp_path / "log.gz").write_bytes(gzip.compress(lines.encode()))
    for name in ("log.parquet", "log.jsonl", "log.gz"):
        proposal = mapped(tmp_path / name, interval_column="d", presentation_time_column="t", time_unit="s")
        assert proposal.result["frame_count"] == len(frametime_ms)


def test_the_printed_table_is_the_mapping(tmp_path):
    frametime_ms, end_s = frames()
    path = write(tmp_path / "log.csv", ['say "d"', "t"], frametime_ms, end_s, delimiter="\t")
    proposal = propose_mapping(path)
    table = tomllib.loads("[[titles]]\n" + proposal.as_toml())["titles"][0]["frame_log"]
    assert table == {"path": "log.csv", **proposal.mapping}
    assert ColumnMapping.model_validate(proposal.mapping)
    assert proposal.as_toml() in proposal.as_text()
    assert proposal.as_dict()["mapping"] == proposal.mapping


def test_a_file_without_frames_gives_no_mapping_but_says_why(tmp_path):
    random = np.random.default_rng(1)
    path = write(tmp_path / "log.csv", ["a", "b"], random.normal(0, 1, 100), random.normal(-5, 1, 100))
    proposal = propose_mapping(path)
    assert proposal.mapping == {}
    assert "no column looks like" in proposal.as_text()


def test_a_table_of_a_stamp_and_a_word_has_two_columns(tmp_path):
    path = tmp_path / "log.csv"
    rows = [f"2031-04-05T13:00:{ms // 1000:02}.{ms % 1000:03},glass.exe" for ms in range(0, 9000, 13)]
    path.write_text("Made by a logger\ncard: some card, 24 GB\nwhen,what\n" + "\n".join(rows))
    found = propose_mapping(path)
    assert found.mapping == {"presentation_time_column": "when", "time_unit": "date-time", "skip_rows": 2}


@pytest.mark.parametrize("content", [b"", b"hello\nthere\n", b"dt\n1\n2\n", bytes(range(256))])
def test_what_is_no_table_is_an_error(tmp_path, content):
    path = tmp_path / "log"
    path.write_bytes(content)
    with pytest.raises(FrameLogError, match="log: "):
        propose_mapping(path)


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_give_a_proposal_or_an_error(tmp_path_factory, data):
    path = tmp_path_factory.mktemp("any") / "log"
    path.write_bytes(data)
    with contextlib.suppress(FrameLogError):
        propose_mapping(path).as_text()
