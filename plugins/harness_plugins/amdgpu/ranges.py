"""What an AMD card can be tuned with, for a plan that is being written: nothing above the state found."""

from __future__ import annotations

from pathlib import Path

from harness.plan.tunings import Tuning, TuningRange
from harness_plugins.amdgpu.card import AmdCard
from harness_plugins.amdgpu.check import not_offered, power_range_uw, range_of
from harness_plugins.hwmon.sysfs import Chip, find_chips

_KEYS = ("core_clock_ceiling_mhz", "core_clock_offset_mhz", "memory_clock_ceiling_mhz", "voltage_offset_mv")
_OFFSETS = {"core_clock_offset_mhz": "SCLK_OFFSET", "voltage_offset_mv": "VDDGFX_OFFSET"}


def tunings_below(root: Path) -> list[Tuning]:
    """The AMD cards of this machine, each with its ranges."""
    cards = [chip for chip in find_chips(root) if chip.name == "amdgpu"]
    return [tuning_of(card) for card in cards]


def tuning_of(chip: Chip) -> Tuning:
    """The card's ranges by the kernel's files; what it does not offer is left out."""
    card = AmdCard(chip)
    card.asleep()  # wakes it where it does
    table, limits, factory_uw = card.table(), power_range_uw(card), card.cap_uw("_default")
    ranges: list[TuningRange] = []
    if limits is not None:
        factory_w = None if factory_uw is None else factory_uw / 1e6
        ranges.append(TuningRange("power_limit_w", limits[0] / 1e6, limits[1] / 1e6, factory_w))
    for key in _KEYS if table.entries else ():
        offset = _OFFSETS.get(key)
        if not not_offered(key, table) and (offset is None or offset in table.ranges):
            lowest, highest = range_of(key, table)
            ranges.append(
                TuningRange(key, max(lowest, -300) if key == "voltage_offset_mv" else lowest, highest, 0)
                if offset
                else TuningRange(key, lowest, highest)
            )
    return Tuning("amdgpu", f"AMD card {card.address}", tuple(ranges), card.address)
