"""Sensor ``nvml`` on the recorded card, and with every fault that a driver has in store."""

from __future__ import annotations

import ctypes
import json
import os
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pynvml
import pytest

from harness.errors import SensorUnavailable
from harness.processes import is_ours
from harness.rig import Channel
from harness.tables import QUANTITIES
from harness.telemetry import Sampler
from harness.testing import FakeClock
from harness_plugins.nvml.card import Card
from harness_plugins.nvml.codes import CallFailed
from harness_plugins.nvml.library import Library
from harness_plugins.nvml.recording import Replay
from harness_plugins.nvml.sensor import NvmlSensor

RECORDING = Path(__file__).with_name("recorded_card.json")


def until(condition, limit_s=2.0):
    end_s = time.monotonic() + limit_s
    while not condition() and time.monotonic() < end_s:
        time.sleep(0.005)
    return condition()


def test_the_sensor_offers_what_the_card_has_and_nothing_that_it_lacks(card):
    offered = {channel.quantity for channel in NvmlSensor(card).channels()}
    assert {
        "power_w",
        "power_average_w",
        "energy_j",
        "core_temp_c",
        "memory_temp_c",
        "core_clock_mhz",
        "memory_clock_mhz",
        "limit_reasons",
        "gpu_load_pct",
        "gpu_memory_used_mib",
        "power_limit_w",
        "foreign_gpu_processes",
        "driver_errors",
        "driver_error_code",
    } == offered
    assert offered <= set(QUANTITIES)


def test_readings_have_the_units_that_their_names_say(card):
    sensor = NvmlSensor(card)
    found = sensor.read([channel.quantity for channel in sensor.channels()])
    assert 70 < found["power_average_w"] < 710
    assert 70 < found["power_w"] < 1000
    assert 1000 < found["energy_j"] < 10_000
    assert found["power_limit_w"] == 700
    assert 30 < found["core_temp_c"] < 60
    assert 345 <= found["core_clock_mhz"] <= 1980
    assert found["gpu_memory_used_mib"] < 81_559


def test_instant_and_averaged_power_are_told_apart_by_their_windows(card):
    channels = {channel.quantity: channel for channel in NvmlSensor(card).channels()}
    assert channels["power_average_w"].window_s == 1.0
    assert channels["power_w"].window_s == 0.1
    assert "Samples" in channels["power_w"].source


def test_power_of_a_row_is_the_mean_of_the_drivers_own_readings_since_the_row_before(card, monkeypatch):
    batches = [
        [(1_000_000 + 20_000 * i, 500.0) for i in range(100)],
        [(3_000_000 + 20_000 * i, 100.0 + i) for i in range(5)],
        [],
        [(3_200_000, 700.0)],
    ]
    asked = []

    def samples(handle, since_us):
        asked.append(since_us)
        return batches[0] if len(asked) < 2 else batches.pop(0)

    monkeypatch.setattr(card.library, "power_samples", samples)
    sensor = NvmlSensor(card)  # looks once for the buffer and once for the reading
    asked_before = len(asked)
    readings = [sensor.read(["power_w"])["power_w"] for _ in range(3)]
    assert readings == [102.0, None, 700.0]
    assert asked[asked_before:] == [2_980_000, 3_080_000, 3_080_000]


@pytest.mark.parametrize("code", [3, 4, 6, 13])
def test_without_the_drivers_buffer_instant_power_comes_from_its_field(replay, code):
    replay.faults["nvmlDeviceGetSamples"] = code
    channels = {c.quantity: c for c in NvmlSensor(Card(Library(replay))).channels()}
    assert channels["power_w"].source == "nvmlDeviceGetFieldValues(186)"
    assert channels["power_w"].window_s == 0.0


@pytest.mark.parametrize(("architecture", "quantity"), [(9, "power_average_w"), (6, "power_w")])
def test_the_plain_power_reading_is_called_an_average_where_the_driver_averages_it(
    replay, architecture, quantity
):
    # NVML API reference, nvmlDeviceGetPowerUsage: an average over one second from the Ampere generation on.
    replay.faults |= {"nvmlDeviceGetSamples": 3, "nvmlDeviceGetFieldValues": 3}
    library = Library(replay)
    library.architecture = lambda handle: architecture
    library.power_mw = lambda handle: 74_000
    library.energy_mj = lambda handle: 2_266_603
    channels = {c.quantity: c for c in NvmlSensor(Card(library)).channels()}
    assert channels[quantity].source == "nvmlDeviceGetPowerUsage"
    assert {"power_w", "power_average_w"} & channels.keys() == {quantity}
    assert channels["energy_j"].source == "nvmlDeviceGetTotalEnergyConsumption"


