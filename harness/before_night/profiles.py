"""What the profiles of a plan need: values that this machine can take, and a difference to measure."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from harness.errors import HarnessError
from harness.needs.need import Need
from harness.plan.schema import Plan, ProfileSpec
from harness.plugins import PluginHost
from harness.rig import Rig


def profile_needs(plan: Plan, host: PluginHost, rig: Rig) -> Iterator[Need]:
    """Complaints about profiles; those that change hardware are asked of their card elsewhere."""
    earlier: dict[Any, str] = {}
    for index, profile in enumerate(plan.profiles):
        yield from _refused(index, profile, host, rig)
        sets = _what_it_sets(profile, host)
        if profile.name != plan.plan.blank and (same := earlier.get(sets)) is not None:
            what = f"profile {profile.name} sets the same as {same}, so nothing can differ between them"
            remedy = 'change one of them; to measure the reference twice, use blank = "NAME" in [plan]'
            yield Need(("profiles", index), "doubtful", what, remedy, of_plan=True)
        earlier.setdefault(sets, profile.name)


def _refused(index: int, profile: ProfileSpec, host: PluginHost, rig: Rig) -> Iterator[Need]:
    """What a control that changes no hardware has against the profile on this machine."""
    kind = host.kind("control", profile.control)
    if kind.changes_hardware or kind.options is None:
        return  # asked elsewhere; nothing to refuse
    try:
        found = rig.open_control(profile.control).check(profile)
    except HarnessError as error:  # as one that only a rehearsal has
        yield Need(
            ("profiles", index, "control"), "doubtful", str(error), "rehearse it, or name another control"
        )
        return
    for problem in found:
        key = problem.where.removeprefix(f"profiles.{profile.name}").removeprefix(".")
        place = ("profiles", index, key) if key in profile.options else ("profiles", index)
        yield Need(place, "missing", problem.what, problem.remedy)


def _what_it_sets(profile: ProfileSpec, host: PluginHost) -> Any:
    """Control and values, equal for two profiles that do the same; nothing set is the state as found."""
    options = host.kind("control", profile.control).options
    usual = {} if options is None else {key: field.default for key, field in options.model_fields.items()}
    values = {
        key: value for key, value in profile.options.items() if value is not None and value != usual.get(key)
    }
    return (profile.control, repr(sorted(values.items()))) if values else None
