"""Plan keys of the sensor and the control ``nvml``."""

from __future__ import annotations

from typing import ClassVar

from pydantic import Field

from harness.plan.parts import Part


class NvmlSensorOptions(Part):
    """Keys of a ``[[sensors]]`` entry with ``kind = "nvml"``."""

    BEARS: ClassVar[str] = "*"

    card_index: int = Field(default=0, ge=0, description="which card, by the driver's order of the moment")
    card: str | None = Field(default=None, description="which card; the same as card under [rig]")


class NvmlProfile(Part):
    """Keys of a profile with ``control = "nvml"``. What is not given stays as the maker set it."""

    BEARS: ClassVar[str] = "*"

    card_index: int = Field(default=0, ge=0, description="which card, by the driver's order of the moment")
    card: str | None = Field(default=None, description="which card; the same as card under [rig]")
    power_limit_w: float | None = Field(default=None, gt=0, description="power limit of the card")
    core_clock_ceiling_mhz: int | None = Field(default=None, gt=0, description="highest core clock allowed")
    core_clock_floor_mhz: int | None = Field(
        default=None, gt=0, description="lowest core clock wanted; only together with a ceiling"
    )
    memory_clock_ceiling_mhz: int | None = Field(
        default=None, gt=0, description="highest memory clock allowed; one of the card's own steps"
    )
    core_clock_offset_mhz: int | None = Field(
        default=None,
        description="shift of the core's curve of clock over voltage; positive lowers the voltage",
    )
    memory_clock_offset_mhz: int | None = Field(default=None, description="shift of the memory clock")

    def changes(self) -> bool:
        """Whether anything is asked for at all."""
        return any(v is not None for k, v in self.model_dump().items() if k not in ("card", "card_index"))
