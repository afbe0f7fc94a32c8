"""A title whose cap meets the rhythm of the card's power sensor is named before the night."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pytest

from harness.before_night.power_rhythm import rhythm_needs
from harness.plan.documents import parse_toml
from harness.plan.schema import Plan
from harness.power_sensor.caps import met_by, other_caps
from harness.power_sensor.model import PowerSensorModel, SourceModel
from harness.rig import RigFacts

SOURCE = SourceModel(
    name="energy counter", kind="counter", quantity="energy_j", source="call", refresh_s=0.1, rhythm_s=0.02,
    look_s=0.0115, span_s=0.1, delay_s=0.06,
)  # fmt: skip
MODEL = PowerSensorModel(
    card="Levelrig Model Card", driver_version="1", measured_utc="2031-01-01T00:00:00Z", off_w=140, on_w=420,
    sources=(SOURCE,),
)  # fmt: skip
PLAN = """
[plan]
question = "Is it the same?"
repeats = 2
reference = "factory"
[[profiles]]
name = "factory"
control = "factory"
[[profiles]]
name = "same"
control = "factory"
[[titles]]
name = "harbour"
workload = "scene"
measure_s = 30
options = { scene = "tarn-ridge" CAP }
"""


@dataclass
class Told:
    """A rig that only tells who it is."""

    facts_: dict[str, dict[str, Any]] = field(default_factory=dict)

    def facts(self) -> RigFacts:
        return RigFacts("rig", "boot", self.facts_)


def plan(cap: str) -> Plan:
    return Plan.model_validate(parse_toml(PLAN.replace("CAP", cap), "plan"))


@pytest.mark.parametrize(("cap_fps", "meets"), [(50.0, True), (100.0, True), (57.0, False), (47.0, False)])
def test_only_a_cap_on_the_rhythm_meets_it(cap_fps: float, meets: bool):
    assert bool(met_by(MODEL, cap_fps, 30.0)) is meets


def test_a_window_that_can_not_tell_rates_apart_makes_more_caps_meet_it():
    assert not met_by(MODEL, 50.4, 100.0)
    assert met_by(MODEL, 50.4, 1.0)


def test_the_caps_that_are_offered_meet_no_rhythm():
    for other in other_caps(MODEL, 50.0, 30.0, [SOURCE]):
        assert other != 50
        assert not met_by(MODEL, other, 30.0)


def test_check_names_the_source_how_far_it_can_be_off_and_what_to_do():
    rig = Told({"power_sensor": MODEL.model_dump(mode="json")})
    (need,) = rhythm_needs(plan(", frame_cap_fps = 50"), rig)  # type: ignore[arg-type]
    assert need.path == ("titles", 0, "frame_cap_fps")
    assert need.state == "doubtful"
    assert "energy counter (looks every 20.0 ms) by up to" in need.what
    assert need.remedy.startswith("a cap of 49 or 51 does not; or")


def test_nothing_is_claimed_without_a_cap_a_model_or_a_meeting():
    known = Told({"power_sensor": MODEL.model_dump(mode="json")})
    assert not list(rhythm_needs(plan(""), known))  # type: ignore[arg-type]
    assert not list(rhythm_needs(plan(", frame_cap_fps = 57"), known))  # type: ignore[arg-type]
    assert not list(rhythm_needs(plan(", frame_cap_fps = 50"), Told()))  # type: ignore[arg-type]
