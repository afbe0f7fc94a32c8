"""What each driver's attribute files mean, as tables.

Sources: the kernel's ``Documentation/gpu/amdgpu/thermal.rst`` (amdgpu) and
``Documentation/ABI/testing/sysfs-driver-intel-xe-hwmon`` and ``…-intel-i915-hwmon`` (Intel); processor and
board drivers: ``Documentation/hwmon/coretemp.rst`` and ``k10temp.rst``. ``mem_info_vram_*`` and the labels of
boards: from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from harness_plugins.hwmon.sysfs import Chip, read_number

CARD_DRIVERS = ("amdgpu", "xe", "i915")
_PROCESSORS = ("coretemp", "k10temp", "zenpower", "cpu_thermal")
_BOARD_LABELS = ("systin", "motherboard", "mb", "mainboard", "board", "system")


@dataclass(frozen=True)
class Reader:
    """One quantity out of one file: ``number × factor``, in the quantity's unit.

    Attributes:
        period_s: How often the value can change; 0 where unknown.
        positive: A reading of 0 or below means that there is none (a limit that is off).
    """

    quantity: str
    path: Path
    factor: float
    period_s: float = 0.0
    positive: bool = False

    def read(self) -> float | None:
        number = read_number(self.path)
        if number is None or (self.positive and number <= 0):
            return None
        return number * self.factor

    @property
    def source(self) -> str:
        return f"hwmon {self.path.parent.name}/{self.path.name}"


#: Quantity, label (empty: by number), kind, number, suffix, factor.
_AMD: tuple[tuple[str, str, str, str, float], ...] = (
    ("core_temp_c", "edge", "temp1", "_input", 1e-3),
    ("hotspot_temp_c", "junction", "temp2", "_input", 1e-3),
    ("memory_temp_c", "mem", "temp3", "_input", 1e-3),
    ("core_voltage_mv", "vddgfx", "in0", "_input", 1.0),
    ("core_clock_mhz", "sclk", "freq1", "_input", 1e-6),
    ("memory_clock_mhz", "mclk", "freq2", "_input", 1e-6),
    ("power_w", "", "power1", "_input", 1e-6),
    ("power_average_w", "", "power1", "_average", 1e-6),
    ("power_limit_w", "", "power1", "_cap", 1e-6),
    ("fan_rpm", "", "fan1", "_input", 1.0),
    ("fan_pct", "", "pwm1", "", 100 / 255),
)
_INTEL: tuple[tuple[str, str, str, str, float], ...] = (
    ("energy_j", "card", "energy1", "_input", 1e-6),
    ("energy_j", "pkg", "energy2", "_input", 1e-6),
    ("core_temp_c", "pkg", "temp2", "_input", 1e-3),
    ("memory_temp_c", "vram", "temp3", "_input", 1e-3),
    ("power_limit_w", "", "power1", "_max", 1e-6),
    ("fan_rpm", "", "fan1", "_input", 1.0),
    ("core_voltage_mv", "", "in0", "_input", 1.0),
    ("core_voltage_mv", "", "in1", "_input", 1.0),
)


def card_readers(chip: Chip) -> list[Reader]:
    """What this card really has: a file that is there and reads as a number."""
    table = _AMD if chip.name == "amdgpu" else _INTEL
    found: dict[str, Reader] = {}
    for quantity, label, stem, suffix, factor in table:
        kind = stem.rstrip("0123456789")
        named = chip.labelled(kind, label) if label else None
        if label and named is None and any(chip.folder.glob(f"{kind}*_label")):
            continue  # this driver labels them, and there is none of this name
        path = chip.folder / f"{named or stem}{suffix}"
        limit = quantity == "power_limit_w"
        reader = Reader(quantity, path, factor, period_s=1.0 if limit else 0.0, positive=limit)
        if quantity not in found and reader.read() is not None:
            found[quantity] = reader
    if chip.name == "amdgpu":
        for quantity, name, factor in (
            ("gpu_load_pct", "gpu_busy_percent", 1.0),
            ("gpu_memory_used_mib", "mem_info_vram_used", 2.0**-20),
        ):
            reader = Reader(quantity, chip.device / name, factor)
            if reader.read() is not None:
                found[quantity] = reader
    return list(found.values())


def choose_card(chips: list[Chip], wanted: str | None) -> Chip | None:
    """The card under test: the one named, else the one with most memory of its own."""
    cards = [chip for chip in chips if chip.name in CARD_DRIVERS]
    if wanted is not None:
        return next((chip for chip in cards if chip.address == wanted), None)
    return max(cards, key=_own_memory, default=None)


def _own_memory(chip: Chip) -> int:
    return read_number(chip.device / "mem_info_vram_total") or 0


def machine_readers(chips: list[Chip]) -> list[Reader]:
    """Temperatures of processor and board, and one fan's speed, where there are some."""
    found: list[Reader] = []
    for chip in chips:
        if chip.name in _PROCESSORS:
            stem = next(
                (s for label in ("package id 0", "tctl", "tdie") if (s := chip.labelled("temp", label))),
                "temp1",
            )
            found.append(Reader("cpu_temp_c", chip.folder / f"{stem}_input", 1e-3, period_s=1.0))
        elif chip.name not in CARD_DRIVERS:
            stem = next((s for label in _BOARD_LABELS if (s := chip.labelled("temp", label))), "")
            if stem:
                found.append(Reader("board_temp_c", chip.folder / f"{stem}_input", 1e-3, period_s=1.0))
            if (fan := _turning_fan(chip)) is not None:
                found.append(Reader("case_fan_rpm", chip.folder / fan, 1.0, period_s=1.0))
    first: dict[str, Reader] = {}
    for reader in found:
        if reader.read() is not None:
            first.setdefault(reader.quantity, reader)
    return list(first.values())


def _turning_fan(chip: Chip) -> str | None:
    """A header without a fan reads 0 for ever: take the first that turns."""
    names = sorted(path.name for path in chip.folder.glob("fan*_input"))
    return next((name for name in names if (read_number(chip.folder / name) or 0) > 0), None)
