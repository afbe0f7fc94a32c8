"""Odd and damaged frame logs, made here from descriptions: each has its right result or a clear error.

No case may be silently wrong: every row is a frame or is counted under a reason.
"""

from __future__ import annotations

import gzip
import io
import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from harness.errors import FrameLogError
from harness.frames.mapping import ColumnMapping
from harness.frames.reader import read_log

DT = {"interval_column": "dt"}
AT_S = {"presentation_time_column": "at", "unit": "s"}
LENIENT = {"damaged_rows_at_most_pct": 50}


@dataclass(frozen=True)
class Case:
    """A log and what must become of it: frame times and account, or words of the error."""

    name: str
    content: bytes
    mapping: dict[str, Any]
    frametime_ms: list[float] | None = None
    dropped: dict[str, int] = field(default_factory=dict)
    error: str = ""
    note: str = ""


def good(
    name: str, content: str | bytes, mapping: dict[str, Any], frametime_ms: list[float], **rest: Any
) -> Case:
    return Case(
        name, content.encode() if isinstance(content, str) else content, mapping, frametime_ms, **rest
    )


def bad(name: str, content: str | bytes, mapping: dict[str, Any], error: str) -> Case:
    return Case(name, content.encode() if isinstance(content, str) else content, mapping, error=error)


def parquet(**columns: Any) -> bytes:
    sink = io.BytesIO()
    pq.write_table(pa.table(columns), sink)
    return sink.getvalue()


def zstd(data: bytes) -> bytes:
    sink = pa.BufferOutputStream()
    with pa.CompressedOutputStream(sink, "zstd") as stream:
        stream.write(data)
    return sink.getvalue().to_pybytes()


TEN_ROWS = "dt\n" + "10\n" * 10
JSON_ROWS = '{"n":1,"dt":10.5}\n{"n":2,"dt":20}\n{"dt":30,"n":3}\n'
SECOND_RUN = "at\n0.00\n0.01\n0.03\n0.00\n0.02\n0.06\n"

