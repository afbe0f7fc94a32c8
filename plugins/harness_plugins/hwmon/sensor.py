"""Sensors over the kernel's hardware monitoring files."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import ClassVar, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from harness.clock import Clock
from harness.errors import SensorUnavailable
from harness.rig import Channel, Reading
from harness.tables import QUANTITIES
from harness_plugins.hwmon.cards import Reader, card_readers, choose_card, machine_readers
from harness_plugins.hwmon.sysfs import ROOT, Chip, factor_of, find_chips

#: Shortest span over which a power is derived from an energy counter.
POWER_WINDOW_S = 0.1


class HwmonOptions(BaseModel):
    """Plan keys of the sensor ``hwmon``."""

    BEARS: ClassVar[str] = "card files"
    APART: ClassVar[str] = "root"

    model_config = ConfigDict(frozen=True, extra="forbid")

    card: str | None = Field(
        None,
        description="PCI address of the card under test, as 0000:03:00.0; default: the one with most memory",
    )
    files: dict[str, str] = Field(
        default_factory=dict,
        description='further quantities, each as "chip/file": ambient_temp_c = "nct6798/temp5_input"',
    )
    root: str = Field(str(ROOT), description="where the kernel's files are mounted")

    @model_validator(mode="after")
    def _check_files(self) -> Self:
        for quantity, place in self.files.items():
            chip, _, name = place.partition("/")
            if quantity not in QUANTITIES:
                raise ValueError(f"files: there is no quantity {quantity!r}; see the plan format")
            if not chip or factor_of(name) is None:
                raise ValueError(f'files.{quantity}: {place!r} is not of the form "chip/temp1_input"')
        return self


class FileSensor:
    """Reads some files at each look; one file costs 10 to 20 µs plus what its driver takes.

    Power is derived from the energy counter where a card has a counter and no reading of power.
    """

    def __init__(self, name: str, readers: Sequence[Reader], clock: Clock) -> None:
        self.name = name
        self._readers = {reader.quantity: reader for reader in readers}
        self._clock = clock
        self._before: tuple[float, float] | None = None
        self._power_w: float | None = None
        self._derives = "energy_j" in self._readers and not {"power_w", "power_average_w"} & set(
            self._readers
        )

    def channels(self) -> Sequence[Channel]:
        channels = [Channel(r.quantity, r.source, period_s=r.period_s) for r in self._readers.values()]
        if self._derives:
            source = f"{self._readers['energy_j'].source} / time"
            channels.append(Channel("power_average_w", source, POWER_WINDOW_S, POWER_WINDOW_S))
        return channels

    def read(self, quantities: Collection[str]) -> Mapping[str, Reading]:
        readings: dict[str, Reading] = {}
        for quantity in quantities:
            if quantity in self._readers:
                readings[quantity] = self._readers[quantity].read()
        if self._derives and "power_average_w" in quantities:
            readings["power_average_w"] = self._derived_power_w()
        if readings and all(value is None for value in readings.values()) and not self._there():
            raise SensorUnavailable(
                f"{self.name}: its files are gone; the card was lost or its driver reloaded"
            )
        return readings

    def _there(self) -> bool:
        return any(reader.path.exists() for reader in self._readers.values())

    def _derived_power_w(self) -> float | None:
        """Energy over time since the last look; None at the first and where the counter went back."""
        energy_j, now_s = self._readers["energy_j"].read(), self._clock.now_s()
        if energy_j is None:
            self._before = None
            return None
        if self._before is None:
            self._before = energy_j, now_s
            return None
        last_j, last_s = self._before
        if now_s - last_s < 0.9 * POWER_WINDOW_S:
            return self._power_w
        self._before = energy_j, now_s
        self._power_w = (energy_j - last_j) / (now_s - last_s) if energy_j >= last_j else None
        return self._power_w

    def close(self) -> None:
        return


def open_hwmon(clock: Clock, options: HwmonOptions) -> list[FileSensor]:
    """Sensors of the card, of the machine and of the files that the plan names, as far as there are any."""
    chips = find_chips(Path(options.root))
    sensors = []
    named = _named_readers(chips, options.files)
    if named:
        sensors.append(FileSensor("hwmon:plan", named, clock))
    card = choose_card(chips, options.card)
    if card is not None and (readers := card_readers(card)):
        sensors.append(FileSensor(f"hwmon:{card.name}-{card.address}", readers, clock))
    if readers := machine_readers(chips):
        sensors.append(FileSensor("hwmon:machine", readers, clock))
    return sensors


def _named_readers(chips: list[Chip], files: Mapping[str, str]) -> list[Reader]:
    readers = []
    for quantity, place in files.items():
        chip_name, _, name = place.partition("/")
        factor = factor_of(name)
        for chip in chips:
            if chip.name == chip_name and factor is not None and (chip.folder / name).exists():
                readers.append(Reader(quantity, chip.folder / name, factor))
                break
    return readers
