"""The model of a card's power sensors, as measured and as kept: one JSON document by card and driver.

Each source publishes a reading every ``refresh_s``. A reading is the mean of looks ``rhythm_s`` apart, each
of which averages over ``look_s``; what lies between two looks is not seen.
"""

from __future__ import annotations

import json
from typing import Final, Literal

from pydantic import Field, model_validator

from harness.plan.documents import parse_json, read_model
from harness.plan.parts import Part

#: Of the document; a later one that says less or other things gets another.
FORMAT: Final = 1

SourceKind = Literal["counter", "reading", "buffer"]


class SourceModel(Part):
    """How one source of power sees a load that goes on and off."""

    name: str = Field(min_length=1, description="in a person's words: energy counter, instant reading")
    kind: SourceKind = Field(
        description="counter: energy that adds up; reading: power; buffer: a driver's own list"
    )
    quantity: str = Field(description="as in the telemetry: energy_j, power_average_w, power_w")
    source: str = Field(description="the driver's call or file")
    refresh_s: float = Field(gt=0, description="a new value so often")
    rhythm_s: float | None = Field(gt=0, description="it looks so often; null: it sees all of the time")
    rhythm_u: float = Field(default=0.002, ge=0, le=0.5, description="standard uncertainty of it, as a share")
    look_s: float = Field(ge=0, description="a look averages over so long")
    lag_s: float = Field(
        default=0.0, ge=0, description="time constant of what smooths the power before it is looked at"
    )
    assumed: bool = Field(
        default=False,
        description="its looks were not seen: those of the card's fastest source are assumed",
    )
    weights: tuple[float, ...] = Field(
        default=(), description="of the looks that come round in one refresh, where they are not alike"
    )
    span_s: float = Field(ge=0, description="a value averages over so long in all")
    delay_s: float = Field(description="from the middle of what a value averages to its appearance")
    scatter: float = Field(default=0.0, ge=0, description="what the model left open, as a share of the swing")
    explained: float = Field(
        default=1.0, ge=0, le=1, description="share of the variance that the model explains"
    )
    worst: float | None = Field(
        default=None,
        ge=0,
        description="largest error that was measured on the ladder, as a share of the swing",
    )

    @model_validator(mode="after")
    def _fits(self) -> SourceModel:
        if self.weights and (self.rhythm_s is None or abs(sum(self.weights) - 1) > 1e-3):
            raise ValueError("weights are of looks and add up to 1")
        return self

    @property
    def round_s(self) -> float | None:
        """Time after which its looks repeat; None where it sees all."""
        return None if self.rhythm_s is None else self.rhythm_s * max(1, len(self.weights))


class Rung(Part):
    """One load of the ladder. Errors are shares of the swing: power under load less that between loads."""

    kind: Literal["locked", "ladder"]
    asked_hz: float
    rate_hz: float = Field(description="as achieved")
    jitter: float = Field(description="standard deviation of a period, as a share of it")
    duty: float
    seconds: float
    mean_w: dict[str, float] = Field(description="by source")
    bound: dict[str, float] = Field(description="by source: largest error that the model lets expect")
    error: dict[str, float] = Field(
        default_factory=dict, description="by source: against what unlocked loads of all duties agree on"
    )


class PowerSensorModel(Part):
    """What ``levelrig doctor --power`` found out about a card.

    ``off_w`` and ``on_w`` are the card's power between and under the loads that it was measured with.
    """

    format: Literal[1] = FORMAT
    card: str = Field(min_length=1, description="model of the card")
    driver_version: str
    measured_utc: str = Field(description="ISO 8601")
    off_w: float = Field(ge=0)
    on_w: float = Field(gt=0)
    load: str = Field(default="", description="what worked")
    sources: tuple[SourceModel, ...]
    silent: tuple[str, ...] = Field(
        default=(), description="sources whose values told too little of the load"
    )
    rungs: tuple[Rung, ...] = ()

    def of_quantity(self, quantity: str, source: str = "") -> SourceModel | None:
        """The source behind a column of the telemetry; where several may be, the one of that call or file."""
        found = [one for one in self.sources if one.quantity == quantity]
        exact = [one for one in found if source and (one.source in source or source in one.source)]
        return next(iter(exact or (found if not source or len(found) == 1 else [])), None)

    def as_json(self) -> str:
        """The document."""
        return json.dumps(self.model_dump(mode="json"), indent=1) + "\n"


def read_sensor_model(text: str, where: str) -> PowerSensorModel:
    """A document back. Raises PlanError with the place of what is wrong."""
    return read_model(PowerSensorModel, parse_json(text, where), where)
