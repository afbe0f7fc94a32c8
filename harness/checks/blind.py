"""Checks that no sensor of a rig gives anything to look at."""

from __future__ import annotations

from collections.abc import Collection

from harness.plan.checks_table import Checks


def blind_checks(quantities: Collection[str], limits: Checks) -> list[str]:
    """What the checks of a plan can't see on this rig, a sentence each. Pure.

    Args:
        quantities: All that the rig's sensors deliver.
        limits: The plan's thresholds.
    """
    if (
        "core_clock_mhz" in quantities
        and "limit_reasons" not in quantities
        and limits.alarming_limits_at_most_pct is not None
    ):
        return [
            "the check limit-reasons sees nothing here: no sensor tells why the card's clock is held down, "
            "so heat or a power brake shows in clocks, temperatures and frame times only"
        ]
    return []
