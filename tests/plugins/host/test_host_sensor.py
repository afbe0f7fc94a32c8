from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from types import SimpleNamespace

import psutil
import pytest

from harness.clock import SystemClock
from harness.tables import QUANTITIES
from harness.testing import FakeClock
from harness_plugins.host.doctor import examine_host
from harness_plugins.host.sensor import (
    CpuTimes,
    HostSensor,
    loads_pct,
    processor_temp_c,
    read_cpu_times,
)


def sensor_of(counters: list[CpuTimes], clock: FakeClock) -> HostSensor:
    answers: Iterator[CpuTimes] = iter(counters)
    return HostSensor(clock, lambda: next(answers))


def test_load_is_busy_time_over_all_processors_time_and_the_rest_of_it_is_by_others() -> None:
    # Two processors for 5 s: 10 s in all, 6 s busy, 4 s of it the test's own.
    assert loads_pct(CpuTimes(100, 50, 10), CpuTimes(110, 56, 14)) == (60.0, 20.0)


def test_no_time_passed_means_no_reading_not_zero() -> None:
    assert loads_pct(CpuTimes(100, 50, 10), CpuTimes(100, 50, 10)) == (None, None)


def test_an_own_process_that_ended_never_makes_the_load_by_others_negative_or_above_the_whole() -> None:
    assert loads_pct(CpuTimes(100, 50, 40), CpuTimes(110, 55, 3)) == (50.0, 50.0)
    assert loads_pct(CpuTimes(100, 50, 10), CpuTimes(110, 55, 400)) == (50.0, 0.0)


def test_the_first_second_has_no_load_and_later_ones_have_that_of_the_span_before() -> None:
    clock = FakeClock()
    sensor = sensor_of([CpuTimes(0, 0, 0), CpuTimes(2, 1, 1), CpuTimes(4, 3, 1)], clock)
    assert sensor.read(["cpu_load_pct"]) == {"cpu_load_pct": None}
    clock.sleep_s(1)
    assert sensor.read(["cpu_load_pct", "foreign_cpu_load_pct"]) == {
        "cpu_load_pct": 50.0,
        "foreign_cpu_load_pct": 0.0,
    }
    clock.sleep_s(0.1)  # too short a span for counters that tick at 10 ms: the last load still stands
    assert sensor.read(["cpu_load_pct"]) == {"cpu_load_pct": 50.0}
    clock.sleep_s(1)
    assert sensor.read(["foreign_cpu_load_pct"]) == {"foreign_cpu_load_pct": 100.0}


def test_the_packages_temperature_is_preferred_to_the_highest_core_and_to_the_boards() -> None:
    def entry(label: str, current: float | None) -> SimpleNamespace:
        return SimpleNamespace(label=label, current=current)

    cores = [entry("Core 0", 71.0), entry("Package id 0", 68.0), entry("Core 1", 66.0)]
    assert processor_temp_c({"acpitz": [entry("", 90.0)], "coretemp": cores}) == 68.0
    assert processor_temp_c({"k10temp": [entry("Tccd1", 60.0), entry("Tctl", 63.0)]}) == 63.0
    assert processor_temp_c({"cpu_thermal": [entry("", 55.0)]}) == 55.0


@pytest.mark.parametrize("current", [None, 0.0, 255.0])
def test_an_impossible_temperature_is_no_reading(current: float | None) -> None:
    assert processor_temp_c({"coretemp": [SimpleNamespace(label="", current=current)]}) is None


def test_a_system_without_temperatures_lacks_the_channel(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(psutil, "sensors_temperatures", raising=False)
    monkeypatch.setattr(psutil, "cpu_freq", lambda: None)
    offered = {channel.quantity for channel in HostSensor(FakeClock(), lambda: CpuTimes(0, 0, 0)).channels()}
    assert offered == {"cpu_load_pct", "foreign_cpu_load_pct", "memory_used_mib"}


def test_every_channel_is_a_quantity_of_the_telemetry_table_and_is_read() -> None:
    sensor = HostSensor(SystemClock())
    quantities = [channel.quantity for channel in sensor.channels()]
    assert set(quantities) <= set(QUANTITIES)
    assert set(sensor.read(quantities)) == set(quantities)
    memory = sensor.read(["memory_used_mib"])["memory_used_mib"]
    assert memory is not None
    assert 0 < memory < psutil.virtual_memory().total / 2**20


def test_a_childs_work_counts_as_the_tests_own() -> None:
    before = read_cpu_times()
    child = subprocess.Popen([sys.executable, "-c", "while True: pass"])
    try:
        end_s = time.monotonic() + 20
        while (after := read_cpu_times()).own_s - before.own_s < 0.3 and time.monotonic() < end_s:
            time.sleep(0.05)
    finally:
        child.kill()
        child.wait()
    ended = read_cpu_times()
    assert after.own_s - before.own_s >= 0.3
    if sys.platform != "win32":  # Windows keeps no count of children that ended
        assert ended.own_s >= after.own_s


def test_doctor_tells_what_this_system_does_not_offer(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(psutil, "sensors_temperatures", raising=False)
    monkeypatch.setattr(psutil, "cpu_freq", lambda: None)
    assert {(f.subject, f.state) for f in examine_host()} == {
        ("cpu_clock_mhz", "absent"),
        ("cpu_temp_c", "absent"),
    }