@pytest.mark.parametrize("code", [3, 2, 4, 13, 26, 999])
def test_a_quantity_that_the_card_does_not_support_is_absent_and_never_asked_again(replay, code):
    replay.faults["nvmlDeviceGetUtilizationRates"] = code
    sensor = NvmlSensor(Card(Library(replay)))
    assert "gpu_load_pct" not in {c.quantity for c in sensor.channels()}
    before = replay.calls["nvmlDeviceGetUtilizationRates"]
    for _ in range(5):
        assert "gpu_load_pct" not in sensor.read(["gpu_load_pct", "core_temp_c"])
    assert replay.calls["nvmlDeviceGetUtilizationRates"] == before == 1


def test_a_quantity_that_becomes_unsupported_is_asked_once_more_and_then_left_alone(card, replay):
    sensor = NvmlSensor(card)
    replay.faults["nvmlDeviceGetUtilizationRates"] = 3
    before = replay.calls["nvmlDeviceGetUtilizationRates"]
    assert sensor.read(["gpu_load_pct"]).get("gpu_load_pct") is None
    sensor.read(["gpu_load_pct"])
    assert replay.calls["nvmlDeviceGetUtilizationRates"] == before + 1


@pytest.mark.parametrize("code", [10, 27, 4])
def test_a_read_that_fails_for_the_moment_leaves_the_others_alone(card, replay, code):
    sensor = NvmlSensor(card)
    replay.faults["nvmlDeviceGetTemperatureV"] = code
    found = sensor.read(["core_temp_c", "core_clock_mhz", "power_average_w"])
    assert found["core_temp_c"] is None
    assert found["core_clock_mhz"] is not None
    replay.faults.clear()
    assert sensor.read(["core_temp_c"])["core_temp_c"] is not None


@pytest.mark.parametrize("code", [15, 16, 1, 9, 999])
def test_a_lost_card_is_an_event_and_is_found_again_by_its_own_identity(card, replay, code):
    sensor = NvmlSensor(card, settle_s=0.01)
    clock, events = FakeClock(), []
    sampler = Sampler(
        [sensor], clock, 0.1, sensor_tries=2, on_event=lambda name, text: events.append((name, text))
    )
    sampler.start()
    clock.sleep_s(1)
    handles_before = replay.calls.get("nvmlDeviceGetHandleByUUID", 0)
    replay.faults |= dict.fromkeys(
        ["nvmlDeviceGetFieldValues", "nvmlDeviceGetTemperatureV", "nvmlDeviceGetPowerManagementLimit"], code
    )
    clock.sleep_s(1)
    assert [name for name, _ in events] == ["sensor-lost"]
    replay.faults.clear()
    assert until(lambda: sensor._searching is None)
    clock.sleep_s(5)
    assert [name for name, _ in events] == ["sensor-lost", "sensor-back"]
    assert replay.calls["nvmlDeviceGetHandleByUUID"] > handles_before
    assert sampler.latest("core_temp_c").t_s == pytest.approx(clock.now_s(), abs=0.15)


def test_a_single_lost_entry_of_a_batch_counts_as_a_lost_card(card, monkeypatch):
    sensor = NvmlSensor(card, settle_s=0.01)
    real = card.library.fields

    def one_lost(handle, ids):
        return [type(entry)(15, None) for entry in real(handle, ids)]

    monkeypatch.setattr(card.library, "fields", one_lost)
    with pytest.raises(SensorUnavailable, match="lost"):
        sensor.read(["power_average_w"])
    sensor.close()


def test_a_card_that_never_comes_back_is_looked_for_until_the_sensor_is_closed(card, replay):
    sensor = NvmlSensor(card, settle_s=0.01)
    replay.faults |= dict.fromkeys(["nvmlDeviceGetFieldValues", "nvmlInitWithFlags"], 15)
    with pytest.raises(SensorUnavailable):
        sensor.read(["power_average_w"])
    with pytest.raises(SensorUnavailable, match="looking for it"):
        sensor.read(["power_average_w"])
    search = sensor._searching
    sensor.close()
    sensor.close()
    assert not search.is_alive()


def test_no_driver_no_sensor_and_no_error():
    with pytest.raises(CallFailed) as caught:
        Card(Library(Replay({}, {"nvmlInitWithFlags": 12})))
    assert caught.value.code == 12
    assert "not installed" in str(caught.value)


