from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from harness.clock import SystemClock
from harness.engine.timekeeping import TimeReading, TimeWatch, time_fault
from harness.testing import FakeClock

START = datetime(2030, 1, 1, 2, tzinfo=UTC)


def reading(wall_s: float, awake_s: float, elapsed_s: float | None = None) -> TimeReading:
    return TimeReading(START + timedelta(seconds=wall_s), awake_s, elapsed_s)


@pytest.mark.parametrize("elapsed", [True, False])
def test_time_that_passes_evenly_is_no_fault_even_with_a_clock_that_is_being_disciplined(elapsed):
    before = reading(0, 100, 400 if elapsed else None)
    after = reading(60.03, 160, 460 if elapsed else None)  # 500 ppm, the most that ntp_adjtime(2) slews by
    assert time_fault(before, after) is None


def test_a_machine_that_slept_is_told_from_a_clock_that_was_set():
    slept = time_fault(reading(0, 100, 400), reading(3610, 110, 4010))
    assert (slept.kind, slept.seconds) == ("suspended", 3600)
    stepped = time_fault(reading(0, 100, 400), reading(3610, 110, 410))
    assert (stepped.kind, stepped.seconds) == ("clock-stepped", 3600)


def test_a_clock_set_back_is_told_with_its_sign():
    # The end of daylight saving time on a machine whose clock keeps local time.
    fault = time_fault(reading(0, 100), reading(-3590, 110))
    assert (fault.kind, fault.seconds) == ("clock-stepped", -3600)
    assert "back by 3600 s" in fault.reason


def test_each_look_is_compared_with_the_one_before_so_a_fault_is_told_once():
    clock = FakeClock()
    watch = TimeWatch(clock)
    clock.sleep_s(5)
    assert watch.look() is None
    clock._origin_utc += timedelta(seconds=90)
    assert watch.look().kind == "clock-stepped"
    assert watch.look() is None


def test_the_real_clocks_agree_while_nothing_happens():
    watch = TimeWatch(SystemClock())
    assert watch.look() is None
