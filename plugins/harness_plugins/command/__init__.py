"""Workload ``command``: a title that is any executable."""

from __future__ import annotations

from collections.abc import Sequence

from harness.clock import Clock
from harness.hookspecs import Finding, Kind, Need, hookimpl
from harness.plan.schema import Cell, Plan
from harness.rig import Workload
from harness_plugins.command.options import CommandOptions


@hookimpl
def kinds() -> Sequence[Kind]:
    return [Kind("workload", "command", "any program, by its command line", CommandOptions)]


@hookimpl
def open_workload(kind: str, cell: Cell, clock: Clock) -> Workload | None:
    if kind != "command":
        return None
    from harness_plugins.command.workload import CommandWorkload

    return CommandWorkload(cell, clock)


@hookimpl
def levelrig_needs(plan: Plan) -> Sequence[Need]:
    if all(title.workload != "command" for title in plan.titles):
        return []
    from harness_plugins.command.needs import title_needs

    return title_needs(plan)


@hookimpl
def examine(clock: Clock) -> Sequence[Finding]:
    return [Finding("titles by command", "ok", "any program that can be started from a command line")]
