"""Tables of a plan about the night as a whole: its hours and limits, sentinels, retries, notifications."""

from __future__ import annotations

from datetime import time
from typing import Annotated, Any, ClassVar, Literal

from pydantic import (
    BeforeValidator,
    Field,
    model_validator,
)

from harness.plan.parts import Part


class Sentinels(Part):
    """Table ``[sentinels]``: the reference cell measured again and again, to watch the rig's drift."""

    APART: ClassVar[str] = "*"

    every: int = Field(
        ge=2, description="one sentinel after so many repeats; also first and last of the night"
    )
    title: str | None = Field(default=None, description="its title; default: the first of the plan")
    setting: str | None = Field(default=None, description="its setting; default: the title's first")
    correct_drift: bool = Field(
        default=False, description="also compare with the drift taken out; both are shown side by side"
    )


class Limits(Part):
    """Table ``[limits]``: a safety stop restores the factory state and ends the night (exit 5)."""

    APART: ClassVar[str] = "*"

    core_temp_c: float | None = Field(default=None, ge=30, le=120)
    hotspot_temp_c: float | None = Field(default=None, ge=30, le=130)
    memory_temp_c: float | None = Field(default=None, ge=30, le=130)
    power_w: float | None = Field(default=None, gt=0)
    unwatched: Literal["refuse", "accept"] = Field(
        default="refuse",
        description="a limit whose quantity is not read: start no title, or go on without it",
    )
    wait_for_readings_s: float = Field(
        default=1800, gt=0, description="longest wait, between attempts, for a limited quantity that was lost"
    )
    night_ends_after_s: float | None = Field(default=None, gt=0)


def _time_of_day(value: Any) -> Any:
    """TOML's own local time, as 23:00:00, is a time of day as well as text is."""
    if isinstance(value, time) and value.tzinfo is None and not (value.second or value.microsecond):
        return f"{value:%H:%M}"
    return value


TimeOfDay = Annotated[str, BeforeValidator(_time_of_day), Field(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]


class Night(Part):
    """Table ``[night]``: the hours in which the campaign may measure, by the local time of day.

    With both keys the campaign waits between its nights, with the card in its factory state.
    """

    APART: ClassVar[str] = "*"

    starts_at: TimeOfDay | None = Field(default=None, description="measure from then on, as 23:00")
    ends_at: TimeOfDay | None = Field(default=None, description="measure no longer, as 07:00")

    @model_validator(mode="after")
    def _some_time(self) -> Night:
        if self.starts_at is not None and self.starts_at == self.ends_at:
            raise ValueError("starts_at and ends_at are the same; leave both out to measure all day")
        return self


class Retries(Part):
    """Table ``[retries]``: bounds for what is worth trying again."""

    APART: ClassVar[str] = "*"

    attempts_per_repeat: int = Field(default=3, ge=1, le=20)
    launch_tries: int = Field(default=2, ge=1, le=10)
    sensor_tries: int = Field(default=3, ge=1, le=10)
    set_aside_after_crashes: int = Field(default=2, ge=1, description="of one title under one profile")
    set_aside_after_machine_crashes: int = Field(
        default=2, ge=1, description="under one profile, whatever title"
    )


class Notify(Part):
    """Table ``[notify]``: who is told how the night goes. Addresses are secrets and not for a plan."""

    APART: ClassVar[str] = "*"

    command: list[str] = Field(default_factory=list, description="run for each message, given as JSON")
    addresses_file: str | None = Field(
        default=None, description="file with one Apprise address a line; default: variable LEVELRIG_NOTIFY"
    )
    on: list[Literal["end", "stop", "unstable-profile", "restart"]] = Field(
        default=["end", "stop", "unstable-profile", "restart"], description="what is told"
    )
    alive_every_s: float | None = Field(
        default=None, ge=60, description="also tell this often that the run is still alive, and when it ends"
    )
