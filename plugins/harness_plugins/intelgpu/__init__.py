"""Control ``intelgpu``: power limit of an Intel card (Linux)."""

from __future__ import annotations

from collections.abc import Sequence

from harness.clock import Clock
from harness.hookspecs import Finding, Kind, Tuning, TuningRange, hookimpl
from harness.rig import Control
from harness_plugins.hwmon.sysfs import Chip, read_number
from harness_plugins.intelgpu.control import IntelgpuControl, IntelgpuOptions


@hookimpl
def kinds() -> Sequence[Kind]:
    summary = "power limit of an Intel card, by the kernel's files"
    return [Kind("control", "intelgpu", summary, IntelgpuOptions, changes_hardware=True)]


@hookimpl
def open_control(kind: str, clock: Clock) -> Control | None:
    return IntelgpuControl() if kind == "intelgpu" else None


@hookimpl
def tunings() -> Sequence[Tuning]:
    return tunings_of(IntelgpuControl().cards())


def tunings_of(cards: Sequence[Chip]) -> list[Tuning]:
    """What these cards can be tuned with; the first needs no name."""
    found = []
    for card in cards:
        rated_uw = read_number(card.folder / "power1_rated_max")
        if rated_uw:
            limit = TuningRange("power_limit_w", 1, rated_uw // 1_000_000, rated_uw // 1_000_000)
            options = {} if card is cards[0] else {"card": card.address}
            found.append(Tuning("intelgpu", f"Intel card {card.address}", (limit,), options))
    return found


@hookimpl
def factory_deviations() -> Sequence[str]:
    return IntelgpuControl().factory_deviations()


@hookimpl
def examine(clock: Clock) -> Sequence[Finding]:
    findings = []
    for card in IntelgpuControl().cards():
        limit_uw, rated_uw = (read_number(card.folder / f) for f in ("power1_max", "power1_rated_max"))
        limit = f"{limit_uw / 1e6:.0f} W" if limit_uw else "off"
        rated = f"{rated_uw / 1e6:.0f} W" if rated_uw else "not told"
        findings.append(
            Finding(f"{card.name} {card.address} power limit", "ok", f"{limit}, the maker's: {rated}")
        )
    return findings or [Finding("Intel card", "absent", "none with a power limit that the kernel offers")]
