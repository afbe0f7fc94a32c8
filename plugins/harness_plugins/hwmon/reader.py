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


@dataclass(frozen=True)
class HottestReader:
    """The highest of several files of one quantity."""

    paths: tuple[Path, ...]
    quantity: str
    factor: float
    period_s: float = 0.0
    note: str = ""

    @property
    def path(self) -> Path:
        return self.paths[0]

    @property
    def source(self) -> str:
        names = [path.name for path in self.paths]
        return f"hwmon {self.path.parent.name}/{names[0] if len(names) == 1 else f'highest of {len(names)}'}"

    def read(self) -> float | None:
        """The highest of those that answer; None where none does."""
        numbers = [number for number in map(read_number, self.paths) if number is not None]
        return max(numbers) * self.factor if numbers else None
