"""From a line of text to readings: formats, names, units, times."""

from __future__ import annotations

import csv
import json
import math
import re
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, ClassVar, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from harness.patterns import Pattern
from harness_plugins.stream.units import table_unit, to_table_unit

Fields = Mapping[str, str]
#: Reads the named fields of a line; None for a line that has none (a header, a remark). The second argument
#: says whether it is the first line of its file or program.
LineReader = Callable[[str, bool], Fields | None]

#: A name is tried from the start of its word only, so that garbage of any length costs linear time.
_PAIR = re.compile(r"(?<![\w./-])[\d./-]*([A-Za-z_][\w./-]*+)\s*+[=:]\s*+([-+]?[\d.,]+(?:[eE][-+]?\d+)?)")
_TIME_FACTORS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}


class Frozen(BaseModel):
    """Base of the option models."""

    model_config = ConfigDict(frozen=True, defer_build=True, extra="forbid", allow_inf_nan=False)


class NamedNumber(Frozen):
    """Where one quantity comes from."""

    BEARS: ClassVar[str] = "name unit scale add"

    name: str = Field(
        min_length=1, description="its name in the line; in a CSV its heading, or #3 for the third"
    )
    unit: str = Field("", description="its unit there; default: the quantity's own")
    scale: float = Field(1.0, description="correction by calibration: multiplied with this")
    add: float = Field(0.0, description="correction by calibration: this is added, in the quantity's unit")


class TimeField(Frozen):
    """Where a line's own time comes from."""

    BEARS: ClassVar[str] = "name unit clock"

    name: str = Field(min_length=1, description="its name in the line")
    unit: Literal["s", "ms", "us", "ns", "iso"] = Field(
        "s", description="unit of the number, or iso for a date and time as in ISO 8601"
    )
    clock: Literal["rig", "utc"] = Field(
        "utc",
        description="rig: this machine's monotonic clock; utc: wall clock, seconds since 1970 for numbers",
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.unit == "iso" and self.clock == "rig":
            raise ValueError("a date and time is wall clock; set clock = 'utc'")
        return self


class Readings(Frozen):
    """Options that every line sensor shares."""

    BEARS: ClassVar[str] = "quantities time delay_s decimal"
    APART: ClassVar[str] = "period_s stale_after_s"

    quantities: dict[str, NamedNumber] = Field(
        min_length=1, description="quantity -> name and unit in the line"
    )
    time: TimeField | None = Field(
        None, description="the line's own time; default: a line tells of the moment at which it arrives"
    )
    period_s: float = Field(1.0, gt=0, le=600, description="usual time from line to line")
    delay_s: float = Field(
        0.0,
        ge=0,
        le=60,
        description="how late a line arrives; readings are put back by this much on the rig's clock",
    )
    stale_after_s: float | None = Field(
        None, gt=0, description="a reading older than this is none; default: three periods"
    )
    decimal: Literal[".", ","] = Field(".", description="decimal sign")

    @model_validator(mode="after")
    def _check_units(self) -> Self:
        for quantity, field in self.quantities.items():
            try:
                to_table_unit(quantity, field.unit or table_unit(quantity))
            except ValueError as error:
                raise ValueError(f"quantities.{quantity}: {error}") from error
        return self

    @property
    def longest_age_s(self) -> float:
        """Age at which a reading counts as none."""
        return self.stale_after_s if self.stale_after_s is not None else 3 * self.period_s


def values_of(fields: Fields, options: Readings) -> dict[str, float]:
    """The line's readings in the units of the telemetry table; what is no number is left out."""
    found = {}
    for quantity, field in options.quantities.items():
        number = _number(fields.get(field.name), options.decimal)
        if number is not None:
            factor, addend = to_table_unit(quantity, field.unit or table_unit(quantity))
            found[quantity] = (number * factor + addend) * field.scale + field.add
    return found


def time_of(fields: Fields, options: Readings, utc_minus_rig_s: float) -> float | None:
    """The line's own time on the rig's clock, s; None where it has none.

    Args:
        utc_minus_rig_s: Wall clock, as seconds since 1970, less the rig's clock at this moment.
    """
    time = options.time
    text = fields.get(time.name) if time is not None else None
    if time is None or text is None:
        return None
    if time.unit == "iso":
        try:
            moment = datetime.fromisoformat(text.strip())
        except ValueError:
            return None
        return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp() - utc_minus_rig_s
    number = _number(text, options.decimal)
    if number is None:
        return None
    return number * _TIME_FACTORS[time.unit] - (utc_minus_rig_s if time.clock == "utc" else 0.0)


def _number(text: str | None, decimal: str) -> float | None:
    if text is None:
        return None
    try:
        number = float(text.strip().replace(",", ".") if decimal == "," else text)
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def read_pairs(line: str, first: bool = False) -> Fields | None:
    """``P=123.4 T: 21.5``: names with numbers, whatever stands between."""
    return dict(_PAIR.findall(line)) or None


def read_json(line: str, first: bool = False) -> Fields | None:
    """An object on one line; nested names are joined by dots: ``card.power``."""
    try:
        value = json.loads(line)
    except ValueError:
        return None
    return dict(_flat(value, "")) if isinstance(value, dict) else None


def _flat(value: Any, name: str) -> list[tuple[str, str]]:
    if isinstance(value, dict):
        return [
            pair for key, part in value.items() for pair in _flat(part, f"{name}.{key}" if name else str(key))
        ]
    if isinstance(value, bool) or value is None or isinstance(value, list):
        return []
    return [(name, str(value))]


def pattern_reader(pattern: str) -> LineReader:
    """A pattern whose named groups are the names."""
    compiled = Pattern(pattern)

    def read(line: str, first: bool = False) -> Fields | None:
        match = compiled.search(line)
        return None if match is None else match.named

    return read


class CsvReader:
    """Rows of a CSV. The first row names the columns unless names are given; ``#3`` is the third anyway."""

    def __init__(self, delimiter: str, columns: Sequence[str] | None = None) -> None:
        self._delimiter = delimiter
        self._named = columns is None
        self._columns = list(columns or ())

    def __call__(self, line: str, first: bool = False) -> Fields | None:
        row = next(csv.reader([line], delimiter=self._delimiter), [])
        if first and self._named:
            self._columns = [name.strip().removeprefix("\ufeff") for name in row]
            return None
        fields = {f"#{number}": cell for number, cell in enumerate(row, 1)}
        return fields | dict(zip(self._columns, row, strict=False))
