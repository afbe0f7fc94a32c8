"""What a card would refuse of a profile, and why. Reads only."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from harness.errors import Problem
from harness_plugins.amdgpu.card import CAP, TABLE, AmdCard, watts
from harness_plugins.amdgpu.options import AmdgpuOptions
from harness_plugins.amdgpu.table import TuningTable, highest_mhz
from harness_plugins.hwmon.sysfs import ROOT, read_text

#: Bit of the driver's ``ppfeaturemask`` that switches its tuning table on (``amd_shared.h``,
#: PP_OVERDRIVE_MASK).
_OVERDRIVE_BIT = 0x4000
#: Where a kernel states no lowest power limit, this share of the maker's is taken: a caution of ours, no
#: source.
_LOWEST_SHARE = 0.5
#: Performance levels that hold clocks below what the maker's state allows.
_HOLDING_DOWN = ("low", "profile_min_sclk", "profile_min_mclk", "profile_standard", "perf_determinism")
_NO_RAISE = "nothing is raised above the state found"
_GRANT = (
    "run levelrig with the right to write this file (as root), or let the machine's owner grant your "
    "group that right by a udev rule; levelrig never changes permissions itself"
)
_PUT_BACK = "put it back with the program that set it, or by `levelrig restore`, and start again"


def problems_of(card: AmdCard, options: AmdgpuOptions, where: str, root: Path = ROOT) -> list[Problem]:
    """Everything that this card would refuse."""
    if not card.answers():
        what = f"card {card.address} sleeps or is being reset, and can't be read"
        return [Problem(where, what, "start some load on it and ask again", of_machine=True)]
    found = [*_tuned(card, options, where)]
    if options.power_limit_w is not None:
        found += _power(card, options.power_limit_w, f"{where}.power_limit_w")
    if options.uses_table:
        found += _table(card, options, where, root)
    return found


def power_range_uw(card: AmdCard) -> tuple[int, int] | None:
    """Lowest and highest power limit to choose from, µW; None where the driver states none.

    Older kernels and generations state 0 as the lowest and take anything: Linux 6.1 always
    (``amdgpu_hwmon_show_power_cap_min``).
    """
    lowest, highest, maker = card.cap_uw("_min"), card.cap_uw("_max"), card.cap_uw("_default")
    found = card.cap_uw()
    if found is None or lowest is None or highest is None:
        return None
    if lowest <= 0:
        half_w = -(-(maker or found) * _LOWEST_SHARE // 1_000_000)
        lowest = int(half_w) * 1_000_000
    return lowest, min(highest, found)


def table_absent(card: AmdCard, root: Path = ROOT) -> tuple[str, str]:
    """Why there is no tuning table, and what to do."""
    mask = read_text(root / "module/amdgpu/parameters/ppfeaturemask")
    try:
        switched_off = mask is not None and not int(mask, 0) & _OVERDRIVE_BIT
    except ValueError:
        switched_off = False
    if card.has_table_file():
        what = f"{TABLE} is empty: this kernel's driver has no table for this generation of cards"
        return (
            what,
            "leave it out, or use a later kernel: Linux 6.1 has none for some cards that 6.12 has one for",
        )
    what = f"there is no {TABLE}: " + (
        "the driver's overdrive is switched off" if switched_off else "the driver offers none for this card"
    )
    return what, (
        "leave it out, or start the kernel with the driver's overdrive switched on, if the maker permits "
        "that (amdgpu.ppfeaturemask with bit 0x4000)"
        if switched_off or mask is None
        else "leave it out"
    )


def not_offered(key: str, table: TuningTable) -> str:
    """What this generation has in the place of a key's setting; empty where it has the setting itself."""
    entries = table.entries
    if key == "core_clock_ceiling_mhz" and table.kind == "offset":
        return "its table has an offset of the core clock and no ceiling: use core_clock_offset_mhz"
    if key == "core_clock_offset_mhz" and table.kind != "offset":
        return "its table has no offset of the core clock: use core_clock_ceiling_mhz"
    if key == "voltage_offset_mv" and "vo" not in entries:
        if table.kind == "levels":
            return "its table has a voltage for each level and no offset; levelrig sets no single voltages"
        if table.has_curve:
            return "its table has three points of a voltage curve and no offset; levelrig moves no points"
        return "its table has no voltage"
    clock = {"core_clock_ceiling_mhz": "sclk", "memory_clock_ceiling_mhz": "mclk"}.get(key)
    if clock is not None and highest_mhz(entries, clock) is None:
        return "its table has no memory clock" if clock == "mclk" else "its table has no core clock"
    return ""


