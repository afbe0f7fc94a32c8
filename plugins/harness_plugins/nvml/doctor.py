"""What ``levelrig doctor`` says of NVIDIA cards: who they are and what could be set. Reads only."""

from __future__ import annotations

from harness.hookspecs import Finding
from harness_plugins.nvml.card import Card
from harness_plugins.nvml.codes import LIBRARY_NOT_FOUND, NO_PERMISSION, CallFailed
from harness_plugins.nvml.library import GRAPHICS_CLOCK, MEMORY_CLOCK, MEMORY_TEMP_FIELD
from harness_plugins.nvml.privilege import REMEDY, may_change_settings


def no_card_finding(error: CallFailed) -> Finding:
    """Why there is no NVIDIA card to work with."""
    if error.code == LIBRARY_NOT_FOUND:
        return Finding("NVIDIA card", "absent", "the driver's library is not installed")
    remedy = (
        "start levelrig as a user who may use the card"
        if error.code == NO_PERMISSION
        else ("install or reload the driver, or reboot after an update")
    )
    return Finding("NVIDIA card", "missing", str(error), remedy)


def card_findings(card: Card) -> list[Finding]:
    """One line for the card, one for each kind of setting."""
    subject = str(card)
    try:
        facts = card.facts()
        shared = {k: facts[k] for k in ("driver_version", "firmware_version") if k in facts}
        memory = facts.get("memory_total_mib")
        findings = [
            Finding(
                subject,
                "ok",
                f"{facts.get('model')}, driver {shared.get('driver_version')}, "
                f"firmware {shared.get('firmware_version', 'unknown')}"
                + (f", {memory} MiB" if memory else "")
                + (
                    f", link {facts['link_generation']} x{facts['link_width']}"
                    if "link_width" in facts
                    else ""
                ),
            ),
            *_setting_findings(card, subject),
            *_absent_findings(card, subject),
        ]
        findings += [Finding(subject, "missing", s, "run `levelrig restore`") for s in card.deviations()]
    except CallFailed as error:
        return [Finding(subject, "missing", str(error), "reboot, then look again")]
    if not may_change_settings():
        findings.append(Finding(f"{subject} settings", "missing", "no privilege to change them", REMEDY))
    return findings


def _absent_findings(card: Card, subject: str) -> list[Finding]:
    """What the limit of a plan may want to guard and this card does not tell, with what could give it."""
    instrument = "an instrument of your own gives it through the sensor `stream`"
    why = f"the driver's interface has no such reading for any card; {instrument}"
    findings = [Finding(f"{subject} hotspot_temp_c", "absent", why)]
    if not _offers(card, MEMORY_TEMP_FIELD):
        why = f"the driver offers it on data-centre cards, not on this one; {instrument}"
        findings.append(Finding(f"{subject} memory_temp_c", "absent", why))
    return findings


def _offers(card: Card, field: int) -> bool:
    try:
        return card.library.fields(card.handle, [field])[0].code == 0
    except CallFailed as error:
        if error.lost:
            raise
        return False


def _setting_findings(card: Card, subject: str) -> list[Finding]:
    findings = []
    limits, limit_mw = card.ask("power_limit_range_mw"), card.ask("power_limit_mw")
    if limits is None or limit_mw is None:
        findings.append(Finding(f"{subject} power limit", "absent", "can't be set on this card"))
    else:
        factory_mw = card.ask("default_power_limit_mw")
        factory = "" if factory_mw is None else f", factory {factory_mw / 1000:g} W"
        findings.append(
            Finding(
                f"{subject} power limit",
                "ok",
                f"{limits[0] / 1000:g} to {limits[1] / 1000:g} W, now {limit_mw / 1000:g} W{factory}",
            )
        )
    findings.append(_clocks(card, subject))
    for words, kind in (("core", GRAPHICS_CLOCK), ("memory", MEMORY_CLOCK)):
        offset = card.ask("clock_offset", kind)
        name = f"{subject} {words} clock offset"
        if offset is None or offset.least_mhz == offset.most_mhz == 0:
            findings.append(Finding(name, "absent", "this card offers none"))
        else:
            detail = f"{offset.least_mhz:+d} to {offset.most_mhz:+d} MHz, now {offset.offset_mhz:+d} MHz"
            findings.append(Finding(name, "ok", detail))
    return findings


def _clocks(card: Card, subject: str) -> Finding:
    name = f"{subject} clock ceiling"
    memory = card.ask("supported_memory_clocks_mhz")
    core = card.ask("supported_core_clocks_mhz", max(memory)) if memory else None
    if not memory or not core:
        return Finding(name, "absent", "the driver lists no clocks for this card")
    steps = ", ".join(str(clock) for clock in sorted(memory))
    return Finding(
        name, "ok", f"core {min(core)} to {max(core)} MHz in {len(core)} steps, memory {steps} MHz"
    )
