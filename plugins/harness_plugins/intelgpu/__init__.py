"""Control ``intelgpu``: power limit of an Intel card (Linux)."""

from __future__ import annotations

from collections.abc import Sequence

from harness.card import GraphicsCard
from harness.clock import Clock
from harness.hookspecs import Finding, Kind, Tuning, TuningRange, hookimpl
from harness.rig import Control
from harness_plugins.intelgpu.control import SCOPES, IntelgpuControl, IntelgpuOptions, Limit


@hookimpl
def kinds() -> Sequence[Kind]:
    summary = "power limit of an Intel card, by the kernel's files"
    return [Kind("control", "intelgpu", summary, IntelgpuOptions, changes_hardware=True, card_keys=("card",))]


@hookimpl
def open_control(kind: str, clock: Clock, card: GraphicsCard | None) -> Control | None:
    return IntelgpuControl(card=card) if kind == "intelgpu" else None


@hookimpl
def tunings() -> Sequence[Tuning]:
    return tunings_of(IntelgpuControl().cards())


def tunings_of(limits: Sequence[Limit]) -> list[Tuning]:
    """What these cards can be tuned with."""
    found = []
    for limit in limits:
        rated_uw, highest_uw = limit.rated_uw, limit.highest_uw
        if rated_uw and highest_uw:
            watts = TuningRange("power_limit_w", 1, highest_uw // 1_000_000, rated_uw // 1_000_000)
            found.append(Tuning("intelgpu", f"Intel card {limit.address}", (watts,), limit.address))
    return found


@hookimpl
def factory_deviations(card: GraphicsCard | None) -> Sequence[str]:
    return IntelgpuControl(card=card).factory_deviations()


@hookimpl
def examine(clock: Clock) -> Sequence[Finding]:
    findings = []
    for limit in IntelgpuControl().cards():
        now_uw, rated_uw = limit.now_uw(), limit.rated_uw
        detail = f"{now_uw / 1e6:.0f} W" if now_uw else "off"
        detail += f", the maker's: {rated_uw / 1e6:.0f} W" if rated_uw else ", the maker's: not told"
        detail += f"; of {SCOPES[limit.scope]}. The least that it keeps shows when it is set"
        findings.append(Finding(f"{limit.card.driver} {limit.address} power limit", "ok", detail))
    return findings or [Finding("Intel card", "absent", "none with a power limit that the kernel offers")]
