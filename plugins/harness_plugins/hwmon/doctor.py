"""Which cards the kernel's monitoring files show. Quantities are measured by ``levelrig doctor`` itself."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from harness.hookspecs import Finding
from harness_plugins.hwmon.cards import what_amd_lacks
from harness_plugins.hwmon.graphics import find_graphics
from harness_plugins.hwmon.intel import what_is_absent
from harness_plugins.hwmon.sysfs import find_chips, read_text


def examine_hwmon(root: Path) -> Sequence[Finding]:
    """One line for each card, since reading wakes one that sleeps; one where there are no files at all."""
    chips = find_chips(root)
    if not chips and not find_graphics(root):
        why = "Linux only" if sys.platform != "linux" else "this kernel shows none (usual in containers)"
        return [Finding("hwmon", "absent", f"no monitoring files: {why}")]
    findings = []
    for card in find_graphics(root):
        subject = f"card {card.address}"
        name = f"{card.as_card()}, driver {card.driver}"
        if read_text(card.device / "power" / "runtime_status") == "suspended":
            remedy = "start some load on it and ask again"
            findings.append(Finding(subject, "missing", f"{name}; it sleeps", remedy))
            continue
        findings.append(Finding(subject, "ok", name))
        absent = what_amd_lacks(card) if card.driver == "amdgpu" else what_is_absent(card)
        findings += [Finding(f"{subject} {what}", "absent", why) for what, why in absent]
    return findings
