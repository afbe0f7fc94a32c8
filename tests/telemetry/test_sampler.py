"""The sampler: schedule, preference, gaps, history, recording."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Collection, Mapping

import numpy as np
import pyarrow as pa
import pytest

from harness import tables
from harness.clock import SystemClock
from harness.rig import Channel, Reading
from harness.telemetry import KeptRows, Sampler
from harness.testing import FakeClock, ScriptedSensor


def sampler_of(*sensors, clock, period_s=0.1, tries=3, events=None, **options):
    keep = events if events is not None else []
    return Sampler(
        sensors,
        clock,
        period_s,
        sensor_tries=tries,
        on_event=lambda code, text: keep.append((code, text)),
        **options,
    )


def test_every_quantity_is_sampled_at_each_period_of_a_drift_free_schedule():
    clock = FakeClock()
    sampler = sampler_of(ScriptedSensor({"memory_used_mib": lambda t: t}, clock), clock=clock)
    sampler.start()
    clock.sleep_s(100)
    t_s, value = sampler.history("memory_used_mib", 0)
    np.testing.assert_allclose(t_s, np.arange(1001) * 0.1, atol=1e-9)
    np.testing.assert_array_equal(t_s, value)


def test_the_first_sensor_that_offers_a_quantity_delivers_it_and_the_others_are_not_asked_for_it():
    clock = FakeClock()
    asked: list[set[str]] = []

    class Second(ScriptedSensor):
        def read(self, quantities: Collection[str]) -> Mapping[str, Reading]:
            asked.append(set(quantities))
            return super().read(quantities)

    first = ScriptedSensor({"core_temp_c": 40.0}, clock, name="first")
    second = Second({"core_temp_c": 99.0, "fan_rpm": 1200}, clock, name="second")
    events: list[tuple[str, str]] = []
    sampler = sampler_of(first, second, clock=clock, events=events)
    assert events == [
        (
            "sensor-passed-over",
            "core_temp_c: first and second both read this, first is used; the first in the plan's "
            "sampling.sensors is preferred",
        )
    ]
    sampler.start()
    clock.sleep_s(0.3)
    assert sampler.latest("core_temp_c").value == 40.0
    assert sampler.latest("fan_rpm").value == 1200
    assert all(quantities == {"fan_rpm"} for quantities in asked)
    assert sampler.quantities == {"core_temp_c", "fan_rpm"}
    assert sampler.channels["core_temp_c"][0] == "first"


def test_a_quantity_is_read_no_more_often_than_it_can_change_and_is_null_in_between():
    clock, kept = FakeClock(), KeptRows()
    sensor = ScriptedSensor(
        {"power_w": 200.0, "core_temp_c": 60.0, "fan_rpm": 900},
        clock,
        periods_s={"core_temp_c": 1.0, "fan_rpm": 0.25},
    )
    sampler = sampler_of(sensor, clock=clock)
    sampler.record_to(kept)
    sampler.start()
    clock.sleep_s(9.95)
    sampler.stop_recording()
    rows = kept.whole()
    assert rows.num_rows - rows["power_w"].null_count == 100
    assert rows.num_rows - rows["core_temp_c"].null_count == 10
    assert rows.num_rows - rows["fan_rpm"].null_count == 40


def test_a_reading_that_failed_is_null_never_zero():
    clock, kept = FakeClock(), KeptRows()
    sensor = ScriptedSensor(
        {"power_w": lambda t: None if t > 0.45 else 5.0, "fan_pct": math.nan, "fan_rpm": math.inf}, clock
    )
    sampler = sampler_of(sensor, clock=clock)
    sampler.record_to(kept)
    sampler.start()
    clock.sleep_s(0.95)
    sampler.stop_recording()
    assert kept.whole()["power_w"].to_pylist() == [5.0] * 5 + [None] * 5
    assert kept.whole()["fan_pct"].null_count == 10
    assert sampler.latest("fan_pct") is None
    assert sampler.latest("fan_rpm") is None
    assert sampler.latest("power_w") == (5.0, pytest.approx(0.4))
    assert sampler.latest("wall_power_w") is None
    assert sampler.history("wall_power_w", 0)[0].size == 0


def test_a_lost_sensor_is_reported_once_marked_as_a_gap_and_taken_up_again():
    clock, kept, events = FakeClock(), KeptRows(), []
    steady = ScriptedSensor({"cpu_load_pct": 3.0}, clock, name="steady")
    shaky = ScriptedSensor({"power_w": 200.0}, clock, name="shaky", lost=lambda t: 2.95 < t < 7.95)
    sampler = sampler_of(shaky, steady, clock=clock, events=events)
    sampler.record_to(kept)
    sampler.start()
    clock.sleep_s(60)
    sampler.stop_recording()
    rows = kept.whole()
    assert [code for code, _ in events] == ["sensor-lost", "sensor-back"]
    assert "shaky" in events[0][1]
    assert rows["cpu_load_pct"].null_count == 0
    t_s, gap = rows["t_s"].to_numpy(), rows["gap"].to_numpy()
    missing = rows["power_w"].is_null().to_numpy()
    assert t_s[missing].min() == pytest.approx(3.0)
    assert gap[missing].all()
    assert not gap[t_s < 2.95].any()
    back_s = t_s[~missing & (t_s > 3)].min()
    assert 7.95 < back_s < 12, "pauses between tries grow no longer than the loss itself"
    assert gap[t_s == back_s].all()
    assert not gap[t_s > back_s].any()


def test_a_lost_sensor_is_asked_again_at_least_every_thirty_seconds_through_the_night():
    clock = FakeClock()
    sensor = ScriptedSensor({"power_w": 200.0}, clock, lost=lambda t: True)
    sampler = sampler_of(sensor, clock=clock, period_s=1.0)
    sampler.start()
    clock.sleep_s(3600)
    assert 3600 / 31 < sensor.reads < 3600 / 29 + 15


def test_a_sensor_that_breaks_its_contract_does_not_stop_the_others():
    class Broken(ScriptedSensor):
        def read(self, quantities: Collection[str]) -> Mapping[str, Reading]:
            return {"power_w": "plenty"}

    class Mute(ScriptedSensor):
        def channels(self):
            raise RuntimeError("no idea")

    clock, events = FakeClock(), []
    sampler = sampler_of(
        Mute({"fan_rpm": 1}, clock, name="mute"),
        Broken({"power_w": 1.0}, clock, name="broken"),
        ScriptedSensor({"made_up_w": 1.0, "cpu_load_pct": 7.0}, clock, name="odd"),
        clock=clock,
        events=events,
    )
    sampler.start()
    clock.sleep_s(1)
    assert sampler.quantities == {"power_w", "cpu_load_pct"}
    assert sampler.latest("cpu_load_pct").value == 7.0
    assert sampler.latest("power_w") is None
    assert [code for code, _ in events] == ["sensor-broken"] * 3


def test_a_slow_read_makes_rows_miss_and_the_next_row_says_so():
    clock, kept, events = FakeClock(), KeptRows(), []

    class Slow(ScriptedSensor):
        def read(self, quantities: Collection[str]) -> Mapping[str, Reading]:
            if 1.95 < clock.now_s() < 2.05:
                clock.sleep_s(3.0)
            return super().read(quantities)

    sampler = sampler_of(Slow({"power_w": 1.0}, clock), clock=clock, events=events)
    sampler.record_to(kept)
    sampler.start()
    clock.sleep_s(10)
    sampler.stop_recording()
    rows = kept.whole()
    marked = rows.filter(rows["gap"])
    assert marked["t_s"].to_pylist() == pytest.approx([5.1], abs=0.11)
    assert max(rows["read_ms"].to_pylist()) == pytest.approx(3000)
    assert [code for code, _ in events] == ["sampling-gap"]


def test_recorded_rows_have_the_contracts_layout_and_the_phase_of_their_time():
    clock, kept = FakeClock(), KeptRows()
    sampler = sampler_of(ScriptedSensor({"limit_reasons": 0x1004, "power_w": 1.5}, clock), clock=clock)
    sampler.start()
    sampler.set_phase("cooldown")
    clock.sleep_s(5)
    sampler.record_to(kept)
    clock.sleep_s(5)
    sampler.set_phase("measure")
    clock.sleep_s(5)
    sampler.stop_recording()
    clock.sleep_s(5)
    rows = kept.whole()
    assert kept.tables[0].schema.equals(tables.TELEMETRY, check_metadata=True)
    assert rows["t_s"].to_pylist() == pytest.approx([5 + 0.1 * i for i in range(1, 101)])
    assert rows["phase"].to_pylist() == ["cooldown"] * 50 + ["measure"] * 50
    assert set(rows["limit_reasons"].to_pylist()) == {0x1004}
    assert rows["wall_power_w"].null_count == 100


def test_a_crash_loses_at_most_the_last_seconds_of_a_recording():
    clock, kept = FakeClock(), KeptRows()
    sampler = sampler_of(ScriptedSensor({"power_w": 1.0}, clock), clock=clock, flush_s=5.0)
    sampler.start()
    sampler.record_to(kept)
    for _ in range(30):
        clock.sleep_s(1.7)
        held_back_s = clock.now_s() - (kept.whole()["t_s"].to_numpy().max() if kept.tables else 0.0)
        assert held_back_s <= 5.2


def test_a_writer_that_fails_is_reported_when_it_happens_and_again_at_the_end():
    class Full:
        def write(self, table: pa.Table) -> None:
            raise OSError("no space left on device")

    clock, events = FakeClock(), []
    sampler = sampler_of(ScriptedSensor({"power_w": 1.0}, clock), clock=clock, events=events)
    sampler.start()
    sampler.record_to(Full())
    clock.sleep_s(20)
    assert [code for code, _ in events] == ["recording-failed"]
    with pytest.raises(OSError, match="no space"):
        sampler.stop_recording()
    sampler.stop_recording()
    assert sampler.latest("power_w") is not None


def test_memory_stays_bounded_and_history_right_when_the_ring_wraps():
    clock, kept = FakeClock(), KeptRows()
    sampler = sampler_of(ScriptedSensor({"memory_used_mib": lambda t: t}, clock), clock=clock, period_s=60.0)
    sampler.start()
    sampler.record_to(kept)
    clock.sleep_s(12 * 3600)
    sampler.stop_recording()
    t_s, value = sampler.history("memory_used_mib", 0)
    assert t_s.size == 64  # an hour at this period is 61 rows; the least that is held is 64
    np.testing.assert_array_equal(t_s, value)
    assert (np.diff(t_s) == 60).all()
    assert sampler.history("memory_used_mib", 43000)[0].tolist() == [43020.0, 43080.0, 43140.0, 43200.0]
    assert kept.whole().num_rows == 721
    assert kept.whole()["t_s"].to_pylist() == [60.0 * i for i in range(721)]


def test_a_pause_between_stop_and_start_is_marked_as_a_gap():
    clock, kept = FakeClock(), KeptRows()
    sampler = sampler_of(ScriptedSensor({"power_w": 1.0}, clock), clock=clock)
    sampler.record_to(kept)
    sampler.start()
    clock.sleep_s(1)
    sampler.stop()
    clock.sleep_s(10)
    sampler.start()
    clock.sleep_s(1)
    sampler.stop_recording()
    assert kept.whole()["gap"].to_pylist().index(True) == 11
    assert sum(kept.whole()["gap"].to_pylist()) == 1


def test_readers_on_other_threads_see_whole_rows_while_the_sampling_thread_writes():
    class Pair:
        name = "pair"

        def __init__(self) -> None:
            self.count = 0

        def channels(self) -> list[Channel]:
            return [Channel("power_w", "test"), Channel("memory_used_mib", "test")]

        def read(self, quantities: Collection[str]) -> Mapping[str, Reading]:
            self.count += 1
            return {"power_w": float(self.count), "memory_used_mib": float(self.count)}

        def close(self) -> None: ...

    sampler = sampler_of(Pair(), clock=SystemClock(), period_s=0.001)
    sampler.start()
    wrong: list[object] = []

    def look() -> None:
        begin_s, seen = time.monotonic(), 0
        while (took_s := time.monotonic() - begin_s) < 0.25 or (seen <= 20 and took_s < 60):
            t_power, power = sampler.history("power_w", 0)
            seen = power.size
            t_temp, temp = sampler.history("memory_used_mib", 0)
            shared = min(power.size, temp.size)
            if not np.array_equal(power[:shared], temp[:shared]) or not np.array_equal(
                t_power[:shared], t_temp[:shared]
            ):
                wrong.append((power, temp))

    threads = [threading.Thread(target=look) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    sampler.stop()
    assert not wrong
    assert sampler.history("power_w", 0)[0].size > 20


def test_a_quantity_that_may_be_empty_is_no_trouble_while_it_is():
    class Errors(ScriptedSensor):
        def channels(self):
            return [Channel("driver_error_code", "test", may_be_empty=True)]

    clock, events = FakeClock(), []
    sampler = sampler_of(Errors({"driver_error_code": None}, clock), clock=clock, events=events)
    sampler.start()
    clock.sleep_s(120)
    assert events == []
    assert sampler.troubles(0.0) == []
    assert sampler.expected() == {}
