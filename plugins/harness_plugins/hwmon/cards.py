"""What each driver's attribute files mean, as tables.

Sources: the kernel's ``Documentation/gpu/amdgpu/thermal.rst`` (amdgpu); Intel's cards have a module of their
own (:mod:`harness_plugins.hwmon.intel`); processor and board drivers: ``Documentation/hwmon/coretemp.rst``
and ``k10temp.rst``. ``mem_info_vram_*`` and the labels of boards: from memory.
"""

from __future__ import annotations

from harness_plugins.hwmon.graphics import CONTROLS, Graphics
from harness_plugins.hwmon.intel import AnyReader, intel_readers
from harness_plugins.hwmon.metrics import MetricsReader
from harness_plugins.hwmon.reader import HottestReader, Reader
from harness_plugins.hwmon.sysfs import Chip, read_number, read_text

CARD_DRIVERS = tuple(CONTROLS)
_PROCESSORS = ("coretemp", "k10temp", "zenpower", "cpu_thermal")
#: The real temperature first: where a processor shows Tdie, its Tctl lies 10 to 27 °C above it, for the fans
#: (``Documentation/hwmon/k10temp.rst``; ``drivers/hwmon/k10temp.c`` of Linux 6.12, lines 117 to 126).
_PROCESSOR_LABELS = ("package id 0", "tdie", "tctl")
#: Power of an AMD processor with graphics is its socket's (``thermal.rst``, power1_average: "On APUs this
#: includes the CPU").
_WHOLE_PACKAGE = "of the whole package: processor and graphics"
_BOARD_LABELS = ("systin", "motherboard", "mb", "mainboard", "board", "system")


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


def readers_of(card: Graphics) -> list[AnyReader]:
    """What this card really has: a file that is there and reads as a number."""
    if card.driver != "amdgpu":
        return intel_readers(card)
    return [] if card.chip is None else card_readers(card.chip, integrated=card.integrated)


def card_readers(chip: Chip, *, integrated: bool = False) -> list[AnyReader]:
    """The same of an AMD card, or of a processor's graphics."""
    found: dict[str, AnyReader] = {}
    for quantity, label, stem, suffix, factor in _AMD:
        kind = stem.rstrip("0123456789")
        named = chip.labelled(kind, label) if label else None
        if label and named is None and any(chip.folder.glob(f"{kind}*_label")):
            continue  # this driver labels them, and there is none of this name
        path = chip.folder / f"{named or stem}{suffix}"
        limit = quantity == "power_limit_w"
        note = _WHOLE_PACKAGE if integrated and quantity.startswith("power") else ""
        reader = Reader(quantity, path, factor, period_s=1.0 if limit else 0.0, positive=limit, note=note)
        if quantity not in found and reader.read() is not None:
            found[quantity] = reader
    for quantity, name, factor in (
        ("gpu_load_pct", "gpu_busy_percent", 1.0),
        ("gpu_memory_used_mib", "mem_info_vram_used", 2.0**-20),
    ):
        reader = Reader(quantity, chip.device / name, factor)
        if reader.read() is not None:
            found[quantity] = reader
    reasons = MetricsReader(chip.device / "gpu_metrics")
    if reasons.read() is not None:
        found[reasons.quantity] = reasons
    return list(found.values())


def what_amd_lacks(card: Graphics) -> list[tuple[str, str]]:
    """(quantity, why) of what this card's driver does not tell, though checks and limits may want it."""
    there = {reader.quantity for reader in readers_of(card)}
    reasons = {
        "hotspot_temp_c": "this generation's driver tells none",
        "memory_temp_c": "this generation's driver tells none",
        "limit_reasons": "this card's driver does not say why it holds the clock down (no gpu_metrics, or "
        "one of a form whose bits differ from card to card)",
    }
    return [(quantity, why) for quantity, why in reasons.items() if quantity not in there]


def choose_card(chips: list[Chip], wanted: str | None) -> Chip | None:
    """The card under test: the one named, else the one with most memory of its own."""
    cards = [chip for chip in chips if chip.name in CARD_DRIVERS]
    if wanted is not None:
        return next((chip for chip in cards if chip.address == wanted), None)
    return max(cards, key=_own_memory, default=None)


def _own_memory(chip: Chip) -> int:
    return read_number(chip.device / "mem_info_vram_total") or 0


def machine_readers(chips: list[Chip]) -> list[AnyReader]:
    """Temperatures of processor and board, and one fan's speed, where there are some."""
    found: list[AnyReader] = []
    for chip in chips:
        if chip.name in _PROCESSORS:
            found += _processor_readers(chip)
        elif not is_graphics(chip):
            stem = next((s for label in _BOARD_LABELS if (s := chip.labelled("temp", label))), "")
            if stem:
                found.append(Reader("board_temp_c", chip.folder / f"{stem}_input", 1e-3, period_s=1.0))
            if (fan := _turning_fan(chip)) is not None:
                found.append(Reader("case_fan_rpm", chip.folder / fan, 1.0, period_s=1.0))
    first: dict[str, AnyReader] = {}
    for reader in found:
        if reader.read() is not None:
            first.setdefault(reader.quantity, reader)
    return list(first.values())


def is_graphics(chip: Chip) -> bool:
    """It is a graphics card's, also one whose driver is not read here: PCI class 03h, display controllers."""
    return chip.name in CARD_DRIVERS or (read_text(chip.device / "class") or "").startswith("0x03")


def _processor_readers(chip: Chip) -> list[AnyReader]:
    """The package's temperature, or, where it has no sensor, that of its hottest core."""
    label = next((label for label in _PROCESSOR_LABELS if chip.labelled("temp", label)), "")
    stem = chip.labelled("temp", label) if label else None
    if stem is not None:
        note = {
            "tctl": "Tctl, the value that the fans follow",
            "tdie": "Tdie, the temperature of the die",
        }.get(label, "")
        return [Reader("cpu_temp_c", chip.folder / f"{stem}_input", 1e-3, period_s=1.0, note=note)]
    paths = tuple(path for path in sorted(chip.folder.glob("temp*_input")) if read_number(path) is not None)
    note = "on a scale of the processor's own, not a real temperature" if chip.name == "k10temp" else ""
    return [HottestReader(paths, "cpu_temp_c", 1e-3, 1.0, note)] if paths else []


def _turning_fan(chip: Chip) -> str | None:
    """A header without a fan reads 0 for ever: take the first that turns."""
    names = sorted(path.name for path in chip.folder.glob("fan*_input"))
    return next((name for name in names if (read_number(chip.folder / name) or 0) > 0), None)
