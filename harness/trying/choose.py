"""What of a plan one try runs: a title, a setting, a profile, and the plan cut down to them. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from harness.errors import PlanError, Problem
from harness.plan.complaints import nearest, shown
from harness.plan.night_tables import Night, Notify
from harness.plan.options import NO_CONTROL
from harness.plan.schema import Plan, ProfileSpec, SettingSpec, TitleSpec
from harness.stages import STAGES
from harness.stages.cooldown import Cooldown

Named = TypeVar("Named", TitleSpec, SettingSpec, ProfileSpec)
#: Name of the profile of a try where every profile of the plan changes the card.
AS_FOUND = "as-found"


@dataclass(frozen=True)
class Chosen:
    """What a try runs.

    Attributes:
        plan: The plan, cut down to one repeat of one cell, without a cooldown.
        notes: What was chosen where nothing was asked for, a sentence each.
    """

    plan: Plan
    notes: tuple[str, ...]

    @property
    def title(self) -> TitleSpec:
        return self.plan.titles[0]

    @property
    def setting(self) -> SettingSpec:
        return self.title.settings[0]

    @property
    def profile(self) -> ProfileSpec:
        return self.plan.profiles[0]


def choose(
    plan: Plan,
    source: str,
    *,
    title: str,
    setting: str | None,
    profile: str | None,
    seconds: float | None,
    changes_hardware: Callable[[str], bool],
) -> Chosen:
    """Cut a plan down.

    Args:
        plan: The whole plan.
        source: Its name, for messages.
        title, setting, profile: What was asked for; the title's first setting, and a profile that changes
            nothing on the card, where nothing was.
        seconds: Length of the measured window; None for the plan's.
        changes_hardware: Whether a control does.
    Raises:
        PlanError: There is nothing of that name.
    """
    notes: list[str] = []
    of_plan = _named(plan.titles, title, "TITLE", "title", source)
    of_title = of_plan.settings[0]
    if setting is not None:
        of_title = _named(of_plan.settings, setting, "--setting", f"setting of {of_plan.name}", source)
    elif len(of_plan.settings) > 1:
        names = ", ".join(one.name for one in of_plan.settings[1:])
        notes.append(f"setting {of_title.name}, the first; others by --setting: {names}")
    if profile is not None:
        tuned = _named(plan.profiles, profile, "--profile", "profile", source)
    else:
        tuned = _harmless(plan, changes_hardware)
        others = [one.name for one in plan.profiles if one.name != tuned.name]
        if others:
            notes.append(f"profile {tuned.name}; others by --profile: {', '.join(others)}")
    cut = _for(of_plan, of_title, seconds)
    return Chosen(_one_attempt(plan, cut, tuned), tuple(notes))


def _named(entries: Sequence[Named], name: str, where: str, noun: str, source: str) -> Named:
    for entry in entries:
        if entry.name == name:
            return entry
    problem = Problem(where, f"no {noun} is named {shown(name)}", nearest(name, [e.name for e in entries]))
    raise PlanError(source, [problem])


def _harmless(plan: Plan, changes_hardware: Callable[[str], bool]) -> ProfileSpec:
    """The reference, or the first other one, that changes nothing on the card."""
    ordered = sorted(plan.profiles, key=lambda profile: profile.name != plan.plan.reference)
    harmless = (profile for profile in ordered if not changes_hardware(profile.control))
    return next(harmless, ProfileSpec(name=AS_FOUND, control=NO_CONTROL))


def _for(title: TitleSpec, setting: SettingSpec, seconds: float | None) -> TitleSpec:
    """The title with that setting only, measured for so long."""
    if seconds is None:
        return title.model_copy(update={"settings": [setting]})
    longer_s = max(0.0, seconds - (setting.measure_s or title.measure_s or seconds))
    deadline_s = (setting.deadline_s or title.deadline_s) + longer_s
    own = setting.model_copy(update={"measure_s": seconds, "deadline_s": deadline_s})
    return title.model_copy(update={"measure_s": seconds, "settings": [own]})


def _one_attempt(plan: Plan, title: TitleSpec, profile: ProfileSpec) -> Plan:
    head: dict[str, Any] = {
        "repeats": 1,
        "order": "as-listed",
        "reference": profile.name,
        "blank": None,
        "may_extend_once": False,
        "extended_to": None,
    }
    rules: dict[str, Any] = {
        stage.key: Cooldown(seconds=0) if stage.key == "cooldown" else None
        for stage in STAGES.at("before-launch")
    }
    return plan.model_copy(
        update={
            "plan": plan.plan.model_copy(update=head),
            "conditions": plan.conditions.model_copy(update=rules),
            "limits": plan.limits.model_copy(update={"night_ends_after_s": None}),
            "retries": plan.retries.model_copy(update={"attempts_per_repeat": 1, "launch_tries": 1}),
            "sentinels": None,
            "night": Night(),
            "notify": Notify(),
            "profiles": [profile],
            "titles": [title],
        }
    )
