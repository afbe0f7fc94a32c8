"""What an NVIDIA card can be tuned with, for a plan that is being written. Reads only."""

from __future__ import annotations

from harness.plan.tunings import Tuning, TuningRange
from harness_plugins.nvml.card import Card
from harness_plugins.nvml.library import GRAPHICS_CLOCK, MEMORY_CLOCK

_SLOWDOWN = 1


def tuning_of(card: Card) -> Tuning:
    """The card's ranges; what it does not offer is left out. Raises CallFailed."""
    ranges: list[TuningRange] = []
    limits, factory_mw = card.ask("power_limit_range_mw"), card.ask("default_power_limit_mw")
    if limits is not None:
        factory_w = None if factory_mw is None else factory_mw / 1000
        ranges.append(TuningRange("power_limit_w", limits[0] / 1000, limits[1] / 1000, factory_w))
    memory = sorted(card.ask("supported_memory_clocks_mhz") or ())
    core = sorted(card.ask("supported_core_clocks_mhz", memory[-1]) or ()) if memory else []
    if core:
        ranges.append(TuningRange("core_clock_ceiling_mhz", core[0], core[-1]))
    if memory:
        ranges.append(TuningRange("memory_clock_ceiling_mhz", memory[0], memory[-1], steps=tuple(memory)))
    for key, kind in (
        ("core_clock_offset_mhz", GRAPHICS_CLOCK),
        ("memory_clock_offset_mhz", MEMORY_CLOCK),
    ):
        offset = card.ask("clock_offset", kind)
        if offset is not None and offset.least_mhz < offset.most_mhz:
            ranges.append(TuningRange(key, offset.least_mhz, offset.most_mhz, 0))
    name = card.ask("name") or "NVIDIA card"
    slows_at_c = card.ask("temperature_threshold_c", _SLOWDOWN)
    return Tuning("nvml", f"card {card.index}, {name}", tuple(ranges), card.uuid, slows_at_c)
