"""Ways out of the sensor's rhythm: what is offered suffices by the error itself, and nothing is guessed."""

from __future__ import annotations

from harness.power_sensor.model import PowerSensorModel
from harness.power_sensor.rhythm import rhythm_error
from harness.power_sensor.way_out import ways_out


def model(rhythm_u: float) -> PowerSensorModel:
    source = {"name": "counter", "kind": "counter", "quantity": "energy_j", "source": "made", "delay_s": 0.0}
    source |= {"refresh_s": 0.1, "rhythm_s": 0.02, "rhythm_u": rhythm_u, "look_s": 0.005, "span_s": 0.1}
    head = {"card": "made", "driver_version": "1", "measured_utc": "2026", "off_w": 60.0, "on_w": 310.0}
    return PowerSensorModel.model_validate({**head, "sources": [source]})


def test_the_caps_offered_are_the_nearest_that_suffice():
    card, rate_hz = model(1e-5), 50.0
    found = ways_out(card, card.sources[0], rate_hz=rate_hz, duty=0.5, window_s=8.0)
    assert found.window_s is None  # locked: no window helps
    assert found.caps_fps[0] < rate_hz < found.caps_fps[1]
    for cap in range(found.caps_fps[0], found.caps_fps[1] + 1):
        error = rhythm_error(card, window_s=8.0, rate_hz=float(cap), duty=0.5 * cap / rate_hz)["counter"]
        assert (error.relative_bound <= 0.01) == (cap in found.caps_fps), cap
    assert f"a cap of {found.caps_fps[0]} or {found.caps_fps[1]} FPS" in found.sentence


def test_a_rate_beside_the_rhythm_is_measured_longer():
    card = model(1e-5)
    found = ways_out(card, card.sources[0], rate_hz=49.9, duty=0.5, window_s=20.0)
    assert found.window_s is not None
    assert f"a window of {found.window_s:.0f} s" in found.sentence
    error = rhythm_error(card, window_s=found.window_s, rate_hz=49.9, duty=0.5)["counter"]
    assert error.relative_bound <= 0.01


def test_where_nothing_near_by_suffices_only_a_meter_is_offered():
    card = model(0.2)
    found = ways_out(card, card.sources[0], rate_hz=50.0, duty=0.5, window_s=4.0, wanted=0.0001)
    assert (found.caps_fps, found.window_s) == ((), None)
    assert "only a meter at the wall" in found.sentence
