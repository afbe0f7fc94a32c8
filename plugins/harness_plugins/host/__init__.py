"""Sensor ``psutil``: processor, memory, and load by processes that are not part of the test."""

from __future__ import annotations

from collections.abc import Sequence

from harness.clock import Clock
from harness.hookspecs import Finding, Kind, hookimpl
from harness.plan.schema import SensorSpec
from harness.rig import Sensor


@hookimpl
def kinds() -> Sequence[Kind]:
    return [Kind("sensor", "psutil", "processor load, clock and temperature, memory, load by others")]


@hookimpl
def open_sensors(clock: Clock, specs: Sequence[SensorSpec]) -> Sequence[Sensor]:
    from harness_plugins.host.sensor import HostSensor

    return [HostSensor(clock)]


@hookimpl
def examine(clock: Clock) -> Sequence[Finding]:
    from harness_plugins.host.doctor import examine_host

    return examine_host()
