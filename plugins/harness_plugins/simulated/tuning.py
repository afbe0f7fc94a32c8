"""What a profile's keys mean to the simulated rig."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from pydantic import Field

from harness.plan.parts import Part


class Tuning(Part):
    """What a profile does to the card and to the title's process; null: as in the factory state."""

    power_limit_w: float | None = Field(default=None, gt=0)
    power_limit_pct: float | None = Field(default=None, gt=0, description="of the factory limit")
    core_clock_ceiling_mhz: float | None = Field(default=None, gt=0)
    core_clock_offset_mhz: float = Field(default=0.0, ge=-1000, le=1000)
    memory_clock_offset_mhz: float = Field(default=0.0, ge=-3000, le=3000)
    voltage_offset_mv: float = Field(default=0.0, ge=-400, le=100)
    fan_pct: float | None = Field(default=None, ge=0, le=100, description="fixed fan command")
    thread_count: int | None = Field(default=None, ge=1)


class TuningOptions(Tuning):
    """Keys of a profile with ``control = "simulated"``."""

    BEARS: ClassVar[str] = "*"


def tuning_of(options: Mapping[str, Any]) -> Tuning:
    """Read a profile's keys, of whatever control; keys that mean nothing to the model are left out.

    Raises:
        ValueError: A key has a value that can't be.
    """
    known = {key: value for key, value in options.items() if key in Tuning.model_fields and value is not None}
    affinity = options.get("affinity")
    if "thread_count" not in known and isinstance(affinity, list | tuple) and affinity:
        known["thread_count"] = len(affinity)
    return Tuning.model_validate(known)
