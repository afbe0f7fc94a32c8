"""The rules of the stages as page and methods paragraph tell them."""

from __future__ import annotations

from typing import Any

from harness.plan.schema import Plan
from harness.report.conditions import methods_sentence, rules_in_words, start_limit, start_word
from harness.report.names import Names


class Folder:
    """What names need of a campaign."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan


def plan_of(conditions: dict[str, Any], *titles: dict[str, Any]) -> Plan:
    return Plan.model_validate(
        {
            "plan": {"question": "?", "repeats": 2, "reference": "factory"},
            "conditions": conditions,
            "profiles": [{"name": "factory"}],
            "titles": [
                {"name": f"title-{i}", "workload": "made-up", **title} for i, title in enumerate(titles)
            ],
        }
    )


def told(plan: Plan) -> dict[str, str]:
    return {stage.key: words for stage, words in rules_in_words(plan, Names(Folder(plan)), "core")}


def test_one_rule_for_all_is_told_once():
    plan = plan_of({"warm_up": {"seconds": 30}}, {}, {})
    assert told(plan) == {"cooldown": "10 s", "warm_up": "30 s", "soak": "none"}


def test_titles_with_a_rule_of_their_own_are_named_with_it():
    plan = plan_of({"warm_up": {"seconds": 30}}, {"label": "Old Quay", "warm_up": {"seconds": 5}}, {})
    assert told(plan)["warm_up"] == "30 s; for Old Quay: 5 s"


def test_a_rule_of_the_plan_that_no_title_has_is_not_told():
    own = {"warm_up": {"seconds": 5}}
    assert told(plan_of({"warm_up": {"seconds": 30}}, own, own))["warm_up"] == "5 s"
    other = {"warm_up": {"passes": 2}}
    assert told(plan_of({"warm_up": {"seconds": 30}}, own, other))["warm_up"] == (
        "for title-0: 5 s; for title-1: 2 passes of the title"
    )


def test_a_setting_is_named_where_the_settings_of_a_title_differ():
    settings = [{"name": "low", "label": "Low"}, {"name": "high", "soak": {"window_s": 9}}]
    rule = {"slope_at_most_c_per_min": 1.0, "window_s": 30, "timeout_s": 60}
    words = told(plan_of({"soak": rule}, {"settings": settings}))["soak"]
    assert words.endswith("for 60 s at most; for title-0, high: none")


def test_the_methods_paragraph_tells_them_in_the_order_of_an_attempt():
    plan = plan_of({}, {"label": "Old Quay", "warm_up": {"seconds": 5}}, {})
    assert methods_sentence(plan, Names(Folder(plan)), "core temperature") == (
        "Before each repeat the rig cooled (10 s); each title warmed up (10 s; for Old Quay: 5 s), "
        "with soak: none."
    )


def test_the_line_of_the_chart_is_the_rule_s_own_temperature():
    assert start_limit(plan_of({"cooldown": {"until_at_most_c": 45}}, {})) == (45, "cooldown")
    assert start_limit(plan_of({}, {})) is None
    assert start_word(plan_of({}, {})) == "cooldown"
