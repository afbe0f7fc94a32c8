"""Which cards the kernel's monitoring files show. Quantities are measured by ``levelrig doctor`` itself."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from harness.hookspecs import Finding
from harness_plugins.hwmon.cards import CARD_DRIVERS
from harness_plugins.hwmon.sysfs import find_chips, read_text


def examine_hwmon(root: Path) -> Sequence[Finding]:
    """One line for each card, since reading wakes one that sleeps; one where there are no files at all."""
    chips = find_chips(root)
    if not chips:
        why = "Linux only" if sys.platform != "linux" else "this kernel shows none (usual in containers)"
        return [Finding("hwmon", "absent", f"no monitoring files: {why}")]
    findings = []
    for chip in chips:
        if chip.name in CARD_DRIVERS:
            subject = f"card {chip.address}"
            if read_text(chip.device / "power" / "runtime_status") == "suspended":
                remedy = "start some load on it and ask again"
                findings.append(Finding(subject, "missing", f"driver {chip.name}; it sleeps", remedy))
            else:
                findings.append(Finding(subject, "ok", f"driver {chip.name}"))
    return findings
