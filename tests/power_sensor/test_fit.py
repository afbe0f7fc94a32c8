"""Sensors of known ways are found again from what they say: rhythm, look, lag and delay, or none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from harness.power_sensor.course import Course
from harness.power_sensor.fit import Fitted, fit_source
from harness.power_sensor.model import SourceModel
from harness.power_sensor.program import recognise
from harness.power_sensor.readings import Recorded, would_say

OFF_W, ON_W, BEGIN_S = 140.0, 420.0, 100.0
PROGRAM = recognise(0.42, seed=3)
COURSE = Course(BEGIN_S + PROGRAM.begin_s, BEGIN_S + PROGRAM.begin_s + PROGRAM.length_s)
(IRREGULAR,) = (stretch for stretch in PROGRAM.stretches if stretch.name == "irregular")


def truth(kind: str, refresh_s: float, rhythm_s: float | None, look_s: float, **more: float) -> SourceModel:
    return SourceModel.model_validate(
        {
            "name": "meter", "kind": kind, "quantity": "power_w", "source": "call", "refresh_s": refresh_s,
            "rhythm_s": rhythm_s, "look_s": look_s, "span_s": refresh_s, "delay_s": 0.06, **more,
        }
    )  # fmt: skip


def recorded(source: SourceModel, poll_s: float = 0.003, noise_w: float = 1.5, seed: int = 1) -> Recorded:
    """What somebody who asks every ``poll_s`` sees of it, with noise."""
    rng = np.random.default_rng(seed)
    until_s = BEGIN_S + PROGRAM.seconds
    times_s, values = would_say(source, COURSE, BEGIN_S, until_s, OFF_W, ON_W, float(rng.random()))
    values = values + rng.normal(0, 0.1 * noise_w if source.kind == "counter" else noise_w, len(values))
    seen_s = times_s + rng.random(len(times_s)) * poll_s
    found = Recorded("meter", source.kind, "power_w", "call", seen_s, seen_s - poll_s, values)
    return found.within(BEGIN_S + IRREGULAR.begin_s, BEGIN_S + IRREGULAR.end_s)


def found(source: SourceModel, **how: float) -> Fitted:
    fitted = fit_source(recorded(source, **how), COURSE)  # type: ignore[arg-type]
    assert fitted is not None
    return fitted


@pytest.mark.parametrize(
    ("rhythm_ms", "look_ms"),
    [
        (20.0, 11.5),
        pytest.param(10.0, 3.0, marks=pytest.mark.endurance),
        pytest.param(100.0 / 3, 6.0, marks=pytest.mark.endurance),
        (100.0, 25.0),
    ],
)
def test_a_counters_rhythm_is_found_within_two_percent(rhythm_ms: float, look_ms: float):
    fitted = found(truth("counter", 0.1, rhythm_ms / 1e3, look_ms / 1e3))
    assert fitted.model.rhythm_s == pytest.approx(rhythm_ms / 1e3, rel=0.02)
    assert fitted.model.look_s == pytest.approx(look_ms / 1e3, rel=0.2)
    assert fitted.model.delay_s == pytest.approx(0.06, abs=0.004)
    assert (fitted.off_w, fitted.on_w) == (pytest.approx(OFF_W, abs=6), pytest.approx(ON_W, abs=6))


@pytest.mark.parametrize(
    "rhythm_s", [0.02, *(pytest.param(other_s, marks=pytest.mark.endurance) for other_s in (0.007, 0.1))]
)
def test_a_single_look_behind_a_lag_is_told_apart_from_a_longer_look(rhythm_s: float):
    fitted = found(truth("buffer", rhythm_s, rhythm_s, 0.004, span_s=0.004, delay_s=0.005, lag_s=0.0135))
    assert fitted.model.rhythm_s == pytest.approx(rhythm_s, rel=0.02)
    assert fitted.model.lag_s == pytest.approx(0.0135, rel=0.1)
    assert fitted.model.look_s == pytest.approx(0.004, abs=0.002)
    assert fitted.model.delay_s == pytest.approx(0.005, abs=0.003)


def test_a_counter_that_sees_all_has_no_rhythm():
    fitted = found(truth("counter", 0.1, None, 0.1, lag_s=0.01))
    assert fitted.model.rhythm_s is None
    assert fitted.model.delay_s == pytest.approx(0.06, abs=0.006)


def test_an_average_over_a_second_keeps_its_span_and_delay():
    fitted = found(truth("reading", 0.1, None, 1.0, span_s=1.0, delay_s=0.52), noise_w=0.5)
    assert fitted.model.span_s == pytest.approx(1.0, rel=0.05)
    assert fitted.model.delay_s == pytest.approx(0.52, abs=0.03)


def test_a_buffer_whose_stamps_jump_about_still_has_its_rhythm():
    source = truth("buffer", 0.02, 0.02, 0.004, span_s=0.004, delay_s=0.005)
    seen = recorded(source)
    # The pattern of a real driver: of five stamps one is 3 ms late, another 10 ms.
    late_s = np.tile([0.0, 0.0, 0.003, 0.0, 0.010], len(seen.seen_s))[: len(seen.seen_s)]
    jumping = replace(seen, seen_s=seen.seen_s + late_s, before_s=seen.seen_s + late_s)
    fitted = fit_source(jumping, COURSE)
    assert fitted is not None
    assert fitted.model.rhythm_s == pytest.approx(0.02, rel=0.005)


def test_values_that_follow_no_load_give_no_model():
    seen = recorded(truth("counter", 0.1, 0.02, 0.01))
    noise_j = np.random.default_rng(4).normal(15, 3, len(seen.value))
    assert fit_source(replace(seen, value=np.cumsum(noise_j)), COURSE) is None
    assert fit_source(replace(seen, value=np.arange(len(seen.value)) * 15.0), COURSE) is None
    assert fit_source(seen.within(0.0, 1.0), COURSE) is None
