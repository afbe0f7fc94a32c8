"""What an Intel card's driver tells of it, as readers.

Sources (6.12 unless said otherwise):

- ``Documentation/ABI/testing/sysfs-driver-intel-xe-hwmon`` and ``…-intel-i915-hwmon``: names, units; ``1`` is
  the whole card, ``2`` the package (the chip), where a driver tells them apart: ``power1_max``,
  ``power2_max``, ``energy1_input``, ``energy2_input``. Which of them a card has:
  ``drivers/gpu/drm/xe/xe_hwmon.c`` lines 81-139 (Alchemist the package only, Battlemage both).
- Clock: i915 ``gt/gt0/rps_act_freq_mhz`` (``gt/intel_gt_sysfs_pm.c``), xe ``tile0/gt0/freq0/act_freq``
  (``xe/xe_gt_freq.c`` lines 36-53); both 0 while the card rests.
- Reasons: i915 ``gt/gt0/throttle_reason_*`` from its 11th generation on (6.1 ``intel_gt_sysfs_pm.c`` lines
  494-515 and 762), xe ``tile0/gt0/freq0/throttle/reason_*`` (``xe/xe_gt_throttle.c`` lines 17-29).
- Load and memory: :mod:`harness_plugins.hwmon.clients`.
- Temperatures, and fans of xe, came after 6.12 (from memory: 6.15, 6.16); ``fan1_input`` of i915 with 6.12.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from harness_plugins.hwmon.clients import ClientsReader, clients_readers
from harness_plugins.hwmon.graphics import Graphics
from harness_plugins.hwmon.metrics import MetricsReader
from harness_plugins.hwmon.reader import HottestReader, Reader
from harness_plugins.hwmon.sysfs import Chip, read_number

#: The driver's word -> bits of ``harness.telemetry.limits``.
_REASONS = {
    "pl1": 0x4,
    "pl2": 0x4,
    "pl4": 1 << 32,
    "thermal": 0x40,
    "prochot": 0x8,
    "ratl": 0x20,
    "vr_thermalert": 1 << 33,
    "vr_tdc": 1 << 32,
}
#: What is measured or limited, in words.
_SCOPES = {"card": "of the whole card", "pkg": "of the package, not of the whole card"}
#: Where a driver gives no labels: scope -> number, voltages from 0.
_NUMBERS = {"card": 1, "pkg": 2, "vram": 3}


def numbered(chip: Chip, kind: str, scope: str) -> str | None:
    """Stem of the attribute of a scope (``power2``), by its label, else by the drivers' numbering."""
    if any(chip.folder.glob(f"{kind}*_label")):
        return chip.labelled(kind, scope)
    return f"{kind}{_NUMBERS[scope] - (kind == 'in')}"


@dataclass(frozen=True)
class ReasonReader:
    """Why the clock is held down, from a file for each reason.

    Attributes:
        path: The file that tells whether there is any.
        parts: The files of the reasons, and the bits of each.
    """

    path: Path
    parts: tuple[tuple[Path, int], ...]
    quantity: str = "limit_reasons"
    period_s: float = 0.0
    note: str = ""

    def read(self) -> float | None:
        """The bits; None where it can't be read now."""
        status = read_number(self.path)
        if not status:
            return None if status is None else 0.0
        bits = 0
        for path, bit in self.parts:
            if read_number(path):
                bits |= bit
        return float(bits)

    @property
    def source(self) -> str:
        return f"{self.path.parent.name}/{self.path.name.replace('status', '*')}"


@dataclass(frozen=True)
class FanReader:
    """Mean speed of all fans that the card has."""

    paths: tuple[Path, ...]
    quantity: str = "fan_rpm"
    period_s: float = 0.0

    @property
    def path(self) -> Path:
        return self.paths[0]

    @property
    def note(self) -> str:
        return "" if len(self.paths) == 1 else f"mean of {len(self.paths)} fans"

    @property
    def source(self) -> str:
        return f"hwmon {self.path.parent.name}/{'+'.join(path.name for path in self.paths)}"

    def read(self) -> float | None:
        """Mean of those that answer; None where none does."""
        speeds = [speed for speed in map(read_number, self.paths) if speed is not None]
        return sum(speeds) / len(speeds) if speeds else None


