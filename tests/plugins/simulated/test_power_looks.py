"""The simulated card looks at its power every 20 ms: what capped frames do to its readings, truth at hand."""

from __future__ import annotations

import numpy as np
import pytest

from harness.power_sensor.of_window import model_in

STILL = {"ambient_drift_k": 0.0, "ambient_swing_k": 0.0, "silicon_spread": 0.0}
LOOKING = {"power_look_s": 0.02, "power_noise_pct": 0.0, "dropped_read_pct": 0.0}


def shares(bench, make_title, cap_fps: float | None, runs: int = 1, **sensors: float) -> list[float]:
    """Power by the counter over the true one, a run each."""
    character = {"gpu_ms": 8.0, "cpu_ms": 3.0, "run_noise_pct": 0.0, "frame_cap_fps": cap_fps}
    b = bench({**STILL, "sensors": {**LOOKING, **sensors}, "titles": {"harbour-lights": character}})
    machine, found = b.rig.machine, []
    for _ in range(runs):
        workload = b.start(make_title())
        b.sleep(5)
        workload.poll()
        seen_j, true_j = machine.seen_energy_j, machine.energy_j
        b.sleep(20)
        workload.poll()
        found.append((machine.seen_energy_j - seen_j) / (machine.energy_j - true_j))
        workload.stop(1.0)
    return found


def test_frames_on_the_looks_rhythm_are_seen_at_one_phase_another_in_each_run(bench, make_title):
    found = shares(bench, make_title, 50, runs=6)
    assert np.ptp(found) > 0.2
    assert max(abs(share - 1) for share in found) > 0.1


@pytest.mark.parametrize("cap_fps", [57, None])
def test_other_frames_are_seen_as_they_are(bench, make_title, cap_fps: float | None):
    assert shares(bench, make_title, cap_fps)[0] == pytest.approx(1, abs=0.005)


def test_a_look_that_lasts_from_one_to_the_next_misses_nothing(bench, make_title):
    assert shares(bench, make_title, 50, power_look_width_s=0.02)[0] == pytest.approx(1, abs=1e-6)


def test_the_rig_brings_the_model_of_these_looks(bench):
    rig = bench({"sensors": LOOKING}).rig
    model = model_in(rig.facts().facts)
    assert model is not None
    counter = model.of_quantity("energy_j")
    assert counter is not None
    assert (counter.rhythm_s, counter.look_s) == (0.02, 0.005)
    assert model_in(bench().rig.facts().facts) is None
    assert model_in({"power_sensor": {"format": 99}}) is None
