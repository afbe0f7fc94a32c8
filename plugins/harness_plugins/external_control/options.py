"""Plan keys of a profile that the user's own commands set."""

from __future__ import annotations

from typing import ClassVar, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from harness.guard.times import LONGEST_COMMAND_S
from harness.patterns import check_pattern
from harness.tables import QUANTITIES


class Bounds(BaseModel):
    """Where the median of a quantity must lie under load."""

    APART: ClassVar[str] = "*"

    model_config = ConfigDict(frozen=True, defer_build=True, extra="forbid", allow_inf_nan=False)

    at_least: float | None = Field(None, description="in the quantity's unit")
    at_most: float | None = Field(None, description="in the quantity's unit")

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.at_least is None and self.at_most is None:
            raise ValueError("give at_least, at_most or both")
        if self.at_least is not None and self.at_most is not None and self.at_least > self.at_most:
            raise ValueError("at_least is above at_most")
        return self


class CommandControlOptions(BaseModel):
    """Plan keys of ``control = "command"``. Commands are lists of words, run without a shell."""

    BEARS: ClassVar[str] = "apply"
    APART: ClassVar[str] = "restore verify verify_line restored_line under_load timeout_s"

    model_config = ConfigDict(frozen=True, defer_build=True, extra="forbid", allow_inf_nan=False)

    apply: list[str] = Field(min_length=1, description="sets the profile, from the factory state")
    restore: list[str] = Field(
        min_length=1, description="puts the factory state back; must be safe to repeat"
    )
    verify: list[str] | None = Field(
        None, min_length=1, description="reads the setting back; it is right if this ends with exit code 0 …"
    )
    verify_line: str | None = Field(
        None, description="… and prints a line that this regular expression matches"
    )
    restored_line: str | None = Field(
        None,
        description="after the restore, verify prints a line that this matches: proof of the factory state",
    )
    under_load: dict[str, Bounds] = Field(
        default_factory=dict, description="quantity -> where its median must lie in the first seconds of load"
    )
    timeout_s: float = Field(
        60.0, gt=0, le=LONGEST_COMMAND_S, description="a command that takes longer is ended: refused"
    )

    @field_validator("verify_line", "restored_line")
    @classmethod
    def _check_pattern(cls, value: str | None) -> str | None:
        return None if value is None else check_pattern(value)

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.verify is None and not self.under_load:
            raise ValueError("give verify or under_load: that apply ended well does not prove the setting")
        if self.verify_line is not None and self.verify is None:
            raise ValueError("verify_line needs verify")
        if self.restored_line is not None and self.verify is None:
            raise ValueError("restored_line needs verify")
        unknown = sorted(set(self.under_load) - set(QUANTITIES))
        if unknown:
            raise ValueError(f"under_load: there is no quantity {', '.join(unknown)}")
        return self