def test_processes_of_others_on_the_card_are_counted_and_ours_are_not(card, monkeypatch):
    child = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    try:
        assert is_ours(os.getpid()) is True
        assert is_ours(child.pid) is True
        gone = max(psutil.pids()) + 100_000
        assert is_ours(gone) is None
        if (above := psutil.Process().ppid()) > 0:  # 0: the first of a name space
            assert is_ours(above) is False
        present = [os.getpid(), child.pid, 500_000, gone]
        whose = {os.getpid(): True, child.pid: True, 500_000: False}
        monkeypatch.setattr(
            card.library, "processes", lambda handle: [type("P", (), {"process_id": p}) for p in present]
        )
        sensor = NvmlSensor(card, whose.get)
        sensor.programs()
        assert sensor.read(["foreign_gpu_processes"]) == {"foreign_gpu_processes": 1}
        assert sensor.programs() == {"process 500000": None}
        assert sensor.programs() is None
    finally:
        child.communicate(b"\n", timeout=5)


def test_the_load_of_programs_is_told_by_name_where_the_driver_samples_it(card, monkeypatch):
    """NVML API reference, nvmlDeviceGetProcessUtilization: samples since a time stamp, of each process."""
    other, asked = 500_000, []

    def loads(handle, since_us):
        asked.append(since_us)
        return [(other, 1000, 12.0), (other, 2000, 20.0), (os.getpid(), 2000, 70.0)]

    sensor = NvmlSensor(card, lambda process_id: process_id == os.getpid())
    monkeypatch.setattr(card.library, "process_loads", loads)
    sensor._offer(Channel("foreign_gpu_load_pct", "test"), sensor._foreign_load_pct)
    sensor.programs()
    assert sensor.read(["foreign_gpu_load_pct"]) == {"foreign_gpu_load_pct": 20.0}
    assert asked == [0, 2000]
    assert sensor.programs() == {"process 500000": 20.0}


def test_the_energy_counter_which_is_costly_to_read_is_read_less_often_than_the_rest(card, replay):
    clock = FakeClock()
    sampler = Sampler([NvmlSensor(card)], clock, 0.1, sensor_tries=3, on_event=print)
    sampler.start()
    clock.sleep_s(9.95)
    assert sampler.history("energy_j", 0)[0].size == 20
    assert sampler.history("core_clock_mhz", 0)[0].size == 100


def critical_error(code: int) -> list:
    """The driver's answer when there is an event: return code 0 and the event's bytes."""
    event = pynvml.c_nvmlEventData_t(eventType=0x8, eventData=code)
    return [0, ctypes.string_at(ctypes.addressof(event), ctypes.sizeof(event)).hex()]


@pytest.fixture
def failing_card() -> Card:
    """The recorded card, which reports two critical errors after a while. Made by hand: none was provoked."""
    answers = json.loads(RECORDING.read_text())["answers"]
    (quiet,) = answers["nvmlEventSetWait_v2"].values()
    quiet[:] = [quiet[0], quiet[0], critical_error(79), critical_error(31), quiet[0]]
    return Card(Library(Replay(answers)))


def test_critical_errors_of_the_card_are_counted_with_the_latest_number(failing_card):
    sensor = NvmlSensor(failing_card)
    found = [sensor.read(["driver_errors", "driver_error_code"]) for _ in range(3)]
    assert found[0] == {"driver_errors": 0, "driver_error_code": None}
    assert found[1] == found[2] == {"driver_errors": 2, "driver_error_code": 31}


def test_errors_are_listened_for_again_after_the_card_was_lost(card, replay):
    sensor = NvmlSensor(card, settle_s=0.01)
    listening = replay.calls["nvmlEventSetCreate"]
    replay.faults["nvmlEventSetWait_v2"] = 15
    with pytest.raises(SensorUnavailable, match="lost"):
        sensor.read(["driver_errors"])
    assert until(lambda: sensor._searching is None)
    replay.faults.clear()
    assert replay.calls["nvmlEventSetCreate"] == listening + 1
    assert sensor.read(["driver_errors"]) == {"driver_errors": 0}


@pytest.mark.parametrize("fault", ["nvmlDeviceGetSupportedEventTypes", "nvmlDeviceRegisterEvents"])
def test_a_driver_without_such_events_offers_no_count(replay, fault):
    replay.faults[fault] = 3
    assert "driver_errors" not in {c.quantity for c in NvmlSensor(Card(Library(replay))).channels()}
