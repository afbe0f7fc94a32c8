"""Asks for everything that a night needs: the plan's text, each plugin, the machine, and the rig's readings.

Whatever is opened or started for it is closed and ended before this returns. A plan without instruments,
limits or rules on readings opens no sensor.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from harness.before_night.companions import companion_needs, notify_needs
from harness.before_night.machine import disk_needs, power_needs, restart_needs
from harness.before_night.power_rhythm import rhythm_needs
from harness.before_night.profiles import profile_needs
from harness.before_night.readings import Rest, reading_needs, wanted_quantities
from harness.before_night.steps import step_needs
from harness.errors import Problem
from harness.needs.need import Need
from harness.needs.titles import pattern_needs, setting_needs
from harness.plan.forecast import forecast
from harness.plan.locate import LineIndex, path_text
from harness.plan.schema import Plan
from harness.plugins import PluginHost
from harness.rig import Rig

#: Sensors are given this long for their first readings, s; one that is slow by its own word a little longer.
ANSWER_S: Final = 10.0
_LOOK_S: Final = 0.1


def night_needs(plan: Plan, host: PluginHost, rig: Rig, folder: Path) -> list[Need]:
    """What the night needs, in the order of the plan.

    Args:
        plan: The plan, validated.
        host: The installed plugins.
        rig: Opens the sensors of the plan.
        folder: The campaign folder, which need not be there.
    """
    night = forecast(plan)
    found: list[Need] = []
    for index, title in enumerate(plan.titles):
        lines = {f"expect_lines[{n}]": text for n, text in enumerate(title.expect_lines)}
        found += pattern_needs(("titles", index), lines)
    found += profile_needs(plan, host, rig)
    found += setting_needs(plan)
    found += companion_needs(plan)
    found += step_needs(plan)
    found += notify_needs(plan)
    found += host.needs(plan)
    found += disk_needs(plan, night, folder)
    found += power_needs(night)
    found += rhythm_needs(plan, rig)
    found += restart_needs(night)
    wanted = wanted_quantities(plan)
    if wanted or plan.sensors:
        rest, asked = _ask_sensors(plan, rig, list(wanted))
        found += asked
        found += reading_needs(plan, rest)
    return sorted(dict.fromkeys(found), key=lambda need: path_text(need.path) if need.path else "~")


def problems_of(needs: Sequence[Need], text: str) -> list[Problem]:
    """What is missing, as problems of the plan, each with its line."""
    lines = LineIndex(text)
    return [Problem(where(n, lines), n.what, n.remedy) for n in needs if n.state == "missing"]


def once_begun(needs: Sequence[Need]) -> list[Need]:
    """The same for a campaign that was begun: what its plan says, and instruments, are as they were, so only
    what became of titles and profiles on this machine stops it."""
    return [
        replace(need, state="doubtful")
        if need.state == "missing" and (need.of_plan or need.path[:1] not in (("titles",), ("profiles",)))
        else need
        for need in needs
    ]


def elsewhere(needs: Sequence[Need]) -> list[Need]:
    """The same on a machine that is not the plan's: what only that machine can tell is doubtful."""
    return [
        replace(need, state="doubtful") if need.state == "missing" and not need.of_plan else need
        for need in needs
    ]


def where(need: Need, lines: LineIndex) -> str:
    """Its place in the plan, with the line."""
    if not need.path:
        return "this machine"
    line = lines.line_of(need.path)
    return path_text(need.path) + ("" if line is None else f" (line {line})")


def as_json(needs: Sequence[Need], text: str) -> list[dict[str, Any]]:
    """The needs as JSON values."""
    lines, levels = LineIndex(text), {"missing": "error", "doubtful": "warning", "met": "met"}
    return [
        {
            "level": levels[need.state],
            "where": path_text(need.path) if need.path else "this machine",
            "line": lines.line_of(need.path) if need.path else None,
            "what": need.what,
            "next": need.remedy,
        }
        for need in needs
    ]


def _ask_sensors(plan: Plan, rig: Rig, wanted: Sequence[str]) -> tuple[Rest, list[Need]]:
    """Open the sensors as a night would, wait for their first readings, and close them."""
    from harness.log import get_logger
    from harness.telemetry.sampler import Sampler

    log = get_logger("levelrig.needs")
    sensors = rig.open_sensors()
    sampler = Sampler(
        sensors,
        rig.clock,
        plan.sampling.period_s,
        sensor_tries=plan.retries.sensor_tries,
        on_event=lambda kind, text: log.warning("sensor", event_kind=kind, text=text),
    )
    named = _quantities_of_sensors(plan)
    begun_s = time.monotonic()
    try:
        sampler.start()
        awaited = {*wanted, *named} & set(sampler.quantities)
        slowest_s = max((channel.period_s for _, channel in sampler.channels.values()), default=0.0)
        patience_s = ANSWER_S + min(slowest_s, ANSWER_S)
        while time.monotonic() - begun_s < patience_s:
            if all(sampler.latest(quantity) or sampler.is_lost(quantity) for quantity in awaited):
                break
            time.sleep(_LOOK_S)
        took_s = time.monotonic() - begun_s
        offered = sampler.quantities
        latest = {quantity: sampler.latest(quantity) for quantity in offered}
        values = {quantity: sample.value for quantity, sample in latest.items() if sample is not None}
        unread = {q: why for q in offered if (why := sampler.why_unread(q)) is not None}
        troubles = sampler.troubles(0.0)
    finally:
        sampler.close()
    rest = Rest(offered, values, unread)
    return rest, _answers(plan, rest, took_s, troubles)


def _quantities_of_sensors(plan: Plan) -> set[str]:
    """Quantities that the plan's own [[sensors]] name."""
    return {quantity for spec in plan.sensors for quantity in _own_quantities(spec.options)}


def _own_quantities(options: dict[str, Any]) -> Sequence[str]:
    quantities = options.get("quantities")
    return list(quantities) if isinstance(quantities, dict) else ()


def _answers(plan: Plan, rest: Rest, took_s: float, troubles: Sequence[str]) -> list[Need]:
    """Which of the plan's [[sensors]] answered."""
    found: list[Need] = []
    for index, spec in enumerate(plan.sensors):
        own = _own_quantities(spec.options)
        read = [f"{quantity} {rest.values[quantity]:g}" for quantity in own if quantity in rest.values]
        path = ("sensors", index)
        silent = [quantity for quantity in own if quantity not in rest.values]
        if read:
            found.append(Need(path, "met", f"sensor {spec.kind} answered: {', '.join(read)}"))
        if silent:
            said = [text for text in troubles if f"{spec.kind}:" in text]
            why = f" ({'; '.join(said[:2])})" if said else ""
            what = f"{', '.join(silent)}: no reading within {took_s:.0f} s{why}"
            if spec.kind == "import":  # what records the file may be started later
                remedy = "start what records the file before the night, or fix its path"
                found.append(Need(path, "doubtful", what, remedy))
            else:
                remedy = "look whether the instrument is on and its port free, and try its command by hand"
                found.append(Need(path, "missing", what, remedy))
    return found
