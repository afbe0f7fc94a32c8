"""Which quantities an attempt is worth nothing without.

Core is what the plan's limits watch, what its conditions are held on, the card's power (by counter or by
reading: one of them is enough) and what its adaptive repeats are decided on; everything else only marks.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator

from harness.metrics import METRICS
from harness.metrics.power import CARD_POWER
from harness.plan.schema import Plan, Soak, WarmUp
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
    cooldown = plan.conditions.cooldown
    steady = list(_steady_rules(plan))
    cools = (cooldown.until_at_most_c, cooldown.until_above_ambient_k, cooldown.until_within_of_first_k)
    holds = cooldown.or_stopped_falling or any(value is not None for value in cools)
    if temperature is not None and (holds or any(temp for temp, _ in steady)):
        groups.append((temperature,))
    if cooldown.until_above_ambient_k is not None:
        groups.append(("ambient_temp_c",))
    if any(clock for _, clock in steady):
        groups.append(("core_clock_mhz",))
    for metric in plan.plan.adaptive.decide_on if plan.plan.adaptive else ():
        groups.append(METRICS.compared_as[metric].reads if metric in METRICS.compared_as else ())
    had = (tuple(quantity for quantity in group if quantity in offered) for group in groups)
    return [group for group in dict.fromkeys(had) if group]


def _steady_rules(plan: Plan) -> Iterator[tuple[bool, bool]]:
    """Of each warm-up and soak rule: whether it looks at the temperature, and at the clock."""
    rules: list[tuple[WarmUp | None, Soak | None]] = [(plan.conditions.warm_up, plan.conditions.soak)]
    for title in plan.titles:
        rules += [(title.warm_up, title.soak), *((s.warm_up, s.soak) for s in title.settings)]
    for warm_up, soak in rules:
        if warm_up is not None and warm_up.until_steady:
            yield True, True
        if soak is not None:
            yield soak.slope_at_most_c_per_min is not None, soak.clock_variation_at_most_pct is not None
