"""Processors' temperature sensors, printed as the kernel prints them.

Sources (Debian's linux-source 6.1 and 6.12):

- k10temp.c: labels ``Tctl``, ``Tdie``, ``Tccd1``… (6.12:185-200, 6.1:172-187), on Zen only; Tdie = Tctl -
  offset (6.12:230-234, 6.1:217-221), shown only for the models of the offset table, 10 to 27 °C apart
  (6.12:117-126 and 506-516, 6.1:498-508). ``Documentation/hwmon/k10temp.rst``: "Tdie is the real measured
  temperature, and Tctl is used for fan control"; before Zen "Tctl is a non-physical temperature on an
  arbitrary scale", and there are no labels.
- coretemp.c: ``Package id %u`` and ``Core %u`` (6.12:348-350, 6.1:111-113); temp1 is the package's where
  it has one, cores begin at temp2 (``Documentation/hwmon/coretemp.rst``).
"""

from __future__ import annotations

import errno
from collections.abc import Mapping
from typing import Any

from tests.machine.tree import State


class Thermometer:
    """A hwmon device that only reads: label -> millidegrees; an empty label prints no label file.

    Args:
        name: The driver's: ``k10temp``, ``coretemp``.
        number: Of its hwmon folder.
        readings: Number of the sensor, label, millidegrees.
    """

    def __init__(self, name: str, number: int, readings: list[list[Any]], device: str = "") -> None:
        self._name, self._number, self._readings = name, number, readings
        self._device = device or ("platform/coretemp.0" if name == "coretemp" else "pci0000:00/0000:00:18.3")

    def description(self) -> tuple[str, list[Any]]:
        return f"{__name__}:Thermometer", [self._name, self._number, self._readings, self._device]

    def home(self) -> str:
        return f"devices/{self._device}"

    def links(self) -> Mapping[str, str]:
        folder = f"{self.home()}/hwmon/hwmon{self._number}"
        return {f"class/hwmon/hwmon{self._number}": folder, f"{folder}/device": self.home()}

    def first_state(self) -> State:
        return {f"temp{index}": value for index, _, value in self._readings}

    def files(self, state: State) -> Mapping[str, str | bytes]:
        folder = f"hwmon/hwmon{self._number}"
        files: dict[str, str | bytes] = {f"{folder}/name": f"{self._name}\n"}
        for index, label, _ in self._readings:
            files[f"{folder}/temp{index}_input"] = f"{state[f'temp{index}']}\n"
            if label:
                files[f"{folder}/temp{index}_label"] = f"{label}\n"
        return files

    def read(self, state: State, name: str) -> None:
        return

    def write(self, state: State, name: str, text: str) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")


def zen(number: int = 1, die_c: float = 50.0) -> Thermometer:
    """A processor whose control value is its temperature: no Tdie is shown."""
    milli = round(die_c * 1000)
    return Thermometer("k10temp", number, [[1, "Tctl", milli], [3, "Tccd1", milli - 4000]])


def zen_with_offset(number: int = 1, die_c: float = 50.0, offset_c: float = 27.0) -> Thermometer:
    """A processor that adds an offset to its control value."""
    milli = round(die_c * 1000)
    return Thermometer("k10temp", number, [[1, "Tctl", milli + round(offset_c * 1000)], [2, "Tdie", milli]])


def before_zen(number: int = 1, control_c: float = 30.0) -> Thermometer:
    """An older processor: one value without a label, on a scale of its own."""
    return Thermometer("k10temp", number, [[1, "", round(control_c * 1000)]])


def coretemp(number: int = 1, package_c: float = 60.0, cores: int = 4) -> Thermometer:
    """A processor with a sensor of its package and of each core."""
    milli = round(package_c * 1000)
    readings: list[list[Any]] = [[1, "Package id 0", milli]]
    readings += [[index + 2, f"Core {index}", milli - 1000 * (index + 1)] for index in range(cores)]
    return Thermometer("coretemp", number, readings)


def coretemp_without_package(number: int = 1, hottest_c: float = 60.0) -> Thermometer:
    """A processor that has sensors of its cores only."""
    milli = round(hottest_c * 1000)
    return Thermometer("coretemp", number, [[2, "Core 0", milli - 3000], [3, "Core 1", milli]])
