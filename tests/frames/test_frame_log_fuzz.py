"""Fuzzing of the reader: whatever the bytes, a log is read with a full account or refused with an error.

Three oracles besides "no other exception": the account balances; the result does not depend on where the
file is cut into blocks; the fast parser agrees with the careful one that reads line by line.

The short form runs with the suite. The long form runs for FUZZ_S seconds (an hour by default):
``FUZZ_S=3600 pytest -m endurance tests/frames/test_frame_log_fuzz.py``.
"""

from __future__ import annotations

import gzip
import io
import os
import time
from collections import Counter
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from harness.errors import FrameLogError
from harness.frames import blocks, reader, textlog
from harness.frames.account import DAMAGE
from harness.frames.files import sniff_format
from harness.frames.mapping import ColumnMapping
from harness.frames.reader import read_log

TOKENS = [
    *(
        b"",
        b"0",
        b"-0.0",
        b"1e1",
        b"16.67",
        b"10",
        b"+7",
        b"-3",
        b"1e999",
        b"1e-320",
        b"nan",
        b"inf",
        b"-inf",
    ),
    *(b"NULL", b"0x10", b"1_000", b"1,5", b'"8"', b'"a,b"', b'"', b"''", b"  9 ", b"9223372036854775808"),
    *(b"9223372036854775807", b"-9223372036854775808", b"1.", b".5", b"5.e2", b"\xff", b"\x00", b"\xc3\xa9"),
    *(
        b"dt",
        b"at",
        b"#",
        b"#2",
        b"a",
        b"true",
        b"{}",
        b"[1]",
        b"1 2",
        b"\t",
        b"\xef\xbb\xbf",
        b"infinity",
        b"1d5",
    ),
]
ENDS = [b"\n", b"\r\n", b"\r", b"\n\n", b""]
FIELD = st.one_of(
    st.sampled_from(TOKENS),
    st.integers(0, 10**6).map(lambda n: str(n).encode()),
    st.floats(0, 100).map(lambda x: repr(x).encode()),
)


@st.composite
def csv_logs(draw):
    """A log of up to 40 rows, mostly sane, with odd fields, row lengths and line ends."""
    delimiter = draw(st.sampled_from([b",", b";", b"\t"]))
    names = [b"dt", b"at", b"who", b"gone"]
    end = draw(st.sampled_from(ENDS[:3]))
    sane = draw(st.booleans())
    lines = [delimiter.join(names)]
    at = draw(st.integers(0, 10**9))
    for _ in range(draw(st.integers(0, 40))):
        step = draw(st.integers(0 if not sane else 1, 50))
        at += step
        fields = [str(step).encode(), str(at).encode(), draw(st.sampled_from([b"a", b"b"])), b"0"]
        if draw(st.integers(0, 9)) == 0:
            fields[draw(st.integers(0, 3))] = draw(FIELD)
        if draw(st.integers(0, 29)) == 0:
            fields = fields[: draw(st.integers(0, 4))] + draw(st.lists(FIELD, max_size=2))
        lines.append(delimiter.join(fields))
    data = b"".join(
        line + (end if draw(st.integers(0, 39)) else draw(st.sampled_from(ENDS))) for line in lines
    )
    if draw(st.integers(0, 4)) == 0 and data:
        place = draw(st.integers(0, len(data) - 1))
        change = draw(st.sampled_from(["cut", "flip", "insert"]))
        if change == "cut":
            data = data[:place]
        elif change == "flip":
            data = data[:place] + bytes([draw(st.integers(0, 255))]) + data[place + 1 :]
        else:
            data = data[:place] + draw(FIELD) + data[place:]
    return data, delimiter.decode()


