"""Plan keys of the control ``amdgpu``."""

from __future__ import annotations

from typing import ClassVar

from pydantic import BaseModel, ConfigDict, Field

from harness.plan.schema import ProfileSpec


class AmdgpuOptions(BaseModel):
    """Plan keys of ``control = "amdgpu"``. What is left out is as the maker set it."""

    BEARS: ClassVar[str] = "*"

    model_config = ConfigDict(frozen=True, defer_build=True, extra="forbid", allow_inf_nan=False)

    power_limit_w: int | None = Field(
        None,
        gt=0,
        description="power cap of the card; of a processor with graphics, that of the whole package",
    )
    core_clock_ceiling_mhz: int | None = Field(None, gt=0, description="highest engine clock")
    core_clock_offset_mhz: int | None = Field(
        None,
        ge=-1000,
        le=0,
        description="offset of the engine's clock, for cards that have no ceiling; lower only",
    )
    memory_clock_ceiling_mhz: int | None = Field(
        None, gt=0, description="highest memory clock, as the driver counts it (half the effective one)"
    )
    voltage_offset_mv: int | None = Field(
        None, ge=-300, le=0, description="offset of the engine's voltage; lower only"
    )
    card: str | None = Field(
        None, description="PCI address of the card, as 0000:03:00.0; the same as card under [rig]"
    )

    def table_keys(self) -> dict[str, int]:
        """Keys that are set through the card's tuning table, with their values."""
        keys = (
            "core_clock_ceiling_mhz",
            "core_clock_offset_mhz",
            "memory_clock_ceiling_mhz",
            "voltage_offset_mv",
        )
        return {key: value for key in keys if (value := getattr(self, key)) is not None}

    @property
    def uses_table(self) -> bool:
        """Whether any key is set through the tuning table."""
        return bool(self.table_keys())


def options_of(profile: ProfileSpec) -> AmdgpuOptions:
    """The profile's keys, as this control understands them."""
    return AmdgpuOptions.model_validate(profile.options)
