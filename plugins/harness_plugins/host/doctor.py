"""What ``levelrig doctor`` says of the machine itself."""

from __future__ import annotations

import statistics
import sys
from collections.abc import Sequence

from harness.clock import Clock
from harness.hookspecs import Finding
from harness_plugins.host.sensor import HostSensor

_UNITS = {
    "cpu_load_pct": "%",
    "foreign_cpu_load_pct": "%",
    "memory_used_mib": "MiB",
    "cpu_clock_mhz": "MHz",
    "cpu_temp_c": "°C",
}
_LOOKS = 5


def examine_host(clock: Clock) -> Sequence[Finding]:
    """Read each quantity a few times; takes a little over a second, the window of a load."""
    sensor = HostSensor(clock)
    offered = {channel.quantity: channel for channel in sensor.channels()}
    costs_us: dict[str, list[float]] = {quantity: [] for quantity in offered}
    clock.sleep_s(1.0)
    last: dict[str, float | None] = {}
    for look in range(_LOOKS):
        for quantity in offered:
            started_s = clock.now_s()
            value = sensor.read({quantity}).get(quantity)
            costs_us[quantity].append((clock.now_s() - started_s) * 1e6)
            if look == 0 or value is not None:
                last[quantity] = value
    findings = []
    for quantity, unit in _UNITS.items():
        if quantity in offered:
            value = last[quantity]
            shown = "no reading yet" if value is None else f"{value:.0f} {unit}"
            # A load is renewed once in its window: the dearest look is the one that did the work.
            measured = {
                "period_ms": offered[quantity].period_s * 1e3,
                "read_us": _cost_us(costs_us[quantity]),
            }
            detail = f"{shown} ({offered[quantity].source})"
            findings.append(Finding(quantity, "ok", detail, measured=measured))
        else:
            findings.append(Finding(quantity, "absent", _why_absent(quantity)))
    return findings


def _cost_us(costs_us: list[float]) -> float:
    return max(costs_us[0], statistics.median(costs_us))


def _why_absent(quantity: str) -> str:
    if sys.platform == "win32":
        return "Windows offers it to no program without a driver of its own; not measured"
    return "this system offers none (usual in virtual machines and containers)"
