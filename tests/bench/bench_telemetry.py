"""What the sampler itself costs per row, beside a loop that only reads the same sensor.

pytest tests/bench/bench_telemetry.py -s -p no:cacheprovider
"""

from __future__ import annotations

import time
from collections.abc import Collection, Mapping
from pathlib import Path

import psutil
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from harness import tables
from harness.clock import SystemClock
from harness.rig import Channel, Reading
from harness.telemetry import Sampler
from harness.testing import FakeClock

pytestmark = pytest.mark.bench

ROWS = 100_000
QUANTITIES = [name for name in tables.QUANTITIES if not name.startswith(("wall", "foreign", "cpu_e"))][:20]


class FreeSensor:
    """A sensor whose read costs nothing, so that only the sampler is measured."""

    name = "free"

    def __init__(self) -> None:
        self._values: Mapping[str, Reading] = dict.fromkeys(QUANTITIES, 50.0)

    def channels(self) -> list[Channel]:
        return [Channel(quantity, "bench") for quantity in QUANTITIES]

    def read(self, quantities: Collection[str]) -> Mapping[str, Reading]:
        return self._values

    def close(self) -> None: ...


class ParquetFile:
    """Row groups into a file, as a campaign does."""

    def __init__(self, path: Path) -> None:
        self._writer = pq.ParquetWriter(path, tables.TELEMETRY)

    def write(self, table: pa.Table) -> None:
        self._writer.write_table(table)

    def close(self) -> None:
        self._writer.close()


def timed_us(clock: FakeClock) -> float:
    begin = time.perf_counter()
    clock.sleep_s(ROWS * 0.1)
    return (time.perf_counter() - begin) / ROWS * 1e6


def test_what_a_row_of_twenty_quantities_costs(tmp_path):
    cost_us: dict[str, float] = {}
    sensor, clock = FreeSensor(), FakeClock()
    clock.every(0.1, lambda: sensor.read(QUANTITIES))
    cost_us["bare loop of reads"] = timed_us(clock)
    for name in ("sampler", "sampler that records to a Parquet file"):
        clock = FakeClock()
        sampler = Sampler([sensor], clock, 0.1, sensor_tries=3, on_event=print)
        if "records" in name:
            sampler.record_to(ParquetFile(tmp_path / "telemetry.parquet"))
        sampler.start()
        cost_us[name] = timed_us(clock)
        sampler.stop_recording()
    print()
    for name, cost in cost_us.items():
        ratio = cost / cost_us["bare loop of reads"]
        print(f"  {name:<40} {cost:6.2f} µs a row, {ratio:5.1f} times the bare loop")
    assert cost_us["sampler"] < 100


class PartSensor(FreeSensor):
    """One of four that offer five quantities each."""

    def __init__(self, part: int) -> None:
        self.name = f"part {part}"
        self._quantities = QUANTITIES[5 * part : 5 * part + 5]
        self._values = dict.fromkeys(self._quantities, 50.0)

    def channels(self) -> list[Channel]:
        return [Channel(quantity, "bench") for quantity in self._quantities]


def test_what_sampling_on_the_system_clock_costs():
    """Beside a periodic call that does nothing: what wakes cost depends on the machine and its load."""

    def share_pct(seconds: float = 15.0) -> float:
        time.sleep(0.5)
        used_s, begun_s = time.process_time(), time.perf_counter()
        time.sleep(seconds)
        return 100 * (time.process_time() - used_s) / (time.perf_counter() - begun_s)

    ticker = SystemClock().every(0.1, lambda: None)
    shares = {"a call of nothing": share_pct()}
    ticker.stop()
    for count in (1, 4):
        sensors = [PartSensor(part) for part in range(count)]
        sampler = Sampler(sensors, SystemClock(), 0.1, sensor_tries=3, on_event=print)
        sampler.start()
        shares[f"{count} sensors of five quantities"] = share_pct()
        sampler.close()
    print()
    for name, share in shares.items():
        print(f"  {name:<30} 10 times a second: {share:.3f} % of a core")


def test_a_twelve_hour_night_at_10_hz_holds_no_more_memory_than_its_first_hour(tmp_path):
    clock, process = FakeClock(), psutil.Process()
    sampler = Sampler([FreeSensor()], clock, 0.1, sensor_tries=3, on_event=print)
    sampler.start()
    held_mib = []
    begin = time.perf_counter()
    for hour in range(12):
        for attempt in range(20):  # a file for each attempt: an open one holds an index of its row groups
            file = ParquetFile(tmp_path / f"{hour}.{attempt}.parquet")
            sampler.record_to(file)
            clock.sleep_s(180)
            sampler.stop_recording()
            file.close()
        held_mib.append(process.memory_info().rss / 2**20)
    took_s = time.perf_counter() - begin
    print(
        f"\n  432,000 rows in {took_s:.1f} s; after the 1st, 6th and 12th hour the process holds "
        f"{held_mib[0]:.1f}, {held_mib[5]:.1f} and {held_mib[11]:.1f} MiB"
    )
    assert held_mib[11] - held_mib[0] < 30