CASES = [
    # -- layouts -----------------------------------------------------------------------------------------
    good("plain intervals", "dt\n10\n30\n", DT, [10, 30]),
    good("intervals in seconds", "dt\n0.010\n0.030\n", {**DT, "unit": "s"}, [10, 30]),
    good(
        "intervals in microseconds, with the micro sign", "dt\n10000\n30000\n", {**DT, "unit": "µs"}, [10, 30]
    ),
    good("intervals in nanoseconds", "dt\n10000000\n30000000\n", {**DT, "unit": "ns"}, [10, 30]),
    good(
        "intervals in ticks of 10 MHz",
        "dt\n100000\n300000\n",
        {**DT, "unit": "ticks", "ticks_per_s": 1e7},
        [10, 30],
    ),
    good(
        "presentation times",
        "at\n5.00\n5.01\n5.04\n",
        AT_S,
        [10, 30],
        dropped={"first row: no frame before it": 1},
    ),
    good(
        "start times",
        "began\n5.00\n5.01\n5.04\n",
        {"start_time_column": "began", "unit": "s"},
        [10, 30],
        dropped={"last row: its end is not in the log": 1},
    ),
    good(
        "interval and presentation time of different units",
        "at;dt\n5.00;16\n5.01;10\n5.04;30\n",
        {**DT, "presentation_time_column": "at", "time_unit": "s", "delimiter": ";"},
        [16, 10, 30],
    ),
    good(
        "nanoseconds since an epoch keep every digit",
        "at\n1700000000000000001\n1700000000010000002\n1700000000040000004\n",
        {"presentation_time_column": "at", "unit": "ns"},
        [10.000001, 30.000002],
        dropped={"first row: no frame before it": 1},
    ),
    good(
        "semicolons and decimal comma",
        "n;dt\n1;10,5\n2;30,25\n",
        {**DT, "delimiter": ";", "decimal": ","},
        [10.5, 30.25],
    ),
    good("tabs", "n\tdt\n1\t10\n2\t30\n", {**DT, "delimiter": "tab"}, [10, 30]),
    good("bars", "n|dt\n1|10\n2|30\n", {**DT, "delimiter": "|"}, [10, 30]),
    good("single spaces", "n dt\n1 10\n2 30\n", {**DT, "delimiter": "space"}, [10, 30]),
    good("padded fields and headings", "n , dt \n1 , 10 \n2 ,  30\n", DT, [10, 30]),
    good("Windows line ends", "n,dt\r\n1,10\r\n2,30\r\n", DT, [10, 30]),
    good("old line ends of a lone carriage return", "n,dt\r1,10\r2,30\r", DT, [10, 30]),
    good("UTF-8 with byte-order mark", b"\xef\xbb\xbfdt,n\n10,1\n30,2\n", DT, [10, 30]),
    good("UTF-16 as some shells write it", "dt,n\r\n10,1\r\n30,2\r\n".encode("utf-16"), DT, [10, 30]),
    good(
        "Latin-1 with an umlaut in a heading",
        "größe,dt\n1,10\n2,30\n".encode("latin-1"),
        {**DT, "encoding": "latin-1"},
        [10, 30],
    ),
    good("quoted fields with a delimiter inside", 'name,dt\n"a, b",10\n"c",30\n', DT, [10, 30]),
    good("quoted numbers", 'dt,n\n"10","1"\n"30","2"\n', DT, [10, 30]),
    good(
        "lines before the header",
        "session of a night\nmade by hand\ndt\n10\n30\n",
        {**DT, "skip_rows": 2},
        [10, 30],
    ),
    good(
        "comment lines before, between and after",
        "# a\ndt\n10\n# b\n30\n# c\n",
        {**DT, "comment": "#"},
        [10, 30],
    ),
    good("comment sign of two characters", "// a\ndt\n10\n// b\n30\n", {**DT, "comment": "//"}, [10, 30]),
    good("blank lines", "\n\ndt\n\n10\n\n30\n\n", DT, [10, 30]),
    good("no header, column by place", "1,10\n2,30\n", {"interval_column": "#2", "header": False}, [10, 30]),
    good("double heading, column by place", "dt,dt\n1,10\n2,30\n", {"interval_column": "#2"}, [10, 30]),
    good("rows that end with a delimiter", "n,dt\n1,10,\n2,30,\n", DT, [10, 30]),
    good("exponents and signs", "dt\n1e1\n+3.0E+1\n", DT, [10, 30]),
    good("numbers without a leading or trailing digit", "dt\n.5\n5.\n", DT, [0.5, 5]),
    good("gzip", gzip.compress(b"dt\n10\n30\n"), DT, [10, 30]),
    good(
        "gzip in two members, as after an append",
        gzip.compress(b"dt\n10\n") + gzip.compress(b"30\n"),
        DT,
        [10, 30],
    ),
    good("Zstandard", zstd(b"dt\n10\n30\n"), DT, [10, 30]),
    good("Parquet", parquet(dt=[10.0, 30.0], n=[1, 2]), DT, [10, 30]),
    good("Parquet of 32-bit floats", parquet(dt=pa.array([10.5, 30.25], pa.float32())), DT, [10.5, 30.25]),
    good(
        "Parquet of unsigned 64-bit counters",
        parquet(at=pa.array([2**62 + 1000, 2**62 + 11000, 2**62 + 41000], pa.uint64())),
        {"presentation_time_column": "at", "unit": "us"},
        [10, 30],
        dropped={"first row: no frame before it": 1},
    ),
    good("JSON lines", JSON_ROWS, DT, [10.5, 20, 30]),
    good("JSON lines in gzip", gzip.compress(JSON_ROWS.encode()), DT, [10.5, 20, 30]),
    good(
        "a quote that is never closed costs its own row only",
        'dt,who\n10,"a\n20,b\n30,c"\n40,d\n',
        {**DT, **LENIENT},
        [10, 20, 30, 40],
    ),
    # -- several processes, flags ------------------------------------------------------------------------
    good(
        "two processes, one wanted",
        "who,dt\na,10\nb,99\na,30\n",
        {**DT, "filter_column": "who", "filter_value": "a"},
        [10, 30],
        dropped={"other process": 1},
    ),
    good(
        "process told by its number",
        "pid,at\n7,0.00\n8,0.005\n7,0.01\n8,0.1\n7,0.04\n",
        {**AT_S, "filter_column": "pid", "filter_value": 7},
        [10, 30],
        dropped={"other process": 2, "first row: no frame before it": 1},
    ),
    bad(
        "the wanted process is not there",
        "who,dt\na,10\nb,99\n",
        {**DT, "filter_column": "who", "filter_value": "c"},
        r"no row has 'c' in column 'who'; values there: 'a' \(1 row\), 'b' \(1 row\)",
    ),
    good(
        "frames never shown lend their time to the next",
        "dt,gone\n10,0\n5,1\n25,0\n10,0\n",
        {**DT, "dropped_column": "gone"},
        [10, 30, 10],
        dropped={"not shown; its time counts to the next frame": 1},
    ),
    good(
        "the same by presentation time",
        "at,gone\n0.00,0\n0.01,0\n0.015,1\n0.04,0\n",
        {**AT_S, "dropped_column": "gone"},
        [10, 30],
        dropped={"not shown; its time counts to the next frame": 1, "first row: no frame before it": 1},
    ),
    good(
        "interpolated frames left out",
        "dt,kind\n5,made\n5,real\n5,made\n5,real\n",
        {**DT, "generated_column": "kind", "generated_values": ["made"]},
        [10, 10],
        dropped={"interpolated; its time counts to the next frame": 2},
    ),
    good(
        "interpolated frames counted on request",
        "dt,kind\n5,made\n5,real\n",
        {**DT, "generated_column": "kind", "generated_values": ["made"], "generated_frames": "count"},
        [5, 5],
    ),
    # -- damage that is survived, with an account --------------------------------------------------------
    good(
        "cut off in the middle of the last number",
        TEN_ROWS + "1",
        DT,
        [10] * 10,
        dropped={"cut off at the end of the file": 1},
        note="cut off",
    ),
    good("no line end after a last row whose fields are whole", "dt,n\n10,1\n30,2", DT, [10, 30]),
    good(
        "text in one row",
        TEN_ROWS + "oops\n20\n",
        {**DT, **LENIENT},
        [10] * 10 + [20],
        dropped={"not a number": 1},
    ),
    good("an empty field", "n,dt\n1,10\n2,\n3,30\n", {**DT, **LENIENT}, [10, 30], dropped={"empty field": 1}),
    good(
        "not-a-number written out",
        TEN_ROWS + "NaN\n20\n",
        {**DT, **LENIENT},
        [10] * 10 + [20],
        dropped={"empty field": 1},
    ),
    good("infinity", TEN_ROWS + "inf\n", {**DT, **LENIENT}, [10] * 10, dropped={"not a finite number": 1}),
    good(
        "a negative frame time",
        TEN_ROWS + "-4\n",
        {**DT, **LENIENT},
        [10] * 10,
        dropped={"negative frame time": 1},
    ),
    good(
        "a frame time of zero", TEN_ROWS + "0\n", DT, [10] * 10, dropped={"no time since the frame before": 1}
    ),
    good(
        "a field too many",
        "n,dt\n1,10\n2,20,9\n3,30\n",
        {**DT, **LENIENT},
        [10, 30],
        dropped={"wrong number of fields": 1},
    ),
    good(
        "a field too few",
        "n,dt\n1,10\n2\n3,30\n",
        {**DT, **LENIENT},
        [10, 30],
        dropped={"wrong number of fields": 1},
    ),
    good(
        "the header again, after a second start",
        "dt\n10\n30\ndt\n20\n",
        {**DT, **LENIENT},
        [10, 30, 20],
        dropped={"header repeated": 1},
    ),
    good(
        "zero bytes at the end, as after a power loss",
        b"dt\n10\n30\n" + b"\0" * 64 + b"\n",
        {**DT, **LENIENT},
        [10, 30],
        dropped={"below the last frame, without numbers": 1},
    ),
    good(
        "a row of units and words below",
        b"dt,n\nms,-\n10,1\n30,2\n\nEnd of log\nFrames,2\n",
        DT,
        [10, 30],
        dropped={
            "above the first frame, without numbers": 1,
            "below the last frame, without numbers": 2,
        },
    ),
    good(
        "bytes that are no text",
        b"dt,n\n10,1\n\xff\xfe\x80,2\n30,3\n",
        {**DT, **LENIENT},
        [10, 30],
        dropped={"not a number": 1},
    ),
    good(
        "a lost time also costs the frame that spans it",
        "at\n0.00\n0.01\noops\n0.03\n0.06\n",
        {**AT_S, **LENIENT},
        [10, 30],
        dropped={
            "first row: no frame before it": 1,
            "not a number": 1,
            "frame time spans an unreadable row": 1,
        },
    ),
    good(
        "two frames with one time",
        "at\n0.00\n0.01\n0.01\n0.04\n",
        AT_S,
        [10, 30],
        dropped={"first row: no frame before it": 1, "no time since the frame before": 1},
    ),
    good(
        "a null in Parquet",
        parquet(dt=[10.0, None, 30.0]),
        {**DT, **LENIENT},
        [10, 30],
        dropped={"empty field": 1},
    ),
    good(
        "a broken JSON line",
        JSON_ROWS + '{"dt":\n{"dt":40}\n',
        {**DT, **LENIENT},
        [10.5, 20, 30, 40],
        dropped={"unreadable line": 1},
    ),
    good(
        "a JSON line cut off",
        JSON_ROWS + '{"dt":4',
        {**DT, **LENIENT},
        [10.5, 20, 30],
        dropped={"cut off at the end of the file": 1},
    ),
    good(
        "a JSON value that is text",
        JSON_ROWS + '{"dt":"40"}\n',
        {**DT, **LENIENT},
        [10.5, 20, 30],
        dropped={"not a number": 1},
    ),
    good(
        "a JSON truth value is no number",
        JSON_ROWS + '{"dt":true}\n',
        {**DT, **LENIENT},
        [10.5, 20, 30],
        dropped={"not a number": 1},
    ),
    good(
        "only the last of two runs",
        SECOND_RUN,
        {**AT_S, "when_time_goes_back": "last-run"},
        [20, 40],
        dropped={"another run in the same log": 3, "first row: no frame before it": 1},
    ),
    good(
        "only the first of two runs",
        SECOND_RUN,
        {**AT_S, "when_time_goes_back": "first-run"},
        [10, 20],
        dropped={"another run in the same log": 3, "first row: no frame before it": 1},
    ),
    good(
        "rows out of order, sorted on request",
        "at\n0.00\n0.04\n0.01\n0.06\n",
        {**AT_S, "when_time_goes_back": "sort"},
        [10, 30, 20],
        dropped={"first row: no frame before it": 1},
    ),
    # -- clear errors ------------------------------------------------------------------------------------
    bad(
        "time runs backwards",
        SECOND_RUN,
        AT_S,
        r"data row 4, column 'at': time goes back by 0\.03 s; .*last-run",
    ),
    bad(
        "a column that is not there",
        "delta,n\n10,1\n",
        {"interval_column": "dleta"},
        r"no column 'dleta' \(interval_column\); nearest: 'delta'; the columns are: #1 'delta', #2 'n'",
    ),
    bad("a place that is not there", "delta,n\n10,1\n", {"interval_column": "#3"}, r"no column '#3'"),
    bad(
        "counters too large for exact differences",
        parquet(at=pa.array([2**63 + 4096, 2**63 + 12288, 2**63 + 32768], pa.uint64())),
        {"presentation_time_column": "at", "unit": "us"},
        r"column 'at' holds times near 9\.22337e\+18 that are known only to 2\.05 ms; write whole numbers",
    ),
    bad(
        "a heading that is double",
        "dt,dt\n1,10\n",
        DT,
        r"stands over 2 columns; name the right one by its place: #1 or #2",
    ),
    bad(
        "time runs backwards beside an interval",
        "at,dt\n0.00,16\n0.01,10\n0.00,30\n",
        {**DT, "presentation_time_column": "at", "time_unit": "s"},
        r"data row 3, column 'at': time goes back by 0\.01 s",
    ),
    bad("an empty file", "", DT, r"no header and no rows"),
    bad("a header alone", "dt\n", DT, r"0 rows and no usable frame"),
    bad("one presentation time", "at\n5.0\n", AT_S, r"1 row and no usable frame; first row"),
    bad("the wrong delimiter", "n;dt\n1;10\n", DT, r"no column 'dt'.*#1 'n;dt'"),
    bad(
        "decimal comma not declared",
        "n;dt\n1;10,5\n2;30,5\n",
        {**DT, "delimiter": ";"},
        r"2 of 2 rows can't be used.*data row 1: not a number.*decimal",
    ),
    bad("thousands separators", 'dt\n"1,234.5"\n"1,235.5"\n', DT, r"2 of 2 rows can't be used"),
    bad("a column of words", "dt\nfast\nslow\n", DT, r"data row 1: not a number"),
    bad(
        "too much damage",
        TEN_ROWS + "4x\n",
        DT,
        r"1 of 11 rows can't be used \(9\.1 %, allowed 1 %\); first: data row 11: not a number \('4x'\)",
    ),
    bad("gzip cut off", gzip.compress((TEN_ROWS * 500).encode())[:60], DT, r"damaged or cut off|damaged"),
    bad("Parquet cut off", parquet(dt=[1.0] * 1000)[:200], DT, r"not readable as Parquet"),
    bad("Parquet column of text", parquet(dt=["10", "30"]), DT, r"column 'dt' holds string, not numbers"),
    bad("binary data", bytes(range(256)) * 8, DT, r"not utf-8 text|no column 'dt'"),
    bad("JSON lines without the key", JSON_ROWS, {"interval_column": "took"}, r"no column 'took'"),
]


def test_the_corpus_has_at_least_60_logs_with_names_of_their_own():
    assert len(CASES) >= 60
    assert len({case.name for case in CASES}) == len(CASES)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_an_odd_log_has_its_right_result_or_a_clear_error(case: Case, tmp_path: Path):
    path = tmp_path / "frames.log"
    path.write_bytes(case.content)
    mapping = ColumnMapping.model_validate(case.mapping)
    if case.error:
        with pytest.raises(FrameLogError, match=case.error) as caught:
            read_log(path, mapping)
        assert str(path) in str(caught.value)
        return
    log = read_log(path, mapping)
    assert log.frames["frametime_ms"].to_pylist() == pytest.approx(case.frametime_ms, rel=1e-9)
    assert {**log.dropped, **log.left_out} == case.dropped
    assert log.rows_read == log.frames.num_rows + sum(log.dropped.values()) + sum(log.left_out.values())
    assert case.note in " ".join(log.notes)
    ends_s = log.frames["t_s"].to_pylist()
    assert ends_s == sorted(ends_s)


def test_json_of_the_case_file_is_what_it_claims():
    assert [json.loads(line)["dt"] for line in JSON_ROWS.splitlines()] == [10.5, 20, 30]
