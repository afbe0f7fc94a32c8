"""What ``levelrig doctor`` says of the kernel's monitoring files."""

from __future__ import annotations

import statistics
import sys
from collections.abc import Sequence
from pathlib import Path

from harness.clock import Clock
from harness.hookspecs import Finding
from harness.tables import QUANTITY_COLUMNS
from harness_plugins.hwmon.cards import CARD_DRIVERS
from harness_plugins.hwmon.sensor import HwmonOptions, open_hwmon
from harness_plugins.hwmon.sysfs import find_chips, read_text

_LOOKS = 5
_UNITS = {column.name: column.unit for column in QUANTITY_COLUMNS}


def examine_hwmon(clock: Clock, options: HwmonOptions) -> Sequence[Finding]:
    """One line for each quantity, with what reading it costs; one for each card that sleeps."""
    chips = find_chips(Path(options.root))
    if not chips:
        why = "Linux only" if sys.platform != "linux" else "this kernel shows none (usual in containers)"
        return [Finding("hwmon", "absent", f"no monitoring files: {why}")]
    findings = []
    for chip in chips:
        state = read_text(chip.device / "power" / "runtime_status") if chip.name in CARD_DRIVERS else None
        if state == "suspended":
            findings.append(
                Finding(
                    f"{chip.name} {chip.address}",
                    "missing",
                    "the card sleeps",
                    "start some load on it, ask again",
                )
            )
    for sensor in open_hwmon(clock, options):
        for channel in sensor.channels():
            costs_us, value = [], None
            for _ in range(_LOOKS):
                started_s = clock.now_s()
                value = sensor.read({channel.quantity}).get(channel.quantity)
                costs_us.append((clock.now_s() - started_s) * 1e6)
            shown = "a first look gives none" if value is None else f"{value:.6g} {_UNITS[channel.quantity]}"
            findings.append(
                Finding(
                    f"{sensor.name} {channel.quantity}",
                    "ok",
                    f"{shown} ({channel.source})",
                    measured={"read_us": statistics.median(costs_us)},
                )
            )
        sensor.close()
    return findings
