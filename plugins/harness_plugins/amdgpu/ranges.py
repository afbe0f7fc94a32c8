"""What an AMD card can be tuned with, for a plan that is being written: nothing above the state found."""

from __future__ import annotations

from pathlib import Path

from harness.plan.tunings import Tuning, TuningRange
from harness_plugins.amdgpu.table import parse_table
from harness_plugins.hwmon.sysfs import Chip, find_chips, read_number, read_text

_TABLE = "pp_od_clk_voltage"


def tunings_below(root: Path) -> list[Tuning]:
    """The AMD cards of this machine, each with its ranges."""
    cards = [chip for chip in find_chips(root) if chip.name == "amdgpu"]
    return [tuning_of(card, only=len(cards) == 1) for card in cards]


def tuning_of(card: Chip, *, only: bool) -> Tuning:
    """The card's ranges by the kernel's files; what it does not offer is left out.

    Args:
        card: The card.
        only: It is the only one, so that a profile need not name it.
    """
    lowest_uw, highest_uw, now_uw, factory_uw = (
        read_number(card.folder / name)
        for name in ("power1_cap_min", "power1_cap_max", "power1_cap", "power1_cap_default")
    )
    ranges: list[TuningRange] = []
    if lowest_uw is not None and highest_uw is not None and now_uw is not None:
        factory_w = None if factory_uw is None else factory_uw / 1e6
        highest_w = min(highest_uw, now_uw) / 1e6
        ranges.append(TuningRange("power_limit_w", lowest_uw / 1e6, highest_w, factory_w))
    table = parse_table(read_text(card.device / _TABLE) or "")
    for key, name, now in (
        ("core_clock_ceiling_mhz", "SCLK", table.core_clock_mhz),
        ("memory_clock_ceiling_mhz", "MCLK", table.memory_clock_mhz),
    ):
        if now is not None:
            lowest, highest = table.ranges.get(name, now)
            ranges.append(TuningRange(key, max(lowest, now[0]), min(highest, now[1])))
    if table.voltage_offset_mv is not None and "VDDGFX_OFFSET" in table.ranges:
        lowest = table.ranges["VDDGFX_OFFSET"][0]
        ranges.append(TuningRange("voltage_offset_mv", max(-300, lowest), min(0, table.voltage_offset_mv), 0))
    device, options = f"AMD card {card.address}", {} if only else {"card": card.address}
    return Tuning("amdgpu", device, tuple(ranges), options)
