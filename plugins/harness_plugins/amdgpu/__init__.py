"""Control ``amdgpu``: power cap, clock ceilings and lower voltage of an AMD card (Linux)."""

from __future__ import annotations

from collections.abc import Sequence

from harness.card import GraphicsCard
from harness.clock import Clock
from harness.hookspecs import Finding, Kind, Tuning, hookimpl
from harness.rig import Control
from harness_plugins.amdgpu.options import AmdgpuOptions


@hookimpl
def kinds() -> Sequence[Kind]:
    summary = "power limit, clock ceilings and lower voltage of an AMD card, by the kernel's files"
    return [Kind("control", "amdgpu", summary, AmdgpuOptions, changes_hardware=True, card_keys=("card",))]


@hookimpl
def open_control(kind: str, clock: Clock, card: GraphicsCard | None) -> Control | None:
    if kind != "amdgpu":
        return None
    from harness_plugins.amdgpu.control import AmdgpuControl

    return AmdgpuControl(card=card)


@hookimpl
def tunings() -> Sequence[Tuning]:
    from harness_plugins.amdgpu.ranges import tunings_below
    from harness_plugins.hwmon.sysfs import ROOT

    return tunings_below(ROOT)


@hookimpl
def factory_deviations(card: GraphicsCard | None) -> Sequence[str]:
    from harness_plugins.amdgpu.control import AmdgpuControl

    return AmdgpuControl(card=card).factory_deviations()


@hookimpl
def examine(clock: Clock) -> Sequence[Finding]:
    from harness_plugins.amdgpu.doctor import examine_controls
    from harness_plugins.hwmon.sysfs import ROOT

    return examine_controls(ROOT)
