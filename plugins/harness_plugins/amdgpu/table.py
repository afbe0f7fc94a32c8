"""The card's clock and voltage table as the kernel shows it in ``pp_od_clk_voltage``, as a value.

Source: the kernel's documentation of that file (``Documentation/gpu/amdgpu/thermal.rst``, section
"pp_od_clk_voltage"): sections ``OD_SCLK``, ``OD_MCLK``, ``OD_VDDGFX_OFFSET`` and ``OD_RANGE``; commands
``s 1 MHz`` (highest engine clock), ``m 1 MHz`` (highest memory clock), ``vo mV`` (offset of the engine's
voltage), ``c`` (commit), ``r`` (back to the defaults).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

_SECTION = re.compile(r"^OD_([A-Z_]+):$")
_POINT = re.compile(r"^(\d+):\s*(\d+)\s*mhz", re.IGNORECASE)
_OFFSET = re.compile(r"^(-?\d+)\s*mv$", re.IGNORECASE)
_RANGE = re.compile(r"^([A-Z_]+):\s*(-?\d+)\s*[a-z]+\s+(-?\d+)\s*[a-z]+$", re.IGNORECASE)


@dataclass(frozen=True)
class ClockTable:
    """What the table holds; None where this card's table has no such line.

    Attributes:
        core_clock_mhz: Lowest and highest engine clock.
        memory_clock_mhz: Lowest and highest memory clock, as the memory controller counts it.
        voltage_offset_mv: Offset of the engine's voltage.
        ranges: Name in the file (``SCLK``, ``MCLK``, ``VDDGFX_OFFSET``) -> lowest and highest value allowed.
    """

    core_clock_mhz: tuple[int, int] | None
    memory_clock_mhz: tuple[int, int] | None
    voltage_offset_mv: int | None
    ranges: dict[str, tuple[int, int]]


def parse_table(text: str) -> ClockTable:
    """Read the file's text. Sections that it does not know are passed over; an empty text has nothing."""
    points: dict[str, dict[int, int]] = {}
    offset: int | None = None
    ranges: dict[str, tuple[int, int]] = {}
    section = ""
    for line in map(str.strip, text.splitlines()):
        if (match := _SECTION.match(line)) is not None:
            section = match[1]
        elif section == "RANGE":
            if (match := _RANGE.match(line)) is not None:
                ranges[match[1].upper()] = int(match[2]), int(match[3])
        elif section == "VDDGFX_OFFSET":
            if (match := _OFFSET.match(line)) is not None:
                offset = int(match[1])
        elif (match := _POINT.match(line)) is not None:
            points.setdefault(section, {})[int(match[1])] = int(match[2])
    return ClockTable(_span(points.get("SCLK")), _span(points.get("MCLK")), offset, ranges)


def _span(points: dict[int, int] | None) -> tuple[int, int] | None:
    """Lowest and highest clock. Some cards show the highest alone, as point 1."""
    if not points or 1 not in points:
        return None
    return points.get(0, 0), points[1]
