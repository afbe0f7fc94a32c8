"""Which column of a frame log holds what: the user's own mapping, validated once.

A log is read by this mapping alone; no program's header names are known here. In a plan these keys stand
in a title's ``frame_log`` table; ``levelrig map FILE`` proposes them from the numbers in a file.
"""

from __future__ import annotations

import codecs
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Unit = Literal["s", "ms", "us", "ns", "ticks"]
TimeUnit = Literal[Unit, "date-time", "clock"]
_UNITS_PER_S: dict[str, float] = {"s": 1.0, "ms": 1e3, "us": 1e6, "ns": 1e9}
#: Delimiter of columns that are aligned by runs of blanks.
SPACES = "spaces"
_NAMED_DELIMITERS = {"tab": "\t", "comma": ",", "semicolon": ";", "space": " ", "bar": "|"}
#: What a flag column says for yes and for no, in lower case.
TRUE_WORDS = ["1", "true", "yes"]
FALSE_WORDS = ["", "0", "false", "no", "n", "f", "off", "none", "null", "nan", "na", "n/a", "-"]


@dataclass(frozen=True)
class Scale:
    """Units in a second. Divides where it can, so that 16667 µs is exactly 16.667 ms."""

    units_per_s: float

    def s(self, value: NDArray[np.float64]) -> NDArray[np.float64]:
        """In seconds."""
        return value / self.units_per_s

    def ms(self, value: NDArray[np.float64]) -> NDArray[np.float64]:
        """In milliseconds; a new array only where something changes."""
        if self.units_per_s == 1e3:
            return value
        return value * 1e3 if self.units_per_s == 1.0 else value / (self.units_per_s / 1e3)


