"""What one title of a plan needs, under one setting and one profile: a part of what the night needs."""

from __future__ import annotations

from harness.before_night.companions import companion_needs
from harness.needs.need import Need
from harness.plan.locate import Path
from harness.plan.schema import Plan
from harness.plugins import PluginHost


def title_needs(plan: Plan, host: PluginHost, *, title: str, setting: str, profile: str) -> list[Need]:
    """What is missing to it, or doubtful.

    Args:
        plan: The whole plan, so that places are those of its file.
        host: The installed plugins.
        title, setting, profile: Names.
    """
    index = [one.name for one in plan.titles].index(title)
    number = [one.name for one in plan.titles[index].settings].index(setting)
    profiles = [n for n, one in enumerate(plan.profiles) if one.name == profile]
    found = dict.fromkeys((*companion_needs(plan), *host.needs(plan)))
    return [
        need
        for need in found
        if need.state != "met" and _concerns(need.path, index, number, profiles[0] if profiles else -1)
    ]


def _concerns(path: Path, title: int, setting: int, profile: int) -> bool:
    if path[:1] == ("titles",):
        return path[1:2] == (title,) and (path[2:3] != ("settings",) or path[3:4] in ((), (setting,)))
    return path[:1] != ("profiles",) or path[1:2] == (profile,)


def gives_no_result(need: Need) -> bool:
    """It is only that the title gives neither frames nor a score: trying it shows what there is."""
    return need.of_plan and len(need.path) == 2