@st.composite
def mappings(draw, delimiter=","):
    options = {"delimiter": delimiter, "damaged_rows_at_most_pct": draw(st.sampled_from([1, 100]))}
    quantity = draw(st.sampled_from(["interval", "time", "start", "both"]))
    unit = draw(st.sampled_from(["ms", "s", "ns", "us"]))
    options["unit"] = unit
    if quantity in ("interval", "both"):
        options["interval_column"] = draw(st.sampled_from(["dt", "#1"]))
    if quantity in ("time", "both"):
        options["presentation_time_column"] = "at"
    if quantity == "start":
        options["start_time_column"] = "at"
    if draw(st.booleans()):
        options |= {"filter_column": "who", "filter_value": draw(st.sampled_from(["a", ["a", "b"], "c"]))}
    if draw(st.booleans()):
        options |= {"dropped_column": "gone"}
    if draw(st.integers(0, 3)) == 0:
        options |= {"generated_column": "who", "generated_values": ["b"]}
    if draw(st.integers(0, 3)) == 0:
        options |= {"comment": "#"}
    if draw(st.integers(0, 3)) == 0:
        options |= {"keep_columns": ["who", "at"]}
    if delimiter == ";" and draw(st.booleans()):
        options |= {"decimal": ","}
    options["when_time_goes_back"] = draw(st.sampled_from(["stop", "sort", "first-run", "last-run"]))
    options["skip_rows"] = draw(st.sampled_from([0, 0, 0, 1]))
    options["header"] = draw(st.sampled_from([True, True, True, False]))
    return ColumnMapping.model_validate(options)


@st.composite
def json_logs(draw):
    value = st.one_of(st.none(), st.booleans(), st.integers(-5, 10**20), st.floats(), st.text(max_size=3))
    lines = []
    for step in draw(st.lists(st.integers(1, 50), max_size=20)):
        pairs = [f'"dt":{step}', f'"at":{draw(st.integers(0, 10**6))}', '"who":"a"', '"gone":0']
        if draw(st.integers(0, 9)) == 0:
            odd = draw(value)
            pairs[draw(st.integers(0, 3))] = f'"{draw(st.sampled_from(["dt", "at"]))}":{odd!r}'
        lines.append("{" + ",".join(pairs) + "}")
    data = "\n".join(lines).encode("utf-8", "replace") + draw(st.sampled_from([b"\n", b"", b"\n\n{"]))
    return data, ","


@st.composite
def parquet_logs(draw):
    count = draw(st.integers(0, 20))
    kinds = [pa.float64(), pa.float32(), pa.int64(), pa.int32(), pa.uint64(), pa.string(), pa.timestamp("ns")]
    columns = {}
    for name in ("dt", "at", "who", "gone"):
        kind = draw(st.sampled_from(kinds))
        numbers = np.cumsum(draw(st.lists(st.integers(0, 50), min_size=count, max_size=count)))
        column = pa.array(numbers.astype(np.int64)).cast(kind)
        if count and draw(st.booleans()):
            column = pa.concat_arrays([column[: count - 1], pa.nulls(1, kind)])
        columns[name] = column
    sink = io.BytesIO()
    pq.write_table(pa.table(columns), sink)
    data = sink.getvalue()
    if draw(st.integers(0, 4)) == 0:
        place = draw(st.integers(4, len(data) - 1))
        data = data[:place] + bytes([draw(st.integers(0, 255))]) + data[place + 1 :]
    return data, ","


@st.composite
def cases(draw):
    data, delimiter = draw(
        st.one_of(
            csv_logs(),
            csv_logs(),
            csv_logs(),
            json_logs(),
            parquet_logs(),
            st.binary(max_size=200).map(lambda b: (b, ",")),
        )
    )
    if draw(st.integers(0, 9)) == 0:
        data = gzip.compress(data, mtime=0)
        if draw(st.integers(0, 2)) == 0:
            data = data[: draw(st.integers(0, len(data)))]
    return data, draw(mappings(delimiter))


def outcome(path, mapping):
    """Frames and account, or the error's text."""
    try:
        log = read_log(path, mapping)
    except FrameLogError as error:
        return str(error)
    frametime_ms, t_s = log.frames["frametime_ms"].to_numpy(), log.frames["t_s"].to_numpy()
    apart = sum(log.dropped.values()) + sum(log.left_out.values())
    assert log.rows_read == log.frames.num_rows + apart, (log.rows_read, log.dropped, log.left_out)
    assert np.all(np.isfinite(frametime_ms))
    assert np.all(frametime_ms > 0)
    assert np.all(np.isfinite(t_s))
    if mapping.time_column is None:
        assert np.all(np.diff(t_s) >= 0)
    return frametime_ms, t_s, {**log.dropped, **log.left_out}


def merged(dropped):
    """The account with all damage as one reason: two parsers may name the same damage differently."""
    account = Counter()
    for reason, count in dropped.items():
        account["damage" if reason in DAMAGE else reason] += count
    return account


