"""One quantity out of one attribute file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from harness_plugins.hwmon.sysfs import read_number


@dataclass(frozen=True)
class Reader:
    """One quantity out of one file: ``number × factor``, in the quantity's unit.

    Attributes:
        period_s: How often the value can change; 0 where unknown.
        positive: A reading of 0 or below means that there is none (a limit that is off).
        note: What a person should know of it.
    """

    quantity: str
    path: Path
    factor: float
    period_s: float = 0.0
    positive: bool = False
    note: str = ""

    def read(self) -> float | None:
        number = read_number(self.path)
        if number is None or (self.positive and number <= 0):
            return None
        return number * self.factor

    @property
    def source(self) -> str:
        return f"hwmon {self.path.parent.name}/{self.path.name}"
