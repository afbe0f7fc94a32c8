"""Benchmarks of frame logs, each a ratio against a named baseline measured in the same run.

``pytest -m bench tests/bench/test_frames_speed.py -s`` needs polars and duckdb (extra ``bench``), 2 GB of
disk and, for the run of 10^9 frames (BENCH_BILLION=1), 10 GB. Every measurement is a process of its own;
rounds alternate between the sides and the median of the rounds' ratios counts. Wall time suffers from
whatever else the machine does; processor time is printed beside it.
"""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
from statistics import median

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
import pyarrow.parquet as pq
import pytest

pytestmark = pytest.mark.bench
ROWS = int(os.environ.get("BENCH_ROWS", "20000000"))
ROUNDS = int(os.environ.get("BENCH_ROUNDS", "5"))

HEAD = """
import json, sys, time
import numpy as np, pyarrow as pa
path = sys.argv[1]
"""
FOOT = """
def peak_mib():
    try:
        with open("/proc/self/status") as file:  # getrusage would show the parent's peak
            return next(int(line.split()[1]) / 1024 for line in file if line.startswith("VmHWM"))
    except OSError:
        import psutil
        return psutil.Process().memory_info().peak_wset / 2**20
before_mib = peak_mib()
wall, cpu = time.perf_counter(), time.process_time()
result = work()
wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
found = {"wall_s": wall, "cpu_s": cpu, "peak_mib": peak_mib(), "idle_mib": before_mib, "result": result}
print(json.dumps(found))
"""
OURS = """
from pathlib import Path
from harness.frames.bigrun import summarise_log
from harness.frames.mapping import ColumnMapping
mapping = ColumnMapping(interval_column="took")
def work():
    return dict(summarise_log(Path(path), mapping).metrics)
"""
READ = """
from pathlib import Path
from harness.frames.mapping import ColumnMapping
from harness.frames.reader import read_log
def work():
    return read_log(Path(path), ColumnMapping({})).rows_read
"""
BOTH = READ.format('interval_column="took", presentation_time_column="when", time_unit="s"')
INTERVAL_BESIDE_TIME = {
    "the interval, time kept unread": READ.format('interval_column="took", keep_columns=["when"]')
}
PARSERS = {
    "pyarrow, all columns": "import pyarrow.csv as c\ndef work():\n    return c.read_csv(path).num_rows",
    "polars, all columns": "import polars as pl\ndef work():\n    return pl.read_csv(path).height",
    "duckdb, all columns": (
        "import duckdb\ndef work():\n    return duckdb.sql(f\"from '{path}'\").to_arrow_table().num_rows"
    ),
    "pyarrow, the one column": (
        "import pyarrow.csv as c\ndef work():\n"
        "    return c.read_csv(path, convert_options=c.ConvertOptions(include_columns=['took'])).num_rows"
    ),
    "polars, the one column": (
        "import polars as pl\ndef work():\n"
        "    return pl.scan_csv(path).select('took').collect(engine='streaming').height"
    ),
    "duckdb, the one column": (
        "import duckdb\ndef work():\n"
        "    return duckdb.sql(f\"select took from '{path}'\").to_arrow_table().num_rows"
    ),
}
#: The floor of this way of reading: the blocks read and parsed, and nothing made of them.
ALONE = {
    "levelrig's reading and parsing alone": (
        "from functools import partial\n"
        "from pathlib import Path\n"
        "from harness.frames.blocks import text_blocks\n"
        "from harness.frames.mapping import ColumnMapping\n"
        "from harness.frames.reader import in_order\n"
        "from harness.frames.textlog import open_layout, parse_block\n"
        "mapping = ColumnMapping(interval_column='took')\n"
        "def work():\n"
        "    layout = open_layout(Path(path), mapping)\n"
        "    blocks = text_blocks(Path(path), mapping)\n"
        "    return sum(rows.count for rows in in_order(partial(parse_block, layout=layout), blocks))"
    ),
    "pyarrow's parsing alone of the same blocks, held before": (
        "import pyarrow.csv as c\n"
        "with open(path, 'rb') as file:\n"
        "    file.readline()\n"
        "    blocks = iter(lambda: file.read(4 << 20) + file.readline(), b'')\n"
        "    held = [pa.py_buffer(block) for block in blocks]\n"
        "def parsed(block):\n"
        "    names, kinds = ['when', 'took', 'load'], {'took': pa.float64()}\n"
        "    reading = c.ReadOptions(use_threads=False, block_size=len(block) + 1, column_names=names)\n"
        "    converting = c.ConvertOptions(include_columns=['took'], column_types=kinds)\n"
        "    found = c.read_csv(pa.BufferReader(block), read_options=reading, convert_options=converting)\n"
        "    return found.num_rows\n"
        "def work():\n"
        "    from concurrent.futures import ThreadPoolExecutor\n"
        "    with ThreadPoolExecutor() as pool:\n"
        "        return sum(pool.map(parsed, held))"
    ),
}
PLACES = "[int(len(x) * q) for q in (0.01, 0.05, 0.25, 0.5, 0.75, 0.95, 0.99, 0.999)]"
LOAD = "import pyarrow.parquet as pq\nx = pq.read_table(path, columns=['took'])['took'].to_numpy()\n"
PARTITIONS = {
    "np.partition at the 8 percentiles, column loaded before": (
        f"{LOAD}def work():\n    return float(np.partition(x, {PLACES})[0])"
    ),
    "np.partition at the 99th percentile alone, column loaded before": (
        f"{LOAD}def work():\n    return float(np.partition(x, int(len(x) * 0.99))[0])"
    ),
    "loading the column and np.partition at the 8 percentiles": (
        "import pyarrow.parquet as pq\ndef work():\n"
        "    x = pq.read_table(path, columns=['took'])['took'].to_numpy()\n"
        f"    return float(np.partition(x, {PLACES})[0])"
    ),
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A log of three columns, as CSV and as Parquet: a time in s, an interval in ms, a load in %."""
    random = np.random.default_rng(1)
    folder = tmp_path_factory.mktemp("speed")
    frametime_ms = np.round(random.lognormal(np.log(8.3), 0.08, ROWS), 4)
    slow = random.random(ROWS) < 2e-4
    frametime_ms[slow] *= 4
    table = pa.table(
        {
            "when": np.round(np.cumsum(frametime_ms) / 1e3, 6),
            "took": np.round(frametime_ms, 4),
            "load": np.round(random.uniform(50, 99, ROWS), 1),
        }
    )
    pacsv.write_csv(table, folder / "log.csv")
    pq.write_table(table, folder / "log.parquet")
    return folder


def measure(work: str, path) -> dict:
    done = subprocess.run(
        [sys.executable, "-c", HEAD + work + FOOT, str(path)], capture_output=True, text=True, check=True
    )
    return json.loads(done.stdout.splitlines()[-1])


def compare(ours: str, baselines: dict[str, str], path, rounds: int = ROUNDS):
    """Median wall and processor time of each side, and the median over rounds of ours / each baseline."""
    runs: dict[str, list[dict]] = {name: [] for name in ("levelrig", *baselines)}
    for _ in range(rounds):
        for name, work in (("levelrig", ours), *baselines.items()):
            runs[name].append(measure(work, path))
    print(f"\n{path.name}, {ROWS} rows, {rounds} rounds, {os.cpu_count()} processors")
    for name, found in runs.items():
        wall_s, cpu_s = (median(run[key] for run in found) for key in ("wall_s", "cpu_s"))
        ratios = [mine["wall_s"] / run["wall_s"] for mine, run in zip(runs["levelrig"], found, strict=True)]
        peak_mib = max(run["peak_mib"] for run in found)
        cpu_ratio = median(run["cpu_s"] for run in runs["levelrig"]) / cpu_s
        print(
            f"  {name:64} wall {wall_s:6.3f} s  processor {cpu_s:6.3f} s  peak {peak_mib:6.0f} MiB  "
            f"levelrig / this: wall {median(ratios):5.2f}, processor {cpu_ratio:5.2f}"
        )
    return {
        name: median(m["wall_s"] / r["wall_s"] for m, r in zip(runs["levelrig"], found, strict=True))
        for name, found in runs.items()
    }, runs


@pytest.mark.skipif(
    not (importlib.util.find_spec("polars") and importlib.util.find_spec("duckdb")),
    reason="needs polars and duckdb",
)
def test_csv_to_all_metrics_takes_little_longer_than_the_fastest_parser_takes_to_parse_it(folder):
    ratios, _ = compare(OURS, {**PARSERS, **ALONE}, folder / "log.csv")
    for parsed, at_most in (("all columns", 1.0), ("the one column", 1.3)):
        assert max(ratio for name, ratio in ratios.items() if name.endswith(parsed)) <= at_most


def test_parquet_to_all_metrics_takes_little_longer_than_partitioning_the_loaded_column(folder):
    ratios, runs = compare(OURS, PARTITIONS, folder / "log.parquet")
    assert ratios["np.partition at the 8 percentiles, column loaded before"] <= 0.8
    assert runs["levelrig"][0]["result"]["frame_count"] == ROWS


@pytest.mark.parametrize(("name", "at_most"), [("log.csv", 1.5), ("log.parquet", 3.0)])
def test_an_interval_is_held_against_its_time_at_little_cost_beside_the_reading(folder, name, at_most):
    ratios, runs = compare(BOTH, INTERVAL_BESIDE_TIME, folder / name)
    assert ratios["the interval, time kept unread"] <= at_most
    assert runs["levelrig"][0]["result"] == ROWS


@pytest.mark.skipif(not os.environ.get("BENCH_BILLION"), reason="writes 8 GB; set BENCH_BILLION=1")
def test_a_billion_frames_are_summarised_in_less_than_a_gibibyte(tmp_path):
    random = np.random.default_rng(5)
    path = tmp_path / "billion.parquet"
    rows = 10_000_000
    schema = pa.schema([("took", pa.float64())])
    with pq.ParquetWriter(path, schema, compression="none", use_dictionary=False) as writer:
        block = random.lognormal(np.log(8.3), 0.08, rows)
        for number in range(100):
            values = np.roll(block, 99_991 * number) * (1 + 1e-6 * number)
            writer.write_table(pa.table({"took": values}, schema=schema), row_group_size=1 << 20)
    found = measure(OURS, path)
    metrics = found["result"]
    print(
        f"\n10^9 frames, {path.stat().st_size / 1e9:.1f} GB: wall {found['wall_s']:.1f} s, processor "
        f"{found['cpu_s']:.1f} s, peak {found['peak_mib']:.0f} MiB (idle {found['idle_mib']:.0f} MiB)"
    )
    assert metrics["frame_count"] == 1_000_000_000
    # The q-th percentile of the whole lies within the spread of the blocks' scale around the block's own.
    for q, key in ((50, "frametime_p50_ms"), (99, "frametime_p99_ms"), (99.9, "frametime_p99_9_ms")):
        of_block = float(np.percentile(block, q))
        assert of_block <= metrics[key] <= of_block * (1 + 1e-4)
    assert found["peak_mib"] < 1024
