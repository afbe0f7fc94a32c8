"""What every table of a plan is built from: strict, frozen, with a home for the keys of plugins."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    model_validator,
)

#: A limit, or false for none (TOML has no null).
Threshold = Annotated[float | None, BeforeValidator(lambda value: None if value is False else value)]
#: The same as a whole number.
Bound = Annotated[int | None, BeforeValidator(lambda value: None if value is False else value)]
#: Context of a validation that reads a plan as it was kept, by an earlier version perhaps.
KEPT = "kept"
Name = Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=48)


class Part(BaseModel):
    """Base of every plan table: frozen, no unknown keys, no NaN."""

    model_config = ConfigDict(frozen=True, defer_build=True, extra="forbid", allow_inf_nan=False)


class OpenPart(Part):
    """A table whose unknown keys belong to a plugin; they are collected in ``options``.

    Attributes:
        options: The plugin's keys, defaults filled in.
        stated: Of these, what bears on a measurement and is not at its default; None where the plan was read
            without its plugins.
        apart: Paths of the options that do not bear (:mod:`harness.plan.bearing`).
        base: Folder of the plan's file, where its relative paths are looked for first
            (:mod:`harness.programs`); None where the plan is no file.
    """

    options: dict[str, Any] = Field(default_factory=dict)
    stated: dict[str, Any] | None = Field(default=None, exclude=True)
    apart: tuple[tuple[str, ...], ...] = Field(default=(), exclude=True)
    base: Path | None = Field(default=None, exclude=True)

    @model_validator(mode="before")
    @classmethod
    def _collect_options(cls, data: Any) -> Any:
        if not isinstance(data, dict) or "options" in data:
            return data
        known = {key: value for key, value in data.items() if key in cls.model_fields}
        options = {key: value for key, value in data.items() if key not in cls.model_fields}
        return {**known, "options": options}
