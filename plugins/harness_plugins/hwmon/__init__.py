"""Sensor ``hwmon``: cards, processor and board through the kernel's own monitoring files (Linux)."""

from __future__ import annotations

from collections.abc import Sequence

from harness.clock import Clock
from harness.hookspecs import Finding, Kind, hookimpl
from harness.plan.schema import SensorSpec
from harness.rig import Sensor
from harness_plugins.hwmon.sensor import HwmonOptions


@hookimpl
def kinds() -> Sequence[Kind]:
    return [
        Kind("sensor", "hwmon", "AMD and Intel cards, processor and board temperatures, fans", HwmonOptions)
    ]


@hookimpl
def open_sensors(clock: Clock, specs: Sequence[SensorSpec]) -> Sequence[Sensor]:
    from harness_plugins.hwmon.sensor import open_hwmon

    own = [HwmonOptions.model_validate(spec.options) for spec in specs if spec.kind == "hwmon"]
    return [sensor for options in own or [HwmonOptions()] for sensor in open_hwmon(clock, options)]


@hookimpl
def examine(clock: Clock) -> Sequence[Finding]:
    from harness_plugins.hwmon.doctor import examine_hwmon
    from harness_plugins.hwmon.sysfs import ROOT

    return examine_hwmon(ROOT)
