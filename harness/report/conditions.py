"""What the report says of the stages: their rules in words, title by title where they differ."""

from __future__ import annotations

from typing import Protocol

from harness.plan.schema import Plan, own_rule, shared_rule
from harness.stages import STAGES, AnyStage, Rule


class RowNames(Protocol):
    """Names of titles as a reader calls them."""

    def __getitem__(self, name: str) -> str: ...

    def row(self, title: str, setting: str) -> str:
        """Title, with its setting where it has several."""


def rules_in_words(plan: Plan, names: RowNames, temperature: str) -> list[tuple[AnyStage, str]]:
    """Each stage that the plan has, with its rule in words; titles whose rule differs are named with theirs.

    Args:
        plan: The plan.
        names: Names of its titles.
        temperature: What to call the temperature that conditions are held on.
    """
    found = []
    for stage in STAGES:
        shared = shared_rule(stage, plan.conditions)
        titles_by_rule: dict[str, list[str]] = {}
        for title in plan.titles:
            said = {
                names.row(title.name, setting.name): _said(
                    stage, own_rule(stage, setting) or own_rule(stage, title) or shared, temperature
                )
                for setting in title.settings
            }
            if len(set(said.values())) == 1:
                said = {names[title.name]: next(iter(said.values()))}
            for name, words in said.items():
                titles_by_rule.setdefault(words, []).append(name)
        if shared is not None or titles_by_rule.keys() != {_NONE}:
            found.append((stage, _by_title(titles_by_rule, _said(stage, shared, temperature))))
    return found


_NONE = "none"


def _said(stage: AnyStage, rule: Rule | None, temperature: str) -> str:
    return _NONE if rule is None else stage.says(rule, temperature)


def _by_title(titles_by_rule: dict[str, list[str]], shared: str) -> str:
    """``10 s; for Harbour Lights and Old Quay: 45 s``; the plan's own rule first, where a title has it."""
    if len(titles_by_rule) == 1:
        return next(iter(titles_by_rule))
    own = [
        f"for {' and '.join(titles)}: {words}" for words, titles in titles_by_rule.items() if words != shared
    ]
    return "; ".join([*([shared] if shared in titles_by_rule else []), *own])


def methods_sentence(plan: Plan, names: RowNames, temperature: str) -> str:
    """The stages in the methods paragraph."""
    before: list[str] = []
    inside: list[str] = []
    for stage, words in rules_in_words(plan, names, temperature):
        (before if stage.place == "before-launch" else inside).append(stage.methods(words))
    parts = [f"Before each repeat {', '.join(before)}"] if before else []
    parts += [f"{'each' if before else 'Each'} title {', '.join(inside)}"] if inside else []
    return f"{'; '.join(parts)}."


def start_word(plan: Plan) -> str:
    """The stage at whose end a repeat's start conditions are taken."""
    before = [stage.word for stage in STAGES.at("before-launch") if shared_rule(stage, plan.conditions)]
    return before[-1] if before else "wait before the launch"


def start_limit(plan: Plan) -> tuple[float, str] | None:
    """Temperature up to which the plan's rules let a title start, °C, and the stage whose rule it is."""
    for stage in STAGES.at("before-launch"):
        rule = shared_rule(stage, plan.conditions)
        limit_c = None if rule is None else stage.start_limit_c(rule)
        if limit_c is not None:
            return limit_c, stage.word
    return None
