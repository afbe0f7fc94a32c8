"""How far a mean of looks can be off: held against brute force, and against readings of a real card."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.errors import PlanError
from harness.power_sensor.model import PowerSensorModel, SourceModel, read_sensor_model
from harness.power_sensor.rhythm import rhythm_error


def source(
    rhythm_s: float | None,
    look_s: float,
    name: str = "meter",
    weights: tuple[float, ...] = (),
    rhythm_u: float = 0.0,
) -> SourceModel:
    return SourceModel(
        name=name,
        kind="reading",
        quantity="power_w",
        source="call",
        refresh_s=0.1,
        rhythm_s=rhythm_s,
        rhythm_u=rhythm_u,
        look_s=look_s,
        weights=weights,
        span_s=0.1,
        delay_s=0.0,
    )


def model(*sources: SourceModel, off_w: float = 100.0, on_w: float = 300.0) -> PowerSensorModel:
    return PowerSensorModel(
        card="Levelrig Model Card",
        driver_version="1.0",
        measured_utc="2031-01-01T00:00:00Z",
        off_w=off_w,
        on_w=on_w,
        sources=sources,
    )


def seen_by_brute_force(
    rate_hz: float, duty: float, window_s: float, rhythm_s: float, look_s: float
) -> float:
    """Largest difference between the mean of looks and the true mean, by trying phases one by one."""

    def work_until(t_s: np.ndarray) -> np.ndarray:
        whole, part = np.divmod(t_s * rate_hz, 1.0)
        return (whole * duty + np.minimum(part, duty)) / rate_hz

    worst = 0.0
    for phase in np.arange(200) / 200:
        at_s = np.arange(phase * rhythm_s, window_s, rhythm_s)
        seen = (
            work_until(at_s + look_s / 2 + 100 / rate_hz) - work_until(at_s - look_s / 2 + 100 / rate_hz)
        ) / look_s
        worst = max(worst, abs(float(seen.mean()) - duty))
    return worst


@settings(max_examples=12, deadline=None)
@given(
    rhythm_ms=st.sampled_from([5.0, 16.7, 20.0, 33.0, 100.0]),
    look_share=st.floats(0.05, 0.9),
    duty=st.floats(0.15, 0.85),
    multiple=st.sampled_from([0.5, 1.0, 1.5, 2.0]),
)
def test_the_bound_under_a_locked_load_is_that_of_trying_all_phases(
    rhythm_ms: float, look_share: float, duty: float, multiple: float
):
    rhythm_s, rate_hz = rhythm_ms / 1e3, multiple * 1e3 / rhythm_ms
    look_s = look_share * rhythm_s
    window_s = 60 * rhythm_s
    found = rhythm_error(model(source(rhythm_s, look_s)), rate_hz=rate_hz, duty=duty, window_s=window_s)[
        "meter"
    ]
    expected = seen_by_brute_force(rate_hz, duty, window_s, rhythm_s, look_s)
    assert found.swing_bound == pytest.approx(expected, abs=0.05)


def test_a_source_that_sees_all_of_the_time_is_never_off():
    found = rhythm_error(model(source(None, 0.0)), rate_hz=50, duty=0.5, window_s=30)["meter"]
    assert (found.relative_bound, found.relative_u, found.harmonic) == (0.0, 0.0, 0)


def test_a_load_beside_the_rhythm_is_seen_at_all_phases():
    found = rhythm_error(model(source(0.02, 0.01)), rate_hz=47.3, duty=0.5, window_s=30)["meter"]
    assert found.relative_bound < 0.005


def test_rates_that_the_window_can_not_tell_apart_count_as_locked():
    wide = rhythm_error(model(source(0.02, 0.01)), rate_hz=50.02, duty=0.5, window_s=5)["meter"]
    long = rhythm_error(model(source(0.02, 0.01)), rate_hz=50.02, duty=0.5, window_s=200)["meter"]
    assert wide.swing_bound > 0.4
    assert long.swing_bound < 0.15
    assert wide.apart_hz == pytest.approx(0.2, rel=0.05)


def test_a_rhythm_that_is_not_known_well_is_tried_within_its_uncertainty():
    sure, unsure = source(0.02, 0.01), source(0.02, 0.01, rhythm_u=0.005)
    rate = {"rate_hz": 50.3, "duty": 0.5, "window_s": 20.0}
    assert rhythm_error(model(sure), **rate)["meter"].swing_bound < 0.1
    assert rhythm_error(model(unsure), **rate)["meter"].swing_bound > 0.4


def test_looks_of_unlike_weight_repeat_only_with_the_refresh():
    alike = source(0.02, 0.01)
    unlike = source(0.02, 0.01, weights=(0.6, 0.1, 0.1, 0.1, 0.1))
    rate = {"rate_hz": 30.0, "duty": 0.5, "window_s": 20.0}
    assert rhythm_error(model(alike), **rate)["meter"].swing_bound < 0.05
    assert rhythm_error(model(unlike), **rate)["meter"].swing_bound > 0.1


def test_frame_times_tell_the_same_as_their_rate():
    frames_ms = np.full(1500, 20.0)
    by_rate = rhythm_error(model(source(0.02, 0.01)), rate_hz=50, duty=0.4, window_s=30)["meter"]
    by_frames = rhythm_error(model(source(0.02, 0.01)), frametimes_ms=frames_ms, duty=0.4, window_s=30)[
        "meter"
    ]
    assert by_frames.relative_bound == pytest.approx(by_rate.relative_bound, rel=0.02)
    assert by_frames.load_hz == pytest.approx(50)


def test_frame_times_without_a_rhythm_are_seen_at_all_phases():
    frames_ms = np.random.default_rng(5).gamma(20, 1.0, 3000)
    found = rhythm_error(model(source(0.02, 0.01)), frametimes_ms=frames_ms, duty=0.4, window_s=60)["meter"]
    assert found.relative_bound < 0.03


def test_the_share_of_the_power_follows_from_what_the_title_draws():
    one = model(source(0.02, 0.01), off_w=100, on_w=300)
    rate = {"rate_hz": 50.0, "duty": 0.5, "window_s": 30.0}
    own, title = rhythm_error(one, **rate)["meter"], rhythm_error(one, mean_w=150.0, **rate)["meter"]
    assert own.relative_bound == pytest.approx(own.swing_bound * 200 / 200)
    assert title.relative_bound == pytest.approx(title.swing_bound * 100 / 150)


def test_an_unknown_duty_gives_the_worst_of_several():
    one, rate = model(source(0.02, 0.01)), {"rate_hz": 50.0, "window_s": 30.0}
    worst = rhythm_error(one, **rate)["meter"].relative_bound
    assert worst >= rhythm_error(one, duty=0.5, **rate)["meter"].relative_bound


@pytest.mark.parametrize(
    "wrong",
    [
        {"window_s": 10.0},
        {"window_s": 10.0, "rate_hz": 50.0, "frametimes_ms": [20.0]},
        {"window_s": 10.0, "frametimes_ms": []},
        {"window_s": 10.0, "frametimes_ms": [20.0, 0.0]},
        {"window_s": 0.0, "rate_hz": 50.0},
        {"window_s": 10.0, "rate_hz": 50.0, "duty": 1.5},
    ],
)
def test_what_can_be_no_load_is_refused(wrong: dict[str, object]):
    with pytest.raises(ValueError, match=r"give|must"):
        rhythm_error(model(source(0.02, 0.01)), **wrong)  # type: ignore[arg-type]


def test_a_model_comes_back_from_its_document_and_a_wrong_one_is_refused_with_its_place():
    one = model(source(0.02, 0.01, weights=(0.5, 0.5)), source(None, 0.0, name="all"))
    assert read_sensor_model(one.as_json(), "model.json") == one
    with pytest.raises(PlanError, match="rhythm_s"):
        read_sensor_model(one.as_json().replace('"rhythm_s": 0.02', '"rhythm_s": -1'), "model.json")


def test_the_source_behind_a_column_is_found_by_quantity_and_call():
    one = model(source(0.02, 0.01))
    assert one.of_quantity("power_w") is not None
    assert one.of_quantity("energy_j") is None