AnyReader = Reader | HottestReader | ReasonReader | FanReader | MetricsReader | ClientsReader


def intel_readers(card: Graphics) -> list[AnyReader]:
    """What this card really has: a file that is there and reads as a number."""
    clocks, reasons = _engine_files(card)
    offered: list[AnyReader] = [] if card.chip is None else _monitored(card.chip)
    offered += [Reader("core_clock_mhz", path, 1.0) for path in clocks]
    offered += [] if reasons is None else [reasons]
    found: dict[str, AnyReader] = {}
    for reader in offered:  # the first of each quantity counts
        if reader.quantity not in found and reader.read() is not None:
            found[reader.quantity] = reader
    return [*found.values(), *clients_readers(card)]


def _monitored(chip: Chip) -> list[AnyReader]:
    offered: list[AnyReader] = []
    for scope, words in _SCOPES.items():
        if stem := numbered(chip, "energy", scope):
            offered.append(Reader("energy_j", chip.folder / f"{stem}_input", 1e-6, note=words))
        if stem := numbered(chip, "power", scope):
            limit = chip.folder / f"{stem}_max"
            offered.append(Reader("power_limit_w", limit, 1e-6, 1.0, positive=True, note=words))
    for quantity, kind, label in (("core_temp_c", "temp", "pkg"), ("memory_temp_c", "temp", "vram")):
        if stem := numbered(chip, kind, label):
            offered.append(Reader(quantity, chip.folder / f"{stem}_input", 1e-3))
    voltages = [stem for scope in ("pkg", "card") if (stem := numbered(chip, "in", scope))]
    offered += [Reader("core_voltage_mv", chip.folder / f"{stem}_input", 1.0) for stem in voltages]
    fans = tuple(path for path in sorted(chip.folder.glob("fan*_input")) if read_number(path) is not None)
    return [*offered, FanReader(fans)] if fans else offered


def _engine_files(card: Graphics) -> tuple[Sequence[Path], ReasonReader | None]:
    """Files of the engine's clock, the first that reads counts, and of the reasons that hold it down."""
    if card.driver == "xe":
        engine = card.device / "tile0" / "gt0" / "freq0"
        folder, prefix = engine / "throttle", "reason_"
        status, clocks = folder / "status", [engine / "act_freq"]
    elif card.drm is not None:
        folder, prefix = card.drm / "gt" / "gt0", "throttle_reason_"
        status = folder / "throttle_reason_status"
        clocks = [folder / "rps_act_freq_mhz", card.drm / "gt_act_freq_mhz"]
    else:
        return [], None
    parts = tuple((folder / f"{prefix}{word}", bits) for word, bits in _REASONS.items())
    return clocks, ReasonReader(status, parts) if status.exists() else None


def what_is_absent(card: Graphics) -> list[tuple[str, str]]:
    """(quantity, why and what could give it) of what this card's driver does not tell."""
    there = {reader.quantity for reader in intel_readers(card)}
    reasons = {
        "gpu_load_pct": "this kernel's driver does not tell it for each program (fdinfo), or the card's "
        "render file can't be opened; later kernels do, and membership in the group of that file lets you",
        "gpu_memory_used_mib": "this kernel's driver does not tell it for each program (fdinfo), or the "
        "card's render file can't be opened, or it has no memory of its own",
        "memory_clock_mhz": "the driver tells none",
        "core_temp_c": "this kernel's driver tells none; later ones do (xe: from 6.15, from memory)",
        "memory_temp_c": "this kernel's driver tells none; later ones do (xe: from 6.15, from memory)",
        "fan_rpm": "this kernel's driver tells none; later ones do (i915: 6.12)",
        "energy_j": "this driver shows no energy of this card, so there is no power either"
        + ("" if not card.integrated else "; the processor's package energy holds its graphics too"),
        "limit_reasons": "this driver does not say why it holds the clock down",
    }
    return [(quantity, why) for quantity, why in reasons.items() if quantity not in there]
