"""Stamps, aligned columns, thousands, nested and compressed logs: the same frames come out of each."""

from __future__ import annotations

import bz2
import datetime as dt
import json
import lzma

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from harness.errors import FrameLogError
from harness.frames.files import open_bytes
from harness.frames.mapping import ColumnMapping
from harness.frames.reader import read_log

#: Whole microseconds, so that every format can hold them exactly.
STEPS_US = np.random.default_rng(3).gamma(40.0, 210.0, 500).astype(np.int64)
ENDS_US = np.cumsum(STEPS_US)
START = dt.datetime(2031, 3, 9, 22, 59, 58, 500_000, dt.UTC)


def moments(start=START):
    return [start + dt.timedelta(microseconds=int(us)) for us in ENDS_US]


def read_ms(path, **mapping):
    return read_log(path, ColumnMapping(**mapping)).frames["frametime_ms"].to_numpy()


def lines(path, head, rows):
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize(
    "form", ["{:%Y-%m-%dT%H:%M:%S.%f}", "{:%Y-%m-%d %H:%M:%S,%f}000+02:00", "{:%Y-%m-%dT%H:%M:%S.%f}Z"]
)
def test_date_times_give_their_steps_to_the_microsecond(tmp_path, form):
    rows = [f'"{form.format(at)}";1' for at in moments()]
    path = lines(tmp_path / "log.csv", "at;n", rows)
    found = read_ms(path, presentation_time_column="at", time_unit="date-time", delimiter=";")
    assert found == pytest.approx(STEPS_US[1:] / 1e3, rel=1e-12)


def test_date_times_agree_with_the_standard_library_also_across_zones(tmp_path):
    """Source: ISO 8601 as read by Python's own ``datetime.fromisoformat``."""
    texts = ["2031-03-09T22:59:58.250+01:00", "2031-03-09T22:00:00Z", "2031-03-09T17:30:00.5-04:30"]
    path = lines(tmp_path / "log.csv", "at", texts)
    wanted = np.diff([dt.datetime.fromisoformat(text).timestamp() for text in texts]) * 1e3
    found = read_ms(path, presentation_time_column="at", time_unit="date-time")
    assert found == pytest.approx(wanted, rel=1e-9)


@pytest.mark.parametrize("form", ["{:%H:%M:%S.%f}", "{:%I:%M:%S.%f %p}"])
def test_clock_times_go_on_after_midnight(tmp_path, form):
    start = dt.datetime(2031, 3, 9, 23, 59, 58, tzinfo=dt.UTC)
    path = lines(tmp_path / "log.csv", "at", [form.format(at) for at in moments(start)])
    found = read_ms(path, presentation_time_column="at", time_unit="clock")
    assert found == pytest.approx(STEPS_US[1:] / 1e3, rel=1e-12)


def test_a_stamp_that_is_none_is_an_unreadable_row_of_the_account(tmp_path):
    rows = [f"{at:%Y-%m-%dT%H:%M:%S.%f},{us / 1e3}" for at, us in zip(moments(), STEPS_US, strict=True)]
    rows[100], rows[200] = rows[100].replace("2031-03", "2031-13"), "," + rows[200].split(",")[1]
    path = lines(tmp_path / "log.csv", "at,took", rows)
    log = read_log(path, ColumnMapping(presentation_time_column="at", time_unit="date-time"))
    assert sum(log.dropped.values()) >= 2
    assert "no date or time" in " ".join(log.notes)


def test_local_time_that_is_put_back_by_an_hour_is_refused_with_the_remedy(tmp_path):
    times = moments()
    times = times[:250] + [at - dt.timedelta(hours=1) for at in times[250:]]
    path = lines(tmp_path / "log.csv", "at", [f"{at:%Y-%m-%d %H:%M:%S.%f}" for at in times])
    with pytest.raises(FrameLogError, match="write the log in UTC"):
        read_ms(path, presentation_time_column="at", time_unit="date-time")


def test_columns_aligned_by_blanks(tmp_path):
    rows = [f"{i:>8}{ms:>16.3f}\t{'x':<9}" for i, ms in enumerate(STEPS_US / 1e3)]
    path = lines(tmp_path / "log.txt", "  number            took  word   ", rows)
    found = read_ms(path, interval_column="took", delimiter="spaces", keep_columns=["word"])
    assert found == pytest.approx(STEPS_US / 1e3)


@pytest.mark.parametrize(
    ("thousands", "decimal", "sample"),
    [
        (",", ".", "1,204,300.5"),
        (".", ",", "1.204.300,5"),
        (" ", ".", "1 204 300.5"),
        ("'", ".", "1'204'300.5"),
    ],
)
def test_thousands_are_read_by_their_key_and_only_where_they_are_thousands(
    tmp_path, thousands, decimal, sample
):
    rows = [str(us) for us in STEPS_US[:300]] + [sample]
    path = lines(tmp_path / "log.csv", "took;", [row + ";" for row in rows])
    keys = {"interval_column": "took", "unit": "us", "delimiter": ";", "decimal": decimal}
    assert read_ms(path, thousands=thousands, **keys)[-1] == pytest.approx(1204.3005)
    lines(tmp_path / "log.csv", "took;", [row + ";" for row in [*rows[:-1], f"12{thousands}3"]])
    assert "not a number" in " ".join(read_log(path, ColumnMapping(thousands=thousands, **keys)).notes)


