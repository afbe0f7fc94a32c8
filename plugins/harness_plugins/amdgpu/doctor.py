"""What ``levelrig doctor`` says of an AMD card's controls."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from harness.hookspecs import Finding
from harness_plugins.amdgpu.table import parse_table
from harness_plugins.hwmon.sysfs import Chip, find_chips, read_number, read_text

_TABLE = "pp_od_clk_voltage"
_RIGHT = "run as root, or let the machine's owner grant your group the right to write it by a udev rule"


def examine_controls(root: Path) -> Sequence[Finding]:
    """One line for each control of each AMD card, with its range."""
    cards = [chip for chip in find_chips(root) if chip.name == "amdgpu"]
    if not cards:
        return [Finding("AMD card", "absent", "none that the kernel's driver drives")]
    return [finding for card in cards for finding in (_power(card), *_table(card))]


def _power(card: Chip) -> Finding:
    subject = f"amdgpu {card.address} power limit"
    numbers = [read_number(card.folder / f"power1_cap{suffix}") for suffix in ("", "_min", "_max")]
    if any(number is None for number in numbers):
        return Finding(subject, "absent", "the driver states none")
    now_w, lowest_w, highest_w = (number / 1e6 for number in numbers if number is not None)
    return _writable(
        subject, f"{now_w:.0f} W, range {lowest_w:.0f} to {highest_w:.0f} W", card.folder / "power1_cap"
    )


def _table(card: Chip) -> list[Finding]:
    table = parse_table(read_text(card.device / _TABLE) or "")
    subject = f"amdgpu {card.address}"
    if not table.ranges and table.core_clock_mhz is None:
        remedy = "start the kernel with the driver's overdrive feature switched on, if the maker permits that"
        return [Finding(f"{subject} clocks and voltage", "missing", f"{_TABLE} is absent or empty", remedy)]
    findings = []
    for name, now, unit, key in (
        ("core clock ceiling", table.core_clock_mhz and table.core_clock_mhz[1], "MHz", "SCLK"),
        ("memory clock ceiling", table.memory_clock_mhz and table.memory_clock_mhz[1], "MHz", "MCLK"),
        ("voltage offset", table.voltage_offset_mv, "mV", "VDDGFX_OFFSET"),
    ):
        if now is None:
            findings.append(Finding(f"{subject} {name}", "absent", f"not in {_TABLE}"))
            continue
        low_high = table.ranges.get(key)
        shown = (
            f", range {low_high[0]} to {low_high[1]} {unit}" if low_high else ", the driver states no range"
        )
        findings.append(_writable(f"{subject} {name}", f"{now} {unit}{shown}", card.device / _TABLE))
    return findings


def _writable(subject: str, detail: str, path: Path) -> Finding:
    if os.access(path, os.W_OK):
        return Finding(subject, "ok", detail)
    return Finding(subject, "missing", f"{detail}; this user may not write {path}", _RIGHT)
