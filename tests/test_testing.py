"""The public test doubles keep the contracts of the protocols that they stand in for."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from harness.errors import FrameLogError, SensorUnavailable
from harness.plan.schema import Cell, ProfileSpec, SettingSpec, TitleSpec
from harness.rig import Launch, Sensor
from harness.testing import (
    FakeClock,
    ScriptedRig,
    ScriptedSensor,
    ScriptedWorkload,
    WorkloadScript,
    read_frames,
    scripted_frames,
)


def cell_of(title: str = "harbour-lights") -> Cell:
    setting = SettingSpec(name="default")
    return Cell(
        cell_id=f"{title}.default.factory",
        title=TitleSpec(name=title, workload="command", settings=[setting]),
        setting=setting,
        profile=ProfileSpec(name="factory"),
        workload_options={},
        definition_hash="0",
    )


def launch_in(folder: Path) -> Launch:
    return Launch(cell=cell_of(), work_folder=folder, output_path=folder / "output.log")


def test_a_periodic_call_runs_at_absolute_multiples_of_its_period_however_the_sleeps_are_cut():
    clock, seen = FakeClock(), []
    ticker = clock.every(0.1, lambda: seen.append(clock.now_s()))
    for _ in range(7):
        clock.sleep_s(0.143)
    ticker.stop()
    clock.sleep_s(10)
    assert seen == [k * 0.1 for k in range(11)]


def test_calls_of_several_tickers_run_in_the_order_of_their_due_times():
    clock, seen = FakeClock(), []
    clock.every(0.3, lambda: seen.append(("slow", round(clock.now_s(), 6))))
    clock.every(0.2, lambda: seen.append(("fast", round(clock.now_s(), 6))))
    clock.at(0.25, lambda: seen.append(("once", round(clock.now_s(), 6))))
    clock.sleep_s(0.5)
    assert seen == [
        ("slow", 0.0), ("fast", 0.0), ("fast", 0.2), ("once", 0.25), ("slow", 0.3), ("fast", 0.4)
    ]  # fmt: skip


def test_a_call_that_takes_longer_than_its_period_skips_the_missed_deadlines_and_delays_the_sleeper():
    clock, seen = FakeClock(), []

    def slow_read() -> None:
        seen.append(clock.now_s())
        clock.sleep_s(2.5)

    clock.every(1.0, slow_read)
    clock.sleep_s(4.0)
    assert seen == [0.0, 3.0]
    assert clock.now_s() == 5.5


def test_a_ticker_that_stops_itself_is_not_called_again():
    clock, seen = FakeClock(), []

    def once() -> None:
        seen.append(clock.now_s())
        ticker.stop()

    ticker = clock.every(1.0, once)
    clock.sleep_s(5)
    assert seen == [0.0]


def test_a_step_of_the_wall_clock_leaves_monotonic_time_alone():
    clock = FakeClock()
    before = clock.now_utc()
    clock.sleep_s(10)
    clock.step_utc(-3600)
    assert clock.now_s() == 10
    assert clock.now_utc() - before == timedelta(seconds=10 - 3600)


def test_a_period_of_zero_is_refused():
    with pytest.raises(ValueError, match="positive"):
        FakeClock().every(0, lambda: None)


def test_a_scripted_sensor_gives_what_its_script_says_and_vanishes_when_told():
    clock = FakeClock()
    sensor: Sensor = ScriptedSensor(
        {"power_w": lambda t_s: 200 + t_s, "core_temp_c": 60.0}, clock, lost=lambda t_s: t_s >= 5
    )
    clock.sleep_s(2)
    assert sensor.read(["power_w", "fan_rpm"]) == {"power_w": 202}
    clock.sleep_s(3)
    with pytest.raises(SensorUnavailable):
        sensor.read(["power_w"])


def test_a_scripted_title_passes_through_start_up_run_and_end(tmp_path: Path):
    clock = FakeClock(start_s=100)
    workload = ScriptedWorkload(clock, WorkloadScript(ready_after_s=5, finishes_after_s=20, pass_s=4))
    workload.start(launch_in(tmp_path))
    assert not workload.poll().ready
    clock.sleep_s(15)
    state = workload.poll()
    assert (state.running, state.ready, state.finished, state.passes) == (True, True, False, 2)
    clock.sleep_s(10)
    state = workload.poll()
    assert (state.running, state.finished, state.exit_code) == (False, True, 0)
    workload.stop(1.0)
    source = workload.frame_log()
    assert source is not None
    log = ScriptedRig(clock).read_frame_log(source)
    t_s = log.frames["t_s"].to_numpy()
    assert log.clock == "rig"
    assert (t_s[0], t_s[-1]) == pytest.approx((105.01, 120.0))


def test_a_scripted_crash_and_a_scripted_hang_show_as_the_engine_would_see_them(tmp_path: Path):
    clock = FakeClock()
    crash = ScriptedWorkload(clock, WorkloadScript(crashes_after_s=3))
    hang = ScriptedWorkload(clock, WorkloadScript(silent_after_s=4))
    crash.start(launch_in(tmp_path / "a"))
    hang.start(launch_in(tmp_path / "b"))
    clock.sleep_s(60)
    assert (crash.poll().running, crash.poll().exit_code) == (False, 1)
    assert crash.poll().failure is not None
    assert (hang.poll().running, hang.poll().last_sign_s) == (True, 4.0)


def test_scripted_frames_cycle_through_the_given_frame_times():
    frames = scripted_frames(10.0, 10.1, [10.0, 30.0])
    assert np.allclose(frames["t_s"].to_numpy(), [10.01, 10.04, 10.05, 10.08, 10.09])


def test_a_damaged_frame_log_is_refused_with_its_path(tmp_path: Path):
    path = tmp_path / "frames.parquet"
    path.write_bytes(b"PAR1 but then nothing")
    with pytest.raises(FrameLogError, match=r"frames\.parquet"):
        read_frames(path)
