"""What a plan asks of the rig's readings, held against what its sensors read now. Pure, but for the sampler.

A rule on what this rig lacks has its way out (a wait of fixed length, a mark), so most of this is doubtful;
missing is what would end the night, reject every attempt, or leave a claim without numbers.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

from harness.metrics import METRICS
from harness.needs.need import Need, NeedState
from harness.plan.locate import Path
from harness.plan.schema import Conditions, Plan, SettingSpec, TitleSpec, own_rule, shared_rule
from harness.stages import STAGES, TEMPERATURE, AnyStage, Rule

#: Temperatures that conditions can be held on, in order of preference, as the engine has them.
TEMPERATURES = ("core_temp_c", "hotspot_temp_c", "cpu_temp_c")
#: Quantities that the plan may limit.
LIMITED = ("core_temp_c", "hotspot_temp_c", "memory_temp_c", "power_w")


@dataclass(frozen=True)
class Rest:
    """What the rig's sensors read while nothing runs.

    Attributes:
        offered: Quantities that some sensor offers.
        values: Quantity -> reading.
        unread: Quantity that is offered -> why it is not read.
    """

    offered: Collection[str]
    values: Mapping[str, float]
    unread: Mapping[str, str]

    def why_not(self, quantity: str) -> str | None:
        """Why there is no reading of it; None where there is one."""
        if quantity in self.values:
            return None
        return self.unread.get(quantity, f"no sensor of this rig reads {quantity}")


def wanted_quantities(plan: Plan) -> dict[str, Path]:
    """Quantity -> place in the plan that asks for its readings; empty for a plan that asks for none."""
    wanted: dict[str, Path] = {}
    for quantity in LIMITED:
        if getattr(plan.limits, quantity) is not None:
            wanted.setdefault(quantity, ("limits", quantity))
    for path, stage, rule in placed_rules(plan):
        for quantity in stage.looks_at(rule):
            name = plan.conditions.temperature or TEMPERATURES[0] if quantity == TEMPERATURE else quantity
            wanted.setdefault(name, path)
    if plan.conditions.temperature is not None:
        wanted.setdefault(plan.conditions.temperature, ("conditions", "temperature"))
    for path, group in _claims(plan):
        for quantity in group:
            wanted.setdefault(quantity, path)
    for quantity in plan.instruments:
        wanted.setdefault(quantity, ("instruments", quantity))
    return wanted


def placed_rules(plan: Plan) -> Iterator[tuple[Path, AnyStage, Rule]]:
    """Every rule of a stage with its place in the plan."""
    owners: list[tuple[Path, Conditions | TitleSpec | SettingSpec]] = [(("conditions",), plan.conditions)]
    for index, title in enumerate(plan.titles):
        owners.append((("titles", index), title))
        owners += [(("titles", index, "settings", n), s) for n, s in enumerate(title.settings)]
    for path, owner in owners:
        for stage in STAGES:
            rule = shared_rule(stage, owner) if isinstance(owner, Conditions) else own_rule(stage, owner)
            if rule is not None:
                yield (*path, stage.key), stage, rule


def _claims(plan: Plan) -> Iterator[tuple[Path, tuple[str, ...]]]:
    """Metrics that get a verdict, and the readings of which each needs one."""
    primary = plan.plan.primary_metrics
    named: list[tuple[Path, str]] = [(("plan", "primary_metrics", n), m) for n, m in enumerate(primary)]
    if plan.plan.adaptive is not None:
        decided = plan.plan.adaptive.decide_on
        named += [(("plan", "repeats", "decide_on", n), m) for n, m in enumerate(decided)]
    for path, metric in named:
        if metric in METRICS.compared_as and METRICS.compared_as[metric].reads:
            yield path, METRICS.compared_as[metric].reads


def reading_needs(plan: Plan, rest: Rest) -> Iterator[Need]:
    """Everything that the plan asks of readings and does not get, or can't be as the readings are."""
    yield from _limit_needs(plan, rest)
    for path, group in _claims(plan):
        if not any(quantity in rest.values for quantity in group):
            why = "; ".join(rest.why_not(quantity) or "" for quantity in group)
            yield Need(path, "missing", why, "add its sensor, or decide on another metric")
    temperature = _temperature(plan, rest)
    if plan.conditions.temperature is not None and temperature != plan.conditions.temperature:
        why = rest.why_not(plan.conditions.temperature) or ""
        instead = f"; {temperature} is held instead" if temperature is not None else ""
        yield Need(("conditions", "temperature"), "doubtful", f"{why}{instead}", "name one that is read")
    for path, stage, rule in placed_rules(plan):
        yield from _rule_needs(path, stage, rule, temperature, rest)
    for quantity in plan.instruments:
        if (unread := rest.why_not(quantity)) is not None:
            yield Need(
                ("instruments", quantity), "doubtful", unread, "add its sensor, or leave this line out"
            )


def _temperature(plan: Plan, rest: Rest) -> str | None:
    first = [plan.conditions.temperature] if plan.conditions.temperature is not None else []
    return next((quantity for quantity in (*first, *TEMPERATURES) if quantity in rest.offered), None)


def _limit_needs(plan: Plan, rest: Rest) -> Iterator[Need]:
    for quantity in LIMITED:
        limit = getattr(plan.limits, quantity)
        if limit is None:
            continue
        place = ("limits", quantity)
        why = rest.why_not(quantity)
        if why is not None and plan.limits.unwatched == "refuse":
            remedy = 'add or fix its sensor, remove the limit, or set unwatched = "accept" in [limits]'
            yield Need(place, "missing", f"{why}, so the limit can't be watched", remedy)
        elif why is not None:
            yield Need(place, "doubtful", f"{why}, so the limit is not watched", "add or fix its sensor")
        elif rest.values[quantity] >= limit:
            unit = "°C" if quantity.endswith("_c") else "W"
            what = (
                f"{quantity} is {rest.values[quantity]:.0f} {unit} while nothing runs, at or above {limit:g}"
            )
            yield Need(place, "missing", what, "raise the limit: the first title would be ended at once")


def _rule_needs(
    path: Path, stage: AnyStage, rule: Rule, temperature: str | None, rest: Rest
) -> Iterator[Need]:
    for quantity in stage.looks_at(rule):
        name = temperature if quantity == TEMPERATURE else quantity
        if name is None:
            what = "the rule asks for a temperature, and no sensor of this rig reads one: it becomes a wait"
            yield Need(path, "doubtful", what, "see `levelrig doctor`, or give it seconds")
        elif (why := rest.why_not(name)) is not None:
            yield Need(path, "doubtful", f"{why}, which the rule waits for", "add or fix its sensor")
    limit_c, ambient_c = stage.start_limit_c(rule), rest.values.get("ambient_temp_c")
    if limit_c is None:
        return
    waits = f"it would wait {rule.timeout_s:g} s each time"
    if ambient_c is not None and limit_c <= ambient_c:
        what = f"nothing cools down to {limit_c:g} °C in air of {ambient_c:.0f} °C: {waits}"
    elif ambient_c is None and limit_c < 20:
        what = f"{limit_c:g} °C is below the air of a usual room: {waits}"
    else:
        return
    state: NeedState = "doubtful" if rule.then == "mark" else "missing"
    yield Need(path, state, what, "raise it, or use until_above_ambient_k or or_stopped_falling")
