"""Sensors over the kernel's hardware monitoring files."""

from __future__ import annotations

import functools
from collections.abc import Callable, Collection, Mapping, Sequence
from pathlib import Path
from typing import ClassVar, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from harness.clock import Clock
from harness.errors import SensorUnavailable
from harness.rig import Channel, Reading
from harness.tables import QUANTITIES
from harness_plugins.hwmon import sysfs
from harness_plugins.hwmon.cards import CARD_DRIVERS, machine_readers, readers_of
from harness_plugins.hwmon.energy import POWER_WINDOW_S, EnergyCounter
from harness_plugins.hwmon.graphics import graphics_at
from harness_plugins.hwmon.intel import AnyReader
from harness_plugins.hwmon.reader import Reader
from harness_plugins.hwmon.sysfs import Chip, factor_of, find_chips
from harness_plugins.hwmon.wake import woke, woken


class HwmonOptions(BaseModel):
    """Plan keys of the sensor ``hwmon``."""

    BEARS: ClassVar[str] = "card files"
    APART: ClassVar[str] = "root"

    model_config = ConfigDict(frozen=True, defer_build=True, extra="forbid")

    card: str | None = Field(
        None,
        description="PCI address of the card under test, as 0000:03:00.0; the same as card under [rig]",
    )
    files: dict[str, str] = Field(
        default_factory=dict,
        description='further quantities, each as "chip/file": ambient_temp_c = "nct6798/temp5_input"',
    )
    root: str = Field(
        default_factory=lambda: str(sysfs.ROOT), description="where the kernel's files are mounted"
    )

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

    Args:
        name: The sensor's.
        readers: What it reads.
        clock: The rig's clock.
        device: The card that all of it is of; empty for the machine.
        find_again: Looks for the same device's files again, whatever their folders are called by then.
        wake: Called where something could not be read; whether the device slept and is awake now.
    """

    def __init__(
        self,
        name: str,
        readers: Sequence[AnyReader],
        clock: Clock,
        device: str = "",
        find_again: Callable[[], Sequence[AnyReader]] = tuple,
        wake: Callable[[], bool] = lambda: False,
    ) -> None:
        self.name = name
        self._readers = {reader.quantity: reader for reader in readers}
        self._clock = clock
        self._device = device
        self._find_again = find_again
        self._wake = wake
        energy = self._readers.get("energy_j")
        self._counter = None if energy is None else EnergyCounter(energy.read, clock)
        self._derives = energy is not None and not {"power_w", "power_average_w"} & set(self._readers)

    def channels(self) -> Sequence[Channel]:
        channels = [
            Channel(r.quantity, r.source, period_s=r.period_s, device=self._device, note=r.note)
            for r in self._readers.values()
        ]
        if self._derives:
            energy = self._readers["energy_j"]
            source, span_s = f"{energy.source} / time", POWER_WINDOW_S
            channels.append(
                Channel("power_average_w", source, span_s, span_s, device=self._device, note=energy.note)
            )
        return channels

    def read(self, quantities: Collection[str]) -> Mapping[str, Reading]:
        readings = self._read(quantities)
        if None in readings.values() and self._wake():
            readings = self._read(quantities)
        if not readings or any(value is not None for value in readings.values()) or self._there():
            return readings
        again = {reader.quantity: reader for reader in self._find_again()}
        if not again:
            raise SensorUnavailable(
                f"{self.name}: its files are gone; the card was lost or its driver reloaded"
            )
        self._readers = {quantity: again.get(quantity, old) for quantity, old in self._readers.items()}
        if self._counter is not None:
            self._counter.look_again(self._readers["energy_j"].read)
        return self._read(quantities)

    def _read(self, quantities: Collection[str]) -> dict[str, Reading]:
        readings: dict[str, Reading] = {}
        for quantity in quantities:
            if quantity == "energy_j" and self._counter is not None:
                readings[quantity] = self._counter.energy_j()
            elif quantity in self._readers:
                readings[quantity] = self._readers[quantity].read()
        if self._derives and self._counter is not None and "power_average_w" in quantities:
            readings["power_average_w"] = self._counter.power_w()
        return readings

    def _there(self) -> bool:
        return any(reader.path.exists() for reader in self._readers.values())

    def close(self) -> None:
        return


def open_hwmon(clock: Clock, options: HwmonOptions, card: str | None = None) -> list[FileSensor]:
    """Sensors of the card, of the machine and of the files that the plan names, as far as there are any.

    Args:
        clock: The rig's clock.
        options: The plan's keys.
        card: PCI address of the card of the plan; None: none of this plugin's.
    """
    root = Path(options.root)
    chips = find_chips(root)
    sensors = []
    if named := _named_readers([c for c in chips if c.name not in CARD_DRIVERS], options.files):
        sensors.append(FileSensor("hwmon:plan", named, clock))
    own = [chip for chip in chips if chip.name in CARD_DRIVERS and chip.address == card]
    if named := _named_readers(own, options.files):
        sensors.append(FileSensor(f"hwmon:plan-{card}", named, clock, card or ""))
    found = None if card is None else graphics_at(card, root)
    if found is not None:
        woken(found.device)  # one that sleeps shows nothing with later kernels
    if found is not None and (readers := readers_of(found)):

        def find_again(address: str = found.address) -> Sequence[AnyReader]:
            again = graphics_at(address, root)
            return [] if again is None else readers_of(again)

        name = f"hwmon:{found.driver}-{found.address}"
        wake = functools.partial(woke, found.device)
        sensors.append(FileSensor(name, readers, clock, found.address, find_again, wake))
    if machine := machine_readers(chips):
        sensors.append(FileSensor("hwmon:machine", machine, clock))
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
