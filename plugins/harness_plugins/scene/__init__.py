"""Workload ``scene``: built-in scenes that draw frames, so that a rig can be tried without any title."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from harness.card import GraphicsCard
from harness.clock import Clock
from harness.hookspecs import Finding, Kind, Need, hookimpl
from harness.plan.schema import Cell, Plan
from harness.rig import Workload
from harness_plugins.scene.options import SUMMARIES, SceneOptions

if TYPE_CHECKING:
    from harness.power_sensor.seam import PulseLoad


@hookimpl
def kinds() -> Sequence[Kind]:
    return [Kind("workload", "scene", "built-in scenes: " + ", ".join(SUMMARIES), SceneOptions)]


@hookimpl
def open_workload(kind: str, cell: Cell, clock: Clock, card: GraphicsCard | None) -> Workload | None:
    if kind != "scene":
        return None
    from harness_plugins.scene.workload import SceneWorkload

    return SceneWorkload(cell, clock, card)


@hookimpl
def open_pulse_load(clock: Clock, card: GraphicsCard) -> PulseLoad | None:
    from harness_plugins.scene.pulse_load import PulseLoadOnCard

    return PulseLoadOnCard(clock, card)


@hookimpl
def levelrig_needs(plan: Plan) -> Sequence[Need]:
    from harness_plugins.scene.needs import scene_needs

    return scene_needs(plan)


@hookimpl
def examine(clock: Clock) -> Sequence[Finding]:
    from harness_plugins.scene.doctor import examine_scenes

    return examine_scenes()
