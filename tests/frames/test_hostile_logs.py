"""Logs that are out to harm: endless files, bombs, and bytes that make a parser fail in its own way."""

from __future__ import annotations

import gzip
import io
import os
import random
import socket
import subprocess
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from harness.errors import FrameLogError
from harness.frames import bounds
from harness.frames.bigrun import summarise_log
from harness.frames.mapping import ColumnMapping
from harness.frames.propose import propose_mapping
from harness.frames.reader import read_log

DT = ColumnMapping(interval_column="dt")
posix = pytest.mark.skipif(sys.platform == "win32", reason="devices and pipes as files are a POSIX matter")


def write(path: Path, content: bytes) -> Path:
    path.write_bytes(content)
    return path


def refusal(path: Path, mapping: ColumnMapping = DT) -> str:
    with pytest.raises(FrameLogError) as caught:
        read_log(path, mapping)
    with pytest.raises(FrameLogError):
        summarise_log(path, mapping)
    return str(caught.value)


@posix
@pytest.mark.parametrize("kind", ["auto", "csv", "jsonl", "parquet"])
def test_what_is_no_regular_file_is_never_opened(tmp_path, kind):
    mapping = ColumnMapping(interval_column="dt", format=kind)
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "zero.csv").symlink_to("/dev/zero")
    (tmp_path / "folder.csv").mkdir()
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(tmp_path / "socket.csv"))
        for name in ("a pipe", "a folder", "a socket"):
            assert f"it is {name}" in refusal(tmp_path / f"{name[2:]}.csv", mapping)
    assert "it is a device" in refusal(tmp_path / "zero.csv", mapping)
    assert "it is a device" in refusal(Path("/dev/zero"), mapping)
    with pytest.raises(FrameLogError, match="it is a device"):
        propose_mapping(tmp_path / "zero.csv")


def test_a_compressed_log_that_unpacks_without_end_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(bounds, "UNPACKED_BYTES", 4 << 20)
    path = write(tmp_path / "small.csv.gz", gzip.compress(b"dt\n" + b"10\n" * (4 << 20)))
    assert path.stat().st_size < 20_000
    assert "unpacks to over 4 MiB" in refusal(path)


def test_a_log_is_held_only_up_to_the_memory_budget(tmp_path, monkeypatch):
    monkeypatch.setattr(bounds, "MEMORY_BUDGET_BYTES", 1 << 20)
    path = write(tmp_path / "long.csv", b"at\n" + b"".join(b"%d\n" % n for n in range(100_000)))
    for how in ("stop", "sort", "last-run"):
        with pytest.raises(FrameLogError, match="more than 1 MiB of memory"):
            read_log(path, ColumnMapping(presentation_time_column="at", when_time_goes_back=how))


@pytest.mark.skipif(sys.platform != "linux", reason="reads the peak of memory from /proc")
def test_bombs_of_every_kind_stay_bounded(tmp_path):
    """Gzip of one endless line, of empty lines, of unreadable rows; Parquet of one word, of one number."""
    bombs = {
        "line.csv.gz": gzip.compress(b"dt\n" + b"1" * (20 << 20), 1),
        "blank.csv.gz": gzip.compress(b"dt\n" + b"\n" * (2 << 20), 1),
        "words.csv.gz": gzip.compress(b"dt\n" + b"x\n" * (1 << 18), 1),
        "line.jsonl.gz": gzip.compress(b'{"dt":1}\n{"dt":' + b"1" * (20 << 20), 1),
    }
    for name, data in bombs.items():
        write(tmp_path / name, data)
    word = pa.DictionaryArray.from_arrays(np.zeros(300_000, np.int32), pa.array(["a" * 100_000]))
    pq.write_table(pa.table({"dt": np.full(len(word), 5.0), "who": word}), tmp_path / "words.parquet")
    pq.write_table(pa.table({"dt": np.full(1_500_000, 5.0, np.float32)}), tmp_path / "rows.parquet")
    script = """
import sys
from pathlib import Path
from harness.errors import FrameLogError
from harness.frames import bounds
from harness.frames.mapping import ColumnMapping
from harness.frames.reader import read_log
bounds.MEMORY_BUDGET_BYTES = 16 << 20
words = {"filter_column": "who", "filter_value": "a"} if "words.parquet" in sys.argv[1] else {}
try:
    read_log(Path(sys.argv[1]), ColumnMapping(interval_column="dt", **words))
    print("read")
except FrameLogError as error:
    print("refused:", str(error)[:200])
print(next(int(line.split()[1]) >> 10 for line in open("/proc/self/status") if line.startswith("VmHWM")))
"""
    for path in sorted(tmp_path.iterdir()):
        found = subprocess.run(
            [sys.executable, "-c", script, str(path)], capture_output=True, text=True, check=True
        ).stdout.splitlines()
        print(path.name, path.stat().st_size, *found)
        assert found[0].startswith("refused"), (path.name, found)
        assert int(found[1]) < 448, (path.name, found)


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("a whole number of 5,000 digits", b"dt\n" + b"1" * 5000 + b"\n10\n"),
        ("the same in JSON", b'{"dt":' + b"1" * 5000 + b"}\n"),
        ("a first field of 140,000 characters", b"a" * 140_000 + b"\n10\n"),
        ("a second field of 140,000 characters", b"dt\n" + b"1" * 140_000 + b"\n"),
        ("JSON nested without end", b'{"dt":' + b"[" * 100_000),
        ("JSON keys nested without end", b"{" * 100_000),
    ],
)
def test_what_makes_a_parser_fail_is_a_frame_log_error(tmp_path, name, content):
    refusal(write(tmp_path / "odd.log", content))


