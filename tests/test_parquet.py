"""Whole Parquet files: the same tables as pyarrow's own reader gives, and nothing goes on after the call."""

import io
import subprocess
import sys
import threading
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import harness
from harness.parquet import read_parquet

TABLE = pa.table(
    {
        "t_s": [0.0, 0.5, None],
        "phase": pa.array(["soak", "measure", None]).dictionary_encode(),
        "marks": [["a"], [], None],
        "count": pa.array([1, None, 3], pa.int32()),
    }
).replace_schema_metadata({"made": "here"})


@pytest.fixture
def file():
    written = io.BytesIO()
    pq.write_table(TABLE, written, row_group_size=2)
    written.seek(0)
    return written


@pytest.mark.parametrize("columns", [None, ["count", "t_s"], ["marks"], []])
def test_it_reads_what_pyarrow_reads(file, columns):
    wanted = pq.read_table(io.BytesIO(file.getvalue()), columns=columns)
    assert read_parquet(file, columns).equals(wanted, check_metadata=columns is None)


def test_a_column_that_is_not_there_and_bytes_that_are_no_parquet_are_arrows_errors(file):
    with pytest.raises(pa.ArrowInvalid, match="no column b"):
        read_parquet(file, ["t_s", "b"])
    with pytest.raises(pa.ArrowInvalid):
        read_parquet(io.BytesIO(file.getvalue()[:40]))


def test_only_the_calling_thread_reads(file):
    class Watched(io.BytesIO):
        readers: set[int] = set()  # noqa: RUF012

        def read(self, *size):
            self.readers.add(threading.get_ident())
            return super().read(*size)

    read_parquet(Watched(file.getvalue()))
    assert Watched.readers == {threading.get_ident()}


def test_a_campaigns_tables_are_read_in_no_other_way():
    """A thread of ``read_table`` that outlives the call can end the program with a signal."""
    root = Path(harness.__file__).parent
    found = [p.name for p in root.rglob("*.py") if "read_table(file" in p.read_text(encoding="utf-8")]
    assert found == []


def test_a_program_may_end_right_after_it_has_read(tmp_path):
    path = tmp_path / "a.parquet"
    pq.write_table(pa.table({str(n): list(range(2000)) for n in range(60)}), path)
    script = (
        "import sys\nfrom harness.parquet import read_parquet\n"
        "read_parquet(open(sys.argv[1], 'rb'))\nsys.exit(7)"
    )
    for _ in range(3):
        ended = subprocess.run([sys.executable, "-c", script, path], capture_output=True, check=False)
        assert (ended.returncode, ended.stderr) == (7, b"")
