"""Read and write the kernel's attribute files, and find the chips among them. Linux; elsewhere all is absent.

Source: the kernel's ``Documentation/hwmon/sysfs-interface.rst`` (names, units: millidegree Celsius,
millivolt, microwatt, microjoule, hertz, revolutions a minute, 0 to 255 for pwm).
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from harness.errors import ControlRefused

ROOT = Path("/sys")
#: Kind of an attribute file -> factor from its own unit to the unit of a quantity here.
FACTORS: dict[str, float] = {
    "temp": 1e-3,  # to °C
    "in": 1.0,  # mV
    "power": 1e-6,  # to W
    "energy": 1e-6,  # to J
    "freq": 1e-6,  # to MHz
    "fan": 1.0,  # 1/min
    "pwm": 100 / 255,  # to %
}
_ATTRIBUTE = re.compile(r"^(temp|in|power|energy|freq|fan|pwm)\d+(_[a-z_]+)?$")
_CARD = re.compile(r"^[0-9a-f]{4,8}:[0-9a-f]{2}:[0-9a-f]{2}\.[0-7]$")
_LONGEST_WRITE = 127  # longer ones are refused by the card's table file


class KernelFiles(Protocol):
    """How attribute files are read and written, so that tests can put a driver's rules behind a tree."""

    def read(self, path: Path) -> bytes:
        """The whole content. Raises OSError as the kernel does."""

    def write(self, path: Path, data: bytes) -> int:
        """Write in one call; the number of bytes taken. Raises OSError as the kernel does."""


class SystemFiles:
    """The files as they are."""

    def read(self, path: Path) -> bytes:
        return path.read_bytes()

    def write(self, path: Path, data: bytes) -> int:
        handle = os.open(path, os.O_WRONLY | os.O_TRUNC)
        try:
            return os.write(handle, data)
        finally:
            os.close(handle)


#: Everything that reads or writes an attribute goes through this one.
files: KernelFiles = SystemFiles()


@dataclass(frozen=True)
class Chip:
    """One hwmon device.

    Attributes:
        name: The driver's name for it, as ``amdgpu`` or ``coretemp``.
        folder: Folder with its attribute files. Its number changes between boots.
        address: PCI address of the device; its folder's name where it is no PCI device.
    """

    name: str
    folder: Path
    address: str

    @property
    def device(self) -> Path:
        """Folder of the device itself."""
        return self.folder / "device"

    def labelled(self, kind: str, label: str) -> str | None:
        """Stem (``temp2``) of the attribute with that label; None where there is none."""
        for path in sorted(self.folder.glob(f"{kind}*_label")):
            if (read_text(path) or "").lower() == label:
                return path.name.removesuffix("_label")
        return None


def find_chips(root: Path = ROOT) -> list[Chip]:
    """All hwmon devices, in order of address; empty where the system has none."""
    chips = []
    for folder in (root / "class" / "hwmon").glob("hwmon*"):
        name = read_text(folder / "name")
        if name:
            device = (folder / "device").resolve()
            chips.append(Chip(name, folder, device.name if _CARD.match(device.name) else folder.name))
    return sorted(chips, key=lambda chip: (chip.name, chip.address))


def read_text(path: Path) -> str | None:
    """Content without the line's end; None where it can't be read now (absent, no right, device asleep)."""
    try:
        return files.read(path).decode("ascii", "replace").strip()
    except OSError:
        return None


def read_number(path: Path) -> int | None:
    """Content as a whole number; None where it can't be read now or is none."""
    text = read_text(path)
    try:
        return None if text is None else int(text)
    except ValueError:
        return None


def factor_of(attribute: str) -> float | None:
    """Factor from the attribute's unit to the quantity's; None for a name that the kernel does not use."""
    match = _ATTRIBUTE.match(attribute)
    return None if match is None else FACTORS[match[1]]


def write_text(path: Path, text: str) -> None:
    """Write an attribute in one call.

    Raises:
        ControlRefused: The kernel refused; the message tells what that means.
    """
    data = text.encode("ascii") + b"\n"
    if len(data) > _LONGEST_WRITE:
        raise ControlRefused(f"{path}: {len(data)} bytes are more than the kernel takes; this is our mistake")
    try:
        written = files.write(path, data)
    except PermissionError as error:
        raise ControlRefused(
            f"{path}: {text!r} was not permitted ({error.strerror}); run with the right to write this file. "
            "As root, it means that the card sleeps or is being reset: wake it and try again"
        ) from error
    except FileNotFoundError as error:
        raise ControlRefused(
            f"{path} is not there; this card or driver does not offer it, or the card was lost"
        ) from error
    except OSError as error:
        raise ControlRefused(
            f"{path}: the driver refused {text!r} ({error.strerror}); choose a value inside the range that "
            "`levelrig doctor` shows"
        ) from error
    if written != len(data):
        raise ControlRefused(f"{path}: only {written} of {len(data)} bytes were taken; try again")
