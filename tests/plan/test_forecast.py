"""The forecast bounds the night, says what it assumed, and takes what was learned."""

from __future__ import annotations

from typing import Any

from harness.plan.cells import expand
from harness.plan.forecast import Span, forecast
from harness.plan.order import arrange
from harness.plan.schema import Plan


def plan_of(**tables: Any) -> Plan:
    title: dict[str, Any] = {"name": "t", "workload": "scene", "measure_s": 10.0}
    return Plan.model_validate(
        {
            "plan": {"question": "?", "repeats": 3, "reference": "a"},
            "profiles": [{"name": "a"}, {"name": "b"}],
            "titles": [title],
            "conditions": {"cooldown": {"seconds": 4}, "warm_up": {"seconds": 2}},
            **tables,
        }
    )


def test_fixed_phases_are_counted_exactly():
    night = forecast(plan_of())
    assert night.attempts == 6
    assert night.phases["window"] == Span(60, 60, 60)
    assert night.phases["cooldown"] == Span(24, 24, 24)
    assert night.phases["warm-up"] == Span(12, 12, 12)
    assert night.phases["soak"] == Span()
    assert night.shortest_s == 96


def test_a_rule_with_a_timeout_gives_a_range_and_a_stated_assumption():
    night = forecast(plan_of(conditions={"cooldown": {"until_at_most_c": 45, "timeout_s": 300}}))
    assert night.phases["cooldown"] == Span(0, 6 * 90, 6 * 300)
    assert any("cools down" in text for text in night.assumptions)
    assert night.longest_with_retries_s == 3 * night.longest_s


def test_what_was_learned_replaces_the_assumption_but_stays_inside_the_rule():
    rule = {"until_at_most_c": 45, "timeout_s": 300, "seconds": 20}
    plan = plan_of(conditions={"cooldown": rule})
    assert forecast(plan, learned_s={"cooldown": 41.0}).phases["cooldown"].expected_s == 6 * 41
    assert forecast(plan, learned_s={"cooldown": 5.0}).phases["cooldown"].expected_s == 6 * 20


def test_the_slots_that_are_left_can_be_forecast_alone():
    plan = plan_of()
    slots = arrange(plan, expand(plan))
    assert forecast(plan, slots[4:]).expected_s * 3 == forecast(plan, slots).expected_s


def test_a_title_without_a_window_runs_to_its_end_at_most_to_its_deadline():
    night = forecast(plan_of(titles=[{"name": "t", "workload": "scene", "deadline_s": 100}]))
    assert night.phases["window"] == Span(0, 600, 600)


def test_the_plans_own_end_of_the_night_is_compared():
    assert not forecast(plan_of()).ends_early
    assert forecast(plan_of(limits={"night_ends_after_s": 60})).ends_early