def same(one, other):
    if isinstance(one, str) or isinstance(other, str):
        return isinstance(one, str) == isinstance(other, str)
    return (
        merged(one[2]) == merged(other[2])
        and np.allclose(one[0], other[0], rtol=1e-9, atol=1e-9)
        and np.allclose(one[1], other[1], rtol=1e-9, atol=1e-9)
    )


def check(path: Path, data: bytes, mapping: ColumnMapping, monkeypatch: pytest.MonkeyPatch) -> None:
    path.write_bytes(data)
    whole = outcome(path, mapping)
    try:
        text = sniff_format(path) == "csv"
    except FrameLogError:
        return
    if not text:
        return
    with monkeypatch.context() as patch:
        for size in (7, 64):
            patch.setattr(reader, "text_blocks", lambda p, m, size=size: blocks.text_blocks(p, m, size))
            assert same(whole, outcome(path, mapping)), f"blocks of {size} bytes give another result"
        patch.undo()
        patch.setattr(textlog, "_parse", textlog._parse_line_by_line)
        assert same(whole, outcome(path, mapping)), "the careful parser gives another result"


RELAXED = settings(
    deadline=None,
    suppress_health_check=[
        HealthCheck.function_scoped_fixture,
        HealthCheck.too_slow,
        HealthCheck.data_too_large,
    ],
)


@settings(RELAXED, max_examples=250)
@given(case=cases())
def test_any_bytes_are_read_with_an_account_or_refused_with_an_error(case, tmp_path, monkeypatch):
    check(tmp_path / "frames.log", *case, monkeypatch)


def test_a_line_of_words_alone_in_its_block_stands_above_the_table_as_in_any_block(tmp_path, monkeypatch):
    """Found by fuzzing: a first block of nothing but such lines was taken for a table."""
    data = b"dt\tat\twho\r\n33\t79\tb\r\n28\t107\ta"
    mapping = ColumnMapping(interval_column="#1", unit="ns", delimiter="\t", header=False)
    check(tmp_path / "frames.log", data, mapping, monkeypatch)


@pytest.mark.endurance
def test_an_hour_of_fuzzing_ends_without_a_crash(tmp_path, monkeypatch):
    ends_s = time.monotonic() + float(os.environ.get("FUZZ_S", "3600"))
    done = 0
    for number in range(int(os.environ.get("FUZZ_SEED", "0")), 10**9):

        @seed(number)
        @settings(
            RELAXED,
            max_examples=2000,
            database=None,
            report_multiple_bugs=False,
            phases=[Phase.generate],
        )
        @given(case=cases())
        def burst(case):
            nonlocal done
            done += 1
            check(tmp_path / "frames.log", *case, monkeypatch)

        burst()
        if time.monotonic() > ends_s:
            break
    print(f"{done} logs")
    assert done > 0


def test_a_vanishing_interval_at_the_seam_of_two_blocks_does_not_turn_time_back(tmp_path, monkeypatch):
    """Found by fuzzing: the running sum rounded one unit below the last block's end."""
    intervals_us = [14, 3, 7, 40, 13, 19, 13, 34, 7, 1, 4, 34, 29, 7, 4.0046566708992345e-107]
    intervals_us += [39, 9, 12, 2, 41, 22, 27, 24]
    others = [
        "14",
        "17",
        "262145",
        "64",
        "77",
        "96",
        "109",
        "143",
        "150",
        "151",
        "155",
        "189",
        "218",
        "225",
        "242",
        "281",
        "290",
        "302",
        "304",
        "345",
        "367",
        "394",
        "418",
    ]
    who = [
        "714",
        "b",
        "b",
        "a",
        "a",
        "b",
        "b",
        "a",
        "a",
        "a",
        "b",
        "a",
        "56.55967188664156",
        "b",
        "a",
        "a",
        "b",
        "b",
        "b",
        "a",
        "a",
        "b",
        "b",
    ]
    rows = zip(intervals_us, others, who, strict=True)
    lines = ["dt,at,who,gone", *(f"{dt!r},{at},{name},0" for dt, at, name in rows)]
    lines[3] = "7,262145,b,4.0046566708992345e-107"
    mapping = ColumnMapping(
        interval_column="#1",
        unit="us",
        delimiter=",",
        filter_column="who",
        filter_value=["a", "b"],
        when_time_goes_back="first-run",
    )
    check(tmp_path / "frames.log", ("\r".join(lines) + "\r").encode(), mapping, monkeypatch)
