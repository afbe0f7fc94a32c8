"""Sensor ``powercap``: energy and power of the processor package (Linux)."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from harness.clock import Clock
from harness.hookspecs import Finding, Kind, hookimpl
from harness.plan.schema import SensorSpec
from harness.rig import Sensor
from harness_plugins.powercap.sensor import PowercapOptions, PowercapSensor, find_packages, readable


@hookimpl
def kinds() -> Sequence[Kind]:
    return [Kind("sensor", "powercap", "energy and power of the processor package", PowercapOptions)]


@hookimpl
def open_sensors(clock: Clock, specs: Sequence[SensorSpec]) -> Sequence[Sensor]:
    own = [PowercapOptions.model_validate(spec.options) for spec in specs if spec.kind == "powercap"]
    zones = find_packages(Path((own or [PowercapOptions()])[-1].root))
    return [PowercapSensor(zones, clock)] if readable(zones) else []


@hookimpl
def examine(clock: Clock) -> Sequence[Finding]:
    return examine_root(Path(PowercapOptions().root), clock)


def examine_root(root: Path, clock: Clock) -> Sequence[Finding]:
    """What is under that root; apart from :func:`examine` so that a test can bring its own."""
    zones = find_packages(root)
    if not zones:
        return [
            Finding(
                "processor energy", "absent", "no package counter (usual in virtual machines and containers)"
            )
        ]
    names = ", ".join(zone.folder.name for zone in zones)
    if not readable(zones):
        return [
            Finding(
                "processor energy",
                "missing",
                f"{names} is there, but only root may read it (kernels since 5.10)",
                "run as root, or let the machine's owner add a udev rule that lets your group read energy_uj",
            )
        ]
    started_s = clock.now_s()
    PowercapSensor(zones, clock).read(["cpu_energy_j"])
    return [Finding("processor energy", "ok", names, measured={"read_us": (clock.now_s() - started_s) * 1e6})]