def test_one_number_of_5000_digits_in_a_column_that_nobody_reads_costs_nothing(tmp_path):
    good = b"10,1\n" * 500
    path = write(tmp_path / "log.csv", b"dt,at\n" + good + b"10," + b"1" * 5000 + b"\n" + good)
    assert read_log(path, DT).frames.num_rows == 1001


@posix
def test_an_unreadable_file_is_a_frame_log_error(tmp_path):
    path = write(tmp_path / "log.csv", b"dt\n10\n")
    path.chmod(0)
    if not os.access(path, os.R_OK):
        assert "can't be opened" in refusal(path)
        return
    script = f"""
import os
from pathlib import Path
from harness.errors import FrameLogError
from harness.frames.mapping import ColumnMapping
from harness.frames.reader import read_log
file = os.open({str(tmp_path)!r}, os.O_RDONLY)
os.chdir(file)
os.setgroups([])
os.setgid(65534)
os.setuid(65534)
try:
    read_log(Path("log.csv"), ColumnMapping(interval_column="dt"))
except FrameLogError as error:
    print(error)
"""
    tmp_path.chmod(0o755)
    said = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout
    assert "can't be opened" in said


def test_doubled_parquet_names_are_told_and_may_be_named_by_place(tmp_path):
    path = tmp_path / "log.parquet"
    pq.write_table(pa.table([[1.0, 2.0], [10.0, 20.0], [3.0, 4.0]], names=["x", "dt", "dt"]), path)
    assert "stands over 2 columns; name the right one by its place: #2 or #3" in refusal(path)
    assert read_log(path, ColumnMapping(interval_column="#2")).frames["frametime_ms"].to_pylist() == [10, 20]
    assert read_log(path, ColumnMapping(interval_column="#3")).frames["frametime_ms"].to_pylist() == [3, 4]


MAPPINGS = [
    DT,
    ColumnMapping(interval_column="dt", filter_column="who", filter_value="a", keep_columns=["remark"]),
    ColumnMapping(presentation_time_column="at", unit="us", when_time_goes_back="last-run"),
    ColumnMapping(interval_column="dt", start_time_column="at", time_unit="us", dropped_column="gone"),
    ColumnMapping(start_time_column="at", unit="ns", generated_column="gone", when_time_goes_back="sort"),
]


def _sources() -> list[tuple[str, bytes]]:
    n = 300
    table = pa.table(
        {
            "dt": np.full(n, 10.0) + np.arange(n) % 2 * 0.0,
            "at": np.arange(n, dtype=np.int64) * 10_000,
            "who": ["a", "b"] * (n // 2),
            "gone": [0, 1] * (n // 2),
            "remark": ["fine"] * n,
        }
    )
    parquet = []
    for options in ({}, {"compression": "gzip"}, {"use_dictionary": False, "compression": "none"}):
        sink = io.BytesIO()
        pq.write_table(table, sink, **options)
        parquet.append(("log.parquet", sink.getvalue()))
    text = table.to_pandas().to_csv(index=False).encode()
    json = table.to_pandas().to_json(orient="records", lines=True).encode()
    return [*parquet, ("log.csv", text), ("log.csv", gzip.compress(text)), ("log.jsonl", json)]


def test_whatever_a_mutated_log_raises_is_a_frame_log_error(tmp_path):
    """Bytes changed, cut, doubled and swapped in each format, under each mapping: no other exception."""
    draw = random.Random(16)
    sources = _sources()
    outcomes = {"read": 0, "refused": 0}
    odd = [b"\x00", b"\xff\xfe", b'"', b"9" * 5000, b"1e999", b"\r", b"{", b"\xf0"]
    for number in range(600):
        name, data = sources[number % len(sources)]
        changed = bytearray(data)
        for _ in range(draw.randint(1, 4)):
            at = draw.randrange(len(changed))
            match draw.randrange(5):
                case 0:
                    changed[at] = draw.randrange(256)
                case 1:
                    del changed[at : at + draw.randint(1, 40)]
                case 2:
                    changed[at:at] = changed[max(0, at - draw.randint(1, 60)) : at]
                case 3:
                    changed[at:at] = draw.choice(odd)
                case 4:
                    changed[-draw.randint(1, 60) :] = bytes(draw.randrange(256) for _ in range(8))
        path = write(tmp_path / name, bytes(changed))
        try:
            log = read_log(path, MAPPINGS[number % len(MAPPINGS)])
            apart = sum(log.dropped.values()) + sum(log.left_out.values())
            assert log.rows_read == log.frames.num_rows + apart
            outcomes["read"] += 1
        except FrameLogError:
            outcomes["refused"] += 1
    assert min(outcomes.values()) > 60, outcomes


def test_a_log_larger_than_any_run_writes_is_refused_before_it_is_copied_or_read(tmp_path: Path) -> None:
    path = tmp_path / "frames.csv"
    with path.open("wb") as file:
        file.write(b"dt\n9.5\n")
        try:
            file.truncate(1 << 40)  # sparse: takes no room
        except OSError as error:
            pytest.skip(f"no sparse file of that size here: {error}")
    with pytest.raises(FrameLogError, match="more than the log of any run"):
        bounds.require_regular_file(path)
