"""The methods paragraph says by which rule repeats were added."""

import dataclasses

import pytest

from harness.plan.schema import AdaptiveRepeats
from harness.report.folder import read_campaign
from harness.report.names import Names
from harness.report.sections.methods import methods


@pytest.mark.parametrize(
    ("rule", "goal"),
    [
        ({}, "comparison was decided ("),
        ({"until_half_width_pct": 1.5}, "comparison had an interval within ±1.5 % ("),
        (
            {"until_half_width_pct": 2, "until_margin_is_decided": True},
            "comparison was decided and had an interval within ±2 % (",
        ),
    ],
)
def test_the_methods_paragraph_names_the_goal_of_added_repeats(small_campaign, rule, goal):
    campaign = read_campaign(small_campaign)
    repeats = AdaptiveRepeats.model_validate({"at_least": 3, "at_most": 9, **rule})
    head = campaign.plan.plan.model_copy(update={"repeats": repeats})
    adaptive = dataclasses.replace(campaign, plan=campaign.plan.model_copy(update={"plan": head}))
    assert f"3 to 9 repeats, added until each {goal}" in methods(adaptive, Names(adaptive), "1.0")
