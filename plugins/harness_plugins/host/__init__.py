"""Sensor ``psutil``: processor, memory, and load by processes that are not part of the test."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence

from harness.clock import Clock
from harness.hookspecs import Finding, Kind, hookimpl
from harness.plan.schema import SensorSpec
from harness.rig import Sensor
from harness.windows.calls import windows_calls


@hookimpl
def kinds() -> Sequence[Kind]:
    return [
        Kind("sensor", "psutil", "processor load, clock and temperature, memory, load by others"),
        Kind("sensor", "engines", "Windows: load of the card by other programs"),
        Kind("sensor", "driver-log", "Windows: resets and errors of graphics drivers, from the event log"),
    ]


@hookimpl
def open_sensors(clock: Clock, specs: Sequence[SensorSpec]) -> Sequence[Sensor]:
    from harness_plugins.host.sensor import HostSensor

    sensors: list[Sensor] = [HostSensor(clock)]
    calls = windows_calls()
    if calls is not None:
        from harness_plugins.host.windows_card import DriverLogSensor, EngineSensor

        for kind in (EngineSensor, DriverLogSensor):
            with contextlib.suppress(OSError):  # `levelrig doctor` says so
                sensors.append(kind(calls))
    return sensors


@hookimpl
def examine(clock: Clock) -> Sequence[Finding]:
    from harness_plugins.host.doctor import examine_host
    from harness_plugins.host.night import examine_night

    return [*examine_night(), *examine_host()]
