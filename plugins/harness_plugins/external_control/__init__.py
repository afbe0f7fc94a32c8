"""Control ``command``: the user's own commands apply, verify and restore a profile."""

from __future__ import annotations

from collections.abc import Sequence

from harness.clock import Clock
from harness.hookspecs import Finding, Kind, Need, hookimpl
from harness.plan.schema import Plan
from harness.rig import Control
from harness_plugins.external_control.options import CommandControlOptions


@hookimpl
def kinds() -> Sequence[Kind]:
    summary = "your own commands apply, verify and restore a profile"
    return [
        Kind(
            "control",
            "command",
            summary,
            CommandControlOptions,
            changes_hardware=True,
            knows_makers_state=False,
        )
    ]


@hookimpl
def open_control(kind: str, clock: Clock) -> Control | None:
    if kind != "command":
        return None
    from harness_plugins.external_control.control import CommandControl

    return CommandControl()


@hookimpl
def levelrig_needs(plan: Plan) -> Sequence[Need]:
    if all(profile.control != "command" for profile in plan.profiles):
        return []
    from harness_plugins.external_control.control import control_needs

    return control_needs(plan)


@hookimpl
def examine(clock: Clock) -> Sequence[Finding]:
    return [Finding("control by command", "ok", "any tuning program that takes commands, given by the plan")]
