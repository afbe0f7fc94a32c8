"""Faults on demand and by chance, as the engine will see them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from harness.errors import ControlRefused, FrameLogError, MachineDown, WorkloadFailed
from harness.plan.schema import ProfileSpec
from harness.rehearse import through_losses
from harness.testing import ScriptedRig
from harness_plugins.simulated.chance import generator
from harness_plugins.simulated.faults import draw_instability, failure_rate_per_s


def fault(kind: str, **keys: object) -> dict[str, object]:
    return {"faults": [{"kind": kind, "after_s": 10.0, **keys}]}


def test_a_crash_ends_the_title_with_an_exit_code_and_keeps_the_frames_until_then(bench, make_title):
    b = bench(fault("title-crash"))
    workload = b.start(make_title())
    b.sleep(30)
    state = workload.poll()
    assert (state.running, state.exit_code) == (False, 139)
    assert "139" in state.failure
    workload.stop(1)
    t_s = b.rig.read_frame_log(workload.frame_log()).frames["t_s"].to_numpy()
    assert 9 < t_s[-1] - t_s[0] < 11


def test_a_hang_shows_as_silence_and_an_idle_card(bench, make_title):
    b = bench(fault("title-hang"))
    b.watch()
    workload = b.start(make_title())
    b.sleep(40)
    state = workload.poll()
    assert state.running
    assert state.failure is None
    assert b.rig.clock.now_s() - state.last_sign_s > 25
    assert b.rows[-1]["gpu_load_pct"] == 0


def test_a_driver_reset_takes_title_sensors_and_profile(bench, make_title):
    profile = ProfileSpec(name="low", control="nvml", core_clock_ceiling_mhz=1800)
    b = bench(fault("driver-reset"))
    b.watch()
    b.apply(profile)
    workload = b.start(make_title(), profile)
    b.sleep(20)
    assert "reset" in workload.poll().failure
    assert any(row.get("lost") for row in b.rows)
    control = b.rig.open_control("nvml")
    assert control.verify_under_load(profile, {}, None)
    with pytest.raises(ControlRefused, match="not in force"):
        control.read_back(profile)
    control.apply(profile)
    assert control.read_back(profile) == {"core_clock_ceiling_mhz": 1800}


def test_a_lost_rig_comes_back_with_a_new_boot_and_in_its_factory_state(bench, make_title):
    profile = ProfileSpec(name="low", control="nvml", core_clock_ceiling_mhz=1800)
    b = bench({**fault("rig-loss"), "restart_s": 120})
    boots = []

    def night(rig: object) -> str:
        boots.append(b.rig.facts().boot_id)
        b.apply(profile)
        b.watch()
        workload = b.start(make_title(), profile)
        b.sleep(30)
        workload.stop(1)
        return "done"

    before_utc = b.rig.clock.now_utc()
    assert through_losses(b.rig, night) == ("done", 1)
    assert len(set(boots)) == 2
    assert (b.rig.clock.now_utc() - before_utc).total_seconds() > 120


def test_the_loss_of_a_rig_that_can_not_restart_is_passed_on():
    def night(rig: object) -> None:
        raise MachineDown

    with pytest.raises(MachineDown):
        through_losses(ScriptedRig(), night)


def test_nothing_works_on_a_rig_that_is_down(bench, make_title):
    b = bench(fault("rig-loss"))
    b.watch()
    workload = b.start(make_title())
    with pytest.raises(MachineDown):
        b.sleep(30)
    with pytest.raises(MachineDown):
        workload.poll()
    workload.stop(1)
    assert not (b.folder / "frames.parquet").exists()


@pytest.mark.parametrize("kind", ["frame-log-missing", "frame-log-truncated", "frame-log-corrupt"])
def test_a_damaged_or_missing_frame_log_is_refused(bench, make_title, kind):
    b = bench(fault(kind))
    workload = b.start(make_title())
    b.sleep(30)
    workload.stop(1)
    with pytest.raises(FrameLogError):
        b.rig.read_frame_log(workload.frame_log())


def test_a_full_disk_ends_the_frame_log_early_and_the_title_says_so(bench, make_title):
    b = bench(fault("disk-full"))
    workload = b.start(make_title())
    b.sleep(60)
    workload.stop(1)
    t_s = b.rig.read_frame_log(workload.frame_log()).frames["t_s"].to_numpy()
    assert t_s[-1] - t_s[0] < 11
    assert "no space left" in (b.folder / "output.log").read_text()


def test_foreign_load_shows_and_slows_a_title_that_the_processor_limits(bench, make_title):
    character = {"titles": {"harbour-lights": {"gpu_ms": 3.0, "cpu_ms": 8.0}}}
    b = bench({**fault("foreign-load", lasts_s=100, amount=4), **character})
    b.watch()
    means = b.measure(b.start(make_title()), 15, 30)
    clean = bench(character)
    clean.watch()
    undisturbed = clean.measure(clean.start(make_title()), 15, 30)
    assert means.foreign_cpu_load_pct == pytest.approx(40)
    assert undisturbed.foreign_cpu_load_pct < 1
    assert means.average_fps < 0.8 * undisturbed.average_fps


def test_an_ambient_jump_stays(bench, make_title):
    b = bench({**fault("ambient-jump", amount=6), "ambient_drift_k": 0, "ambient_swing_k": 0})
    b.watch()
    b.start(make_title())
    b.sleep(200)
    assert b.rows[-1]["ambient_temp_c"] - b.rows[0]["ambient_temp_c"] == pytest.approx(6, abs=0.1)


def test_lost_sensors_come_back(bench, make_title):
    b = bench(fault("sensor-loss", lasts_s=7))
    b.watch()
    b.start(make_title())
    b.sleep(60)
    lost = pd.DataFrame(b.rows).get("lost")
    assert lost.sum() * 0.1 == pytest.approx(7, abs=0.5)
    assert "power_w" in b.rows[-1]


def test_a_launch_failure_happens_on_the_wanted_run_only(bench, make_title):
    b = bench(fault("launch-failure", run=1))
    with pytest.raises(WorkloadFailed):
        b.start(make_title())
    assert b.start(make_title()).poll().running


def test_a_fault_meets_only_the_cells_that_its_pattern_names(bench, make_title):
    b = bench(fault("title-crash", cell="harbour-*"))
    workload = b.start(make_title("old-quarry"))
    b.sleep(30)
    assert workload.poll().running
    workload.stop(1)
    workload = b.start(make_title("harbour-lights"))
    b.sleep(30)
    assert not workload.poll().running


def test_faults_by_chance_come_about_as_often_as_asked(bench, make_title):
    b = bench({"fault_probability": {"title-crash": 0.5}, "titles": {"harbour-lights": {"load_s": 0.0}}})
    crashed = 0
    for _ in range(60):
        workload = b.start(make_title(measure_s=5.0))
        b.sleep(6)
        crashed += not workload.poll().running
        workload.stop(1)
    # 60 draws at one half: outside 17..43 with a chance below 0.001
    assert 17 <= crashed <= 43


def test_the_further_beyond_stability_the_sooner_and_the_worse_it_fails():
    rates = [failure_rate_per_s(mv) for mv in (60, 20, 0, -20)]
    assert rates == sorted(rates)
    assert rates[0] * 36000 < 0.01
    assert rates[3] > 0.05
    rng = generator(1, "test")
    near = [draw_instability(rng, 5) for _ in range(1000)]
    far = [draw_instability(rng, -60) for _ in range(1000)]
    assert near.count("rig-loss") < 60 < far.count("rig-loss")


@pytest.mark.parametrize(("offset_mhz", "holds"), [(180, True), (300, False)])
def test_an_offset_within_the_guard_band_holds_and_one_beyond_it_fails(bench, make_title, offset_mhz, holds):
    profile = ProfileSpec(name="tuned", control="nvml", core_clock_offset_mhz=offset_mhz)
    b = bench({"silicon_spread": 0})
    b.apply(profile)
    workload = b.start(make_title(), profile)
    alive = True
    try:
        for _ in range(240):
            b.sleep(1)
            state = workload.poll()
            alive &= state.running and b.rig.clock.now_s() - state.last_sign_s < 5
    except MachineDown:
        alive = False
    assert alive == holds


def test_generators_of_different_words_differ_and_of_the_same_words_agree():
    assert np.array_equal(generator(1, "a", 2).random(5), generator(1, "a", 2).random(5))
    assert not np.array_equal(generator(1, "a", 2).random(5), generator(1, "a", 3).random(5))