def test_parquet_timestamps_durations_and_columns_inside_others(tmp_path):
    at = pa.array(ENDS_US, pa.timestamp("us", tz="UTC"))
    took = pa.array(STEPS_US, pa.duration("us"))
    inside = pa.StructArray.from_arrays([took, pa.array(STEPS_US / 1e3)], ["took", "ms"])
    frame = pa.StructArray.from_arrays([inside, at], ["time", "at"])
    pq.write_table(
        pa.table({"frame": frame, "at": at, "took": took, "n": range(len(at))}), tmp_path / "a.parquet"
    )
    path = tmp_path / "a.parquet"
    wanted = STEPS_US / 1e3
    assert read_ms(path, interval_column="took") == pytest.approx(wanted, rel=1e-12)
    assert read_ms(path, interval_column="frame.time.took", unit="s") == pytest.approx(wanted, rel=1e-9)
    assert read_ms(path, interval_column="frame.time.ms", keep_columns=["n"]) == pytest.approx(wanted)
    for column in ("at", "frame.at"):
        found = read_ms(path, presentation_time_column=column, time_unit="date-time")
        assert found == pytest.approx(wanted[1:], rel=1e-12)
    with pytest.raises(FrameLogError, match="set time_unit = 'date-time'"):
        read_ms(path, presentation_time_column="at")


@pytest.mark.parametrize("indent", [None, 2])
def test_a_json_array_of_nested_objects_by_dotted_path(tmp_path, indent):
    objects = [{"frame": {"time": {"took": int(us)}}, "who": "harbour"} for us in STEPS_US]
    path = tmp_path / "log.json"
    path.write_text(json.dumps(objects, indent=indent))
    keys = {
        "interval_column": "frame.time.took",
        "unit": "us",
        "filter_column": "who",
        "filter_value": "harbour",
    }
    assert read_ms(path, **keys) == pytest.approx(STEPS_US / 1e3)
    path.write_text("\n".join(json.dumps(o) for o in objects))
    assert read_ms(path, **keys) == pytest.approx(STEPS_US / 1e3)
    with pytest.raises(FrameLogError, match=r"no column 'frame\.time\.tok'.*nearest: 'frame\.time\.took'"):
        read_ms(path, interval_column="frame.time.tok")


def test_a_json_array_that_is_cut_off_loses_its_last_object_alone(tmp_path):
    path = tmp_path / "log.json"
    path.write_text(json.dumps([{"took": int(us)} for us in STEPS_US])[:-6])
    found = read_ms(path, interval_column="took", unit="us", format="jsonl")
    assert found == pytest.approx(STEPS_US[:-1] / 1e3)


@pytest.mark.parametrize("pack", [bz2.compress, lzma.compress])
def test_bzip2_and_xz_are_read_and_cut_off_ones_are_errors(tmp_path, pack):
    text = "took\n" + "".join(f"{us}\n" for us in STEPS_US)
    path = tmp_path / "log.packed"
    path.write_bytes(pack(text.encode()[:900]) + pack(text.encode()[900:]))
    assert read_ms(path, interval_column="took", unit="us") == pytest.approx(STEPS_US / 1e3)
    path.write_bytes(pack(text.encode())[:-30])
    with pytest.raises(FrameLogError, match="damaged"):
        read_ms(path, interval_column="took", unit="us")


@pytest.mark.parametrize("pack", [bz2.compress, lzma.compress])
def test_small_bzip2_and_xz_files_that_unpack_to_gigabytes_are_refused(tmp_path, pack, monkeypatch):
    monkeypatch.setattr("harness.frames.bounds.UNPACKED_BYTES", 1 << 20)
    path = tmp_path / "bomb"
    path.write_bytes(pack(b"took\n" + bytes(64 << 20)))
    with open_bytes(path) as stream, pytest.raises(FrameLogError, match="no frame log does"):
        stream.read()


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"interval_column": "a", "time_unit": "clock"}, "needs a time column"),
        ({"presentation_time_column": "a", "time_unit": "date-time", "clock": "rig"}, "counts, not dates"),
        ({"interval_column": "a", "thousands": "."}, "same sign"),
        ({"interval_column": "a", "thousands": " ", "delimiter": "spaces"}, "could not be told apart"),
    ],
)
def test_mappings_that_contradict_themselves_are_refused(keys, said):
    keys = keys | ({"decimal": "."} if keys.get("thousands") == "." else {})
    with pytest.raises(ValueError, match=said):
        ColumnMapping(**keys)