def _tuned(card: AmdCard, options: AmdgpuOptions, where: str) -> Iterator[Problem]:
    """A profile starts from the maker's state; where that would raise something, a person has to do it."""
    table = card.table().entries
    found: list[str] = []
    cap_uw, maker_uw = card.cap_uw(), card.cap_uw("_default")
    if options.power_limit_w is None and cap_uw is not None and maker_uw is not None and cap_uw < maker_uw:
        found.append(f"power limit {watts(cap_uw)}, the maker's is {watts(maker_uw)}")
    if table.get("vo", 0) < 0:
        found.append(f"voltage offset {table['vo']} mV")
    if table.get("sclk_offset", 0) < 0:
        found.append(f"core clock offset {table['sclk_offset']} MHz")
    if found:
        what = (
            f"card {card.address} was found tuned ({', '.join(found)}); profiles start from the maker's state"
        )
        yield Problem(where, what, f"{_PUT_BACK}; {_NO_RAISE}", of_machine=True)


def _power(card: AmdCard, wanted_w: int, where: str) -> list[Problem]:
    limits = power_range_uw(card)
    if limits is None:
        what = f"card {card.address} states no power limit and range"
        if card.is_processor():
            what += ", as most processors with graphics"
        return [Problem(where, what, "leave it out here")]
    if not limits[0] <= wanted_w * 1_000_000 <= limits[1]:
        what = f"{wanted_w} W is outside the driver's range or above the limit that was found"
        if (card.cap_uw("_min") or 0) <= 0:
            what += "; the driver states no lowest limit, half of the maker's is taken"
        allowed = f"{limits[0] / 1e6:.0f} to {limits[1] / 1e6:.0f} W"
        return [Problem(where, what, f"choose from {allowed}; {_NO_RAISE}")]
    return _right(card.chip.folder / CAP, where)


def _table(card: AmdCard, options: AmdgpuOptions, where: str, root: Path) -> list[Problem]:
    table, problems = card.table(), []
    if not table.entries:
        what, remedy = table_absent(card, root)
        return [Problem(f"{where}.{key}", what, remedy) for key in options.table_keys()]
    for key, wanted in options.table_keys().items():
        if lacks := not_offered(key, table):
            problems.append(Problem(f"{where}.{key}", f"card {card.address}: {lacks}", "leave it out here"))
            continue
        lowest, highest = range_of(key, table, wanted)
        if not lowest <= wanted <= highest:
            unit = "mV" if key == "voltage_offset_mv" else "MHz"
            what = f"{wanted} {unit} is outside what the card allows and the maker set"
            problems.append(
                Problem(f"{where}.{key}", what, f"choose from {lowest} to {highest} {unit}; {_NO_RAISE}")
            )
    if not problems:
        for path in card.tuning_files():
            problems += _right(path, where)
    return problems


def range_of(key: str, table: TuningTable, unbounded: int = 0) -> tuple[int, int]:
    """Lowest and highest value of a key, of the entry that is written: at most what was found.

    For the highest clock the driver shows the lowest value of the *lowest* clock and no other
    (``smu_v13_0_0_ppt.c`` of Linux 6.12, lines 1505 to 1514): a value near it may still be refused when it
    is set.

    Args:
        key: Plan key that the table offers.
        table: As read.
        unbounded: Lowest value where the driver shows none.
    """
    entries, ranges = table.entries, table.ranges
    if key == "voltage_offset_mv":
        lowest, highest = ranges.get("VDDGFX_OFFSET", (min(unbounded, 0), 0))
        return lowest, min(highest, entries["vo"], 0)
    if key == "core_clock_offset_mhz":
        lowest, highest = ranges.get("SCLK_OFFSET", (min(unbounded, 0), 0))
        return lowest, min(highest, entries["sclk_offset"], 0)
    clock = "sclk" if key == "core_clock_ceiling_mhz" else "mclk"
    found = highest_mhz(entries, clock) or 0
    lowest, highest = ranges.get(clock.upper(), (0, found))
    return max(lowest, entries.get(f"{clock}.0", 0)), min(highest, found)


def _right(path: Path, where: str) -> list[Problem]:
    if os.access(path, os.W_OK):
        return []
    return [Problem(where, f"{path} can't be written by this user", _GRANT, of_machine=True)]
