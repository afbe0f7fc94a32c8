from __future__ import annotations

import pytest

from harness.errors import SensorUnavailable
from harness_plugins.host.windows_card import DriverLogSensor, EngineSensor
from tests.telemetry.test_foreign import INSTANCE, counters
from tests.windows.emulation import EventLog, event_xml


def test_load_by_others_is_read_and_named_and_our_own_is_not():
    look = {
        INSTANCE.format(100, "C4E5", 0): (0, 80.0),
        INSTANCE.format(200, "C4E5", 0): (0, 12.0),
        INSTANCE.format(300, "C4E5", 0): (0, 0.0),
    }
    sensor = EngineSensor(
        counters([look]), lambda: frozenset({100}), {200: "encoder", 300: "idle"}.__getitem__
    )
    assert sensor.read(["foreign_gpu_load_pct"]) == {"foreign_gpu_load_pct": 12.0}
    assert sensor.programs() == {"encoder": 12.0}
    sensor.close()
    sensor.close()


def test_counters_that_fail_are_a_sensor_that_is_lost():
    windows = counters([])
    sensor = EngineSensor(windows, frozenset, str)
    windows.answers["PdhCollectQueryData"] = lambda query: 0x800007D5
    with pytest.raises(SensorUnavailable, match="PdhCollectQueryData"):
        sensor.read(["foreign_gpu_load_pct"])


def test_a_reset_of_the_driver_counts_from_when_the_sensor_was_opened():
    log = EventLog(event_xml("Display", 4101, "2026-11-28T01:00:00Z", "drv"))
    sensor = DriverLogSensor(log.windows)
    both = ["driver_errors", "driver_error_code"]
    assert sensor.read(both) == {"driver_errors": 0, "driver_error_code": None}
    log.write(event_xml("Display", 4101, "2026-11-28T03:00:00Z", "drv"))
    assert sensor.read(both) == {"driver_errors": 1, "driver_error_code": 4101}
    assert sensor.read(["driver_errors"]) == {"driver_errors": 1}
    assert "@Name='Display'] and (EventID=4101)" in log.queries[0]
    sensor.close()
    assert log.open_handles == set()
