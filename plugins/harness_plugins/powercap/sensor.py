"""Energy of the processor package by the kernel's power-capping files (RAPL counters).

Source: the kernel's ``Documentation/power/powercap/powercap.rst``: ``energy_uj`` counts microjoules and wraps
to 0 after ``max_energy_range_uj``. Packages are summed; their subzones are parts of them and never added.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from pydantic import BaseModel, ConfigDict, Field

from harness.clock import Clock
from harness.errors import SensorUnavailable
from harness.rig import Channel, Reading

#: Shortest span over which a power is stated; the counters move about every millisecond.
POWER_WINDOW_S = 0.1
#: A longer silence than this may hide a wrap (2^32 × 2^-14 J at 1 kW last 262 s), or was a suspend.
LONGEST_SILENCE_S = 60.0
_PACKAGE = re.compile(r"^intel-rapl:\d+$")


class PowercapOptions(BaseModel):
    """Plan keys of the sensor ``powercap``."""

    APART: ClassVar[str] = "root"

    model_config = ConfigDict(frozen=True, defer_build=True, extra="forbid")

    root: str = Field("/sys", description="where the kernel's files are mounted")


@dataclass(frozen=True)
class Zone:
    """One package's counter."""

    name: str
    folder: Path
    range_uj: int

    def read_uj(self) -> int:
        """Raises OSError, ValueError."""
        return int((self.folder / "energy_uj").read_text("ascii"))


def find_packages(root: Path) -> list[Zone]:
    """The packages' zones, readable or not; empty where the system has none."""
    zones = []
    for folder in sorted((root / "class" / "powercap").glob("intel-rapl:*")):
        try:
            name = (folder / "name").read_text("ascii").strip()
            range_uj = int((folder / "max_energy_range_uj").read_text("ascii"))
        except (OSError, ValueError):
            continue
        if _PACKAGE.match(folder.name) and name.startswith("package"):
            zones.append(Zone(name, folder, range_uj))
    return zones


def readable(zones: Sequence[Zone]) -> bool:
    """Whether there are zones and this user may read all of them."""
    try:
        return bool([zone.read_uj() for zone in zones])
    except (OSError, ValueError):
        return False


class PowercapSensor:
    """Sensor ``powercap``. One read costs about 20 µs for each package."""

    name = "powercap"

    def __init__(self, zones: Sequence[Zone], clock: Clock) -> None:
        self._zones = tuple(zones)
        self._clock = clock
        self._counts_uj: list[int] = []
        self._energy_uj = 0
        self._at_s = 0.0
        self._power_from: tuple[int, float] | None = None
        self._power_w: float | None = None

    def channels(self) -> Sequence[Channel]:
        source = f"powercap {', '.join(zone.folder.name for zone in self._zones)} energy_uj"
        return [
            Channel("cpu_energy_j", source, POWER_WINDOW_S),
            Channel("cpu_power_w", f"{source} / time", POWER_WINDOW_S, POWER_WINDOW_S),
        ]

    def read(self, quantities: Collection[str]) -> Mapping[str, Reading]:
        """After a silence that may hide a wrap, the energy starts from 0 again and the power is None."""
        try:
            counts_uj = [zone.read_uj() for zone in self._zones]
        except (OSError, ValueError) as error:
            self._counts_uj, self._power_from, self._power_w = [], None, None
            raise SensorUnavailable(f"powercap: a counter can't be read ({error})") from error
        now_s = self._clock.now_s()
        if not self._counts_uj or now_s - self._at_s > LONGEST_SILENCE_S:
            self._energy_uj, self._power_from, self._power_w = 0, None, None
        else:
            self._energy_uj += sum(
                growth_uj(before, now, zone.range_uj)
                for zone, before, now in zip(self._zones, self._counts_uj, counts_uj, strict=True)
            )
        self._counts_uj, self._at_s = counts_uj, now_s
        self._renew_power(now_s)
        readings = {"cpu_energy_j": self._energy_uj * 1e-6, "cpu_power_w": self._power_w}
        return {quantity: readings[quantity] for quantity in quantities if quantity in readings}

    def _renew_power(self, now_s: float) -> None:
        if self._power_from is None:
            self._power_from = self._energy_uj, now_s
            return
        from_uj, from_s = self._power_from
        if now_s - from_s >= 0.9 * POWER_WINDOW_S:
            self._power_w = (self._energy_uj - from_uj) * 1e-6 / (now_s - from_s)
            self._power_from = self._energy_uj, now_s

    def close(self) -> None:
        return


def growth_uj(before_uj: int, now_uj: int, range_uj: int) -> int:
    """What a counter that wraps after ``range_uj`` grew by, µJ, if it wrapped at most once."""
    return now_uj - before_uj if now_uj >= before_uj else now_uj - before_uj + range_uj
