"""What ``levelrig doctor`` says of an AMD card's controls."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from harness.hookspecs import Finding
from harness_plugins.amdgpu.card import CAP, TABLE, AmdCard
from harness_plugins.amdgpu.check import not_offered, power_range_uw, range_of, table_absent
from harness_plugins.amdgpu.table import highest_mhz
from harness_plugins.hwmon.sysfs import find_chips

_RIGHT = "run as root, or let the machine's owner grant your group the right to write it by a udev rule"


def examine_controls(root: Path) -> Sequence[Finding]:
    """One line for each control of each AMD card, with its range."""
    cards = [AmdCard(chip) for chip in find_chips(root) if chip.name == "amdgpu"]
    if not cards:
        return [Finding("AMD card", "absent", "none that the kernel's driver drives")]
    return [finding for card in cards for finding in _examined(card, root)]


def _examined(card: AmdCard, root: Path) -> list[Finding]:
    if not card.answers():
        what = "it sleeps or is being reset, and can't be read"
        return [Finding(f"amdgpu {card.address}", "missing", what, "start some load on it and ask again")]
    return [_power(card), *_table(card, root)]


def _power(card: AmdCard) -> Finding:
    subject = f"amdgpu {card.address} power limit"
    limits, now_uw, highest_uw = power_range_uw(card), card.cap_uw(), card.cap_uw("_max")
    if limits is None or now_uw is None or highest_uw is None:
        return Finding(subject, "absent", "the driver states none")
    detail = f"{now_uw / 1e6:.0f} W, range {limits[0] / 1e6:.0f} to {highest_uw / 1e6:.0f} W"
    if (card.cap_uw("_min") or 0) <= 0:
        detail += " (this driver states no lowest one; half of the maker's is taken)"
    if card.is_processor():
        detail += ", of the whole package"
    return _writable(subject, detail, card.chip.folder / CAP)


def _table(card: AmdCard, root: Path) -> list[Finding]:
    table, subject = card.table(), f"amdgpu {card.address}"
    if not table.entries:
        what, remedy = table_absent(card, root)
        return [Finding(f"{subject} clocks and voltage", "missing", what, remedy)]
    findings = []
    for key, name, now, unit in (
        ("core_clock_ceiling_mhz", "core clock ceiling", highest_mhz(table.entries, "sclk"), "MHz"),
        ("core_clock_offset_mhz", "core clock offset", table.entries.get("sclk_offset"), "MHz"),
        ("memory_clock_ceiling_mhz", "memory clock ceiling", highest_mhz(table.entries, "mclk"), "MHz"),
        ("voltage_offset_mv", "voltage offset", table.entries.get("vo"), "mV"),
    ):
        if now is None:
            if key != "core_clock_offset_mhz":
                findings.append(Finding(f"{subject} {name}", "absent", not_offered(key, table)))
            continue
        range_name = {"voltage_offset_mv": "VDDGFX_OFFSET", "core_clock_offset_mhz": "SCLK_OFFSET"}.get(
            key, "SCLK" if key.startswith("core") else "MCLK"
        )
        limits = table.ranges.get(range_name)
        if limits is None:
            shown = ", the driver states no range"
        else:
            shown = f", range {range_of(key, table)[0]} to {limits[1]} {unit}"
        findings.append(_writable(f"{subject} {name}", f"{now} {unit}{shown}", card.chip.device / TABLE))
    return findings


def _writable(subject: str, detail: str, path: Path) -> Finding:
    if os.access(path, os.W_OK):
        return Finding(subject, "ok", detail)
    return Finding(subject, "missing", f"{detail}; this user may not write {path}", _RIGHT)
