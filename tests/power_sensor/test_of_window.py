"""The rhythm of a window's frames, by source of the card's power."""

from __future__ import annotations

import numpy as np
import pytest

from harness.power_sensor.model import PowerSensorModel
from harness.power_sensor.of_window import seen_through

SOURCE = {"kind": "reading", "source": "made", "refresh_s": 0.1, "rhythm_u": 1e-5, "delay_s": 0.0}
MODEL = PowerSensorModel.model_validate(
    {
        "card": "made",
        "driver_version": "1",
        "measured_utc": "2026",
        "off_w": 60.0,
        "on_w": 260.0,
        "sources": [
            {
                **SOURCE,
                "name": "counter",
                "quantity": "energy_j",
                "rhythm_s": 0.02,
                "look_s": 0.0,
                "span_s": 0.1,
            },
            {
                **SOURCE,
                "name": "average",
                "quantity": "power_average_w",
                "rhythm_s": None,
                "look_s": 0,
                "span_s": 1,
            },
        ],
    }
)
MEAN_W = {"energy_j": 160.0, "power_average_w": 161.0, "power_w": 150.0}


def seen(fps: float, load_pct: float | None, mean_w: float = 160.0):
    frames = np.full(int(10 * fps), 1000 / fps)
    means = {**MEAN_W, "energy_j": mean_w}
    return seen_through(MODEL, frames, window_s=10.0, mean_w=means, sources={}, load_pct=load_pct)


def test_a_look_of_no_length_at_locked_frames_sees_all_or_nothing():
    found = seen(50.0, 50.0)
    assert set(found) == {"energy_j", "power_average_w"}  # the model knows no more
    counter = found["energy_j"]
    # it sees the load on or off, so it is off by half of 260 - 60 W either way (arithmetic)
    assert counter.bound_w == pytest.approx(100, rel=0.1)
    assert counter.u_w == pytest.approx(100, rel=0.1)
    assert counter.on_rhythm
    assert "50.00 FPS keep the time by which the counter looks (every 20.0 ms" in counter.sentence
    assert not found["power_average_w"].on_rhythm


def test_a_mean_that_saw_only_the_pauses_does_not_make_the_error_small():
    assert seen(50.0, 50.0, mean_w=61.0)["energy_j"].bound_w == pytest.approx(100, rel=0.1)


@pytest.mark.parametrize(("fps", "load_pct"), [(57.3, 50.0), (50.0, 100.0)])
def test_other_frames_or_a_card_always_at_work_leave_no_doubt(fps: float, load_pct: float):
    assert not seen(fps, load_pct)["energy_j"].on_rhythm
