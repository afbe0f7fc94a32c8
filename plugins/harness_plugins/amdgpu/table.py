"""The card's tuning table and fan settings as the kernel shows them, as values.

Source: ``Documentation/gpu/amdgpu/thermal.rst`` and what prints the files, below
``drivers/gpu/drm/amd/pm`` of Linux 6.1 and 6.12: levels with a clock and a voltage each (``smu7_hwmgr.c``,
``vega10_hwmgr.c``), lowest and highest clock with three points of a voltage curve (``vega20_hwmgr.c``,
``navi10_ppt.c``) or an offset of the voltage (``sienna_cichlid_ppt.c``, ``smu_v13_0_0_ppt.c``), an offset
of the clock (``smu_v14_0_2_ppt.c``), processors with graphics (``yellow_carp_ppt.c``, ``vangogh_ppt.c``),
fan settings in ``gpu_od/fan_ctrl`` (``amdgpu_pm.c``).

Names of entries: ``sclk.0`` lowest and ``sclk.1`` highest core clock (MHz), ``mclk.…`` of the memory;
``sclk.3.mhz`` and ``sclk.3.mv`` a level; ``vc.2.mhz`` and ``vc.2.mv`` a point of the curve; ``vo`` the
voltage offset (mV), ``sclk_offset`` the clock's (MHz); ``cclk.0.1`` highest clock of processor core 0;
``fan_curve.1.c`` and ``fan_curve.1.pct`` a point of the fan's curve, and the fan files' names.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

#: How the core clock is limited by a table: by a highest clock, by the clocks of levels, by an offset, or
#: not.
Kind = Literal["span", "levels", "offset", "none"]
Entries = Mapping[str, int]

_SECTION = re.compile(r"^OD_([A-Z_]+):?$")
_CORE = re.compile(r"^CCLK_RANGE in Core(\d+):$")
_LINE = re.compile(r"^(\d+):\s*(\d+)\s*mhz(?:\s+(\d+)\s*mv)?$", re.IGNORECASE)
_OFFSET = re.compile(r"^(-?\d+)\s*(?:mv|mhz)$", re.IGNORECASE)
_RANGE = re.compile(r"^([A-Z_]+(?:\[\d+\])?):\s*(-?\d+)\s*[a-z]+\s+(-?\d+)\s*[a-z]+$", re.IGNORECASE)
_CURVE = re.compile(r"^(\d+):\s*(\d+)C\s+(\d+)%$")
_NAMES = {"SCLK": "sclk", "MCLK": "mclk", "VDDC_CURVE": "vc"}
_OFFSETS = {"VDDGFX_OFFSET": "vo", "SCLK_OFFSET": "sclk_offset"}


@dataclass(frozen=True)
class TuningTable:
    """What ``pp_od_clk_voltage`` holds.

    Attributes:
        entries: Name -> value; see the module. Empty where the card's driver has no table.
        ranges: Name in the file (``SCLK``, ``VDDC_CURVE_VOLT[2]``) -> lowest and highest value allowed.
    """

    entries: Mapping[str, int] = field(default_factory=dict)
    ranges: Mapping[str, tuple[int, int]] = field(default_factory=dict)

    @property
    def kind(self) -> Kind:
        if "sclk_offset" in self.entries:
            return "offset"
        if any(name.startswith("sclk.") and name.endswith(".mv") for name in self.entries):
            return "levels"
        return "span" if "sclk.1" in self.entries else "none"

    @property
    def has_curve(self) -> bool:
        """It has points of a voltage curve."""
        return "vc.0.mhz" in self.entries

    @property
    def has_mask(self) -> bool:
        """A commit sends to the card only what was edited since the last one, and a reset nothing after it.

        Told by the range of the voltage offset, which these generations alone show.
        """
        return "VDDGFX_OFFSET" in self.ranges


def parse_table(text: str) -> TuningTable:
    """Read the file's text. Sections that it does not know are passed over; an empty text has nothing."""
    entries: dict[str, int] = {}
    ranges: dict[str, tuple[int, int]] = {}
    section = ""
    for line in map(str.strip, text.splitlines()):
        if (match := _SECTION.match(line)) is not None:
            section = match[1]
        elif (match := _CORE.match(line)) is not None:
            section = f"cclk.{match[1]}"
        elif section == "RANGE":
            if (match := _RANGE.match(line)) is not None:
                ranges[match[1].upper()] = int(match[2]), int(match[3])
        elif section in _OFFSETS:
            if (match := _OFFSET.match(line)) is not None:
                entries[_OFFSETS[section]] = int(match[1])
        elif (match := _LINE.match(line)) is not None and (section in _NAMES or section.startswith("cclk.")):
            name = f"{_NAMES.get(section, section)}.{match[1]}"
            if match[3] is None:
                entries[name] = int(match[2])
            else:
                entries |= {f"{name}.mhz": int(match[2]), f"{name}.mv": int(match[3])}
    return TuningTable(entries, ranges)


def parse_fan(name: str, text: str) -> dict[str, int]:
    """Settings in a file of ``gpu_od/fan_ctrl``: its name, or a point's, -> value."""
    found: dict[str, int] = {}
    for line in map(str.strip, text.splitlines()):
        if line == "OD_RANGE:":
            break
        if (match := _CURVE.match(line)) is not None:
            found |= {f"{name}.{match[1]}.c": int(match[2]), f"{name}.{match[1]}.pct": int(match[3])}
        elif re.fullmatch(r"-?\d+", line):
            found[name] = int(line)
    return found


def highest_mhz(entries: Entries, clock: str) -> int | None:
    """Highest clock that the table allows: of its levels, or its highest one. None without an entry.

    Args:
        entries: The table's.
        clock: ``sclk`` or ``mclk``.
    """
    levels = [
        value for name, value in entries.items() if name.startswith(f"{clock}.") and name.endswith(".mhz")
    ]
    return max(levels) if levels else entries.get(f"{clock}.1")
