"""Which quantities an attempt is worth nothing without.

Core is what the plan's limits watch, what its conditions are held on, the card's power (by counter or by
reading: one of them is enough) and what its adaptive repeats are decided on; everything else only marks.
"""

from __future__ import annotations

from collections.abc import Collection

from harness.metrics import METRICS
from harness.metrics.power import CARD_POWER
from harness.plan.schema import Plan, all_rules
from harness.stages import TEMPERATURE
from harness.telemetry.ceilings import limits_of


def core_quantities(plan: Plan, temperature: str | None, offered: Collection[str]) -> list[tuple[str, ...]]:
    """Groups of core quantities that this rig has; one of each group must be read.

    Args:
        plan: The plan.
        temperature: Quantity that its conditions are held on; None for none.
        offered: What the rig's sensors offer.
    """
    groups: list[tuple[str, ...]] = [CARD_POWER]
    if plan.limits.unwatched == "refuse":
        groups += [(quantity,) for quantity in limits_of(plan.limits)]
    looked_at = [quantity for stage, rule in all_rules(plan) for quantity in stage.looks_at(rule)]
    if temperature is not None and TEMPERATURE in looked_at:
        groups.append((temperature,))
    groups += [(quantity,) for quantity in looked_at if quantity != TEMPERATURE]
    for metric in plan.plan.adaptive.decide_on if plan.plan.adaptive else ():
        groups.append(METRICS.compared_as[metric].reads if metric in METRICS.compared_as else ())
    had = (tuple(quantity for quantity in group if quantity in offered) for group in groups)
    return [group for group in dict.fromkeys(had) if group]