class ColumnMapping(BaseModel):
    """The options of the frame-log reader ``columns``.

    A column is named by its heading, or by ``#3`` for the third one (headings that are missing or double).
    At least one of the three quantities must be mapped; where both an interval and a time are, frame times
    come from the interval and the place on the time axis from the time.
    """

    BEARS: ClassVar[str] = "*"

    model_config = ConfigDict(frozen=True, defer_build=True, extra="forbid", allow_inf_nan=False)

    interval_column: str | None = Field(
        default=None, description="column with the time from the frame before to this one"
    )
    presentation_time_column: str | None = Field(
        default=None, description="column with the time at which the frame was shown (its end)"
    )
    start_time_column: str | None = Field(
        default=None, description="column with the time at which work on the frame began"
    )
    unit: Unit = Field(default="ms", description="unit of the mapped columns: s, ms, us, ns or ticks")
    time_unit: TimeUnit | None = Field(
        default=None,
        description="unit of the time column where it differs from the interval's; 'date-time' for date "
        "and time of day (ISO 8601), 'clock' for a time of day",
    )
    ticks_per_s: float | None = Field(default=None, gt=0, description="frequency of the unit 'ticks', 1/s")
    clock: Literal["log", "rig"] = Field(
        default="log",
        description="'rig' when the time column is this machine's monotonic clock (on Windows its "
        "performance counter), else 'log'",
    )
    format: Literal["auto", "csv", "parquet", "jsonl"] = Field(
        default="auto", description="file format; auto decides by the file's first bytes"
    )
    rows_key: str | None = Field(
        default=None,
        min_length=1,
        description="key of the array of rows in a JSON document that holds several; a.b for b inside a",
    )
    delimiter: str = Field(
        default=",",
        description="between fields: one character, or tab, comma, semicolon, space, bar; "
        "spaces for columns aligned by blanks",
    )
    decimal: Literal[".", ","] = Field(default=".", description="decimal sign")
    thousands: Literal[",", ".", " ", "'", "_"] | None = Field(
        default=None, description="sign between thousands of a number"
    )
    encoding: str = Field(default="utf-8", description="text encoding; a byte-order mark overrules it")
    header: bool = Field(default=True, description="whether the first line names the columns")
    skip_rows: int = Field(default=0, ge=0, description="lines to skip before the header")
    comment: str | None = Field(
        default=None, min_length=1, max_length=8, description="lines that begin with this are ignored"
    )
    filter_column: str | None = Field(
        default=None, description="column that tells several processes in one log apart"
    )
    filter_value: str | list[str] | None = Field(default=None, description="value(s) of the rows to use")
    dropped_column: str | None = Field(
        default=None,
        description="column that flags frames which were never shown; their time counts to the next one",
    )
    dropped_values: list[str] = Field(default=TRUE_WORDS, description="values that mean: not shown")
    generated_column: str | None = Field(
        default=None, description="column that flags frames which were interpolated, not rendered"
    )
    generated_values: list[str] = Field(default=TRUE_WORDS, description="values that mean: interpolated")
    generated_frames: Literal["leave-out", "count"] = Field(
        default="leave-out",
        description="what becomes of interpolated frames; left out, their time counts to the next frame",
    )
    keep_columns: list[str] = Field(default=[], description="further columns to keep beside the frame time")
    when_time_goes_back: Literal["stop", "sort", "first-run", "last-run"] = Field(
        default="stop",
        description="what to do when the time column runs backwards: stop with an error, sort the rows, or "
        "use only the rows before the first or after the last jump back",
    )
    damaged_rows_at_most_pct: float = Field(
        default=1.0, ge=0, le=100, description="share of unreadable rows above which the log is refused"
    )

    @field_validator("unit", "time_unit", mode="before")
    @classmethod
    def _plain_micro(cls, value: Any) -> Any:
        return "us" if value in ("µs", "μs") else value

    @field_validator("delimiter", mode="before")
    @classmethod
    def _one_character(cls, value: Any) -> Any:
        if not isinstance(value, str):
            return value  # its type is told
        value = _NAMED_DELIMITERS.get(value, value)
        if value == SPACES:
            return value
        if len(value) != 1 or not value.isascii() or value in '"\r\n':
            raise ValueError("give one character, or tab, comma, semicolon, space, bar, spaces")
        return value

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, value: str) -> str:
        try:
            codecs.lookup(value)
        except LookupError:
            raise ValueError(f"no encoding {value!r}; usual ones: utf-8, utf-16, latin-1, cp1252") from None
        return value

    @field_validator("filter_value", mode="before")
    @classmethod
    def _numbers_as_words(cls, value: Any) -> Any:
        if isinstance(value, list):
            return [str(v) if isinstance(v, int) else v for v in value]
        return str(value) if isinstance(value, int) else value

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.presentation_time_column and self.start_time_column:
            raise ValueError("map presentation_time_column or start_time_column, not both")
        if not (self.interval_column or self.time_column):
            raise ValueError(
                "map one of interval_column, presentation_time_column, start_time_column; "
                "'levelrig map FILE' proposes which"
            )
        if "ticks" in (self.unit, self.time_unit) and self.ticks_per_s is None:
            raise ValueError("the unit 'ticks' needs ticks_per_s")
        if (self.filter_column is None) != (self.filter_value is None):
            raise ValueError("filter_column and filter_value go together")
        if self.decimal == self.delimiter:
            raise ValueError("decimal and delimiter are the same sign; set the file's delimiter")
        if self.thousands == self.decimal:
            raise ValueError("thousands and decimal are the same sign; set the file's decimal")
        if self.thousands == " " and self.separator == " ":
            raise ValueError("thousands and delimiter are both blanks; numbers could not be told apart")
        if self.stamped and self.time_column is None:
            raise ValueError(f"time_unit = {self.time_unit!r} needs a time column")
        if self.stamped and self.clock == "rig":
            raise ValueError("clock = 'rig' needs a time column that counts, not dates or times of day")
        if self.clock == "rig" and self.time_column is None:
            raise ValueError("clock = 'rig' needs a time column; intervals carry no clock")
        return self

    @property
    def stamped(self) -> bool:
        """Whether the time column holds dates or times of day rather than numbers."""
        return self.time_unit in ("date-time", "clock")

    @property
    def separator(self) -> str:
        """The sign between fields, once runs of blanks are one."""
        return " " if self.delimiter == SPACES else self.delimiter

    @property
    def time_column(self) -> str | None:
        """The mapped time column, whichever end of the frame it marks."""
        return self.presentation_time_column or self.start_time_column

    @property
    def filter_values(self) -> tuple[str, ...]:
        """The wanted values of the filter column; empty for no filter."""
        if self.filter_value is None:
            return ()
        return (self.filter_value,) if isinstance(self.filter_value, str) else tuple(self.filter_value)

    @property
    def interval_scale(self) -> Scale:
        """Of the interval column."""
        return Scale(self._units_per_s(self.unit))

    @property
    def time_scale(self) -> Scale:
        """Of the time column."""
        return Scale(self._units_per_s(self.time_unit or self.unit))

    def _units_per_s(self, unit: TimeUnit) -> float:
        if unit in ("date-time", "clock"):
            return _UNITS_PER_S["ns"]
        if unit == "ticks":
            assert self.ticks_per_s is not None
            return self.ticks_per_s
        return _UNITS_PER_S[unit]

    def wanted_columns(self) -> dict[str, str]:
        """Column reference -> plan key that names it, for every column to read, in a fixed order."""
        wanted: dict[str, str] = {}
        for key in (
            "interval_column",
            "presentation_time_column",
            "start_time_column",
            "filter_column",
            "dropped_column",
            "generated_column",
        ):
            reference = getattr(self, key)
            if reference is not None:
                wanted.setdefault(reference, key)
        for reference in self.keep_columns:
            wanted.setdefault(reference, "keep_columns")
        return wanted
