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


def said(folder, **changed) -> str:
    campaign = read_campaign(folder)
    head = campaign.plan.plan.model_copy(update=changed)
    campaign = dataclasses.replace(campaign, plan=campaign.plan.model_copy(update={"plan": head}))
    return methods(campaign, Names(campaign), "1.0")


def test_the_methods_paragraph_tells_of_an_extension_and_of_the_room_for_one(small_campaign):
    assert "extension" not in said(small_campaign)
    kept = said(small_campaign, may_extend_once=True)
    assert "A fifth of the error rate was kept for one extension, which was not used" in kept
    used = said(small_campaign, repeats=3, may_extend_once=True, extended_to=5)
    assert "5 planned repeats of each cell" in used
    assert "After a look at 3 repeats of each cell the plan was extended once, to 5," in used


def test_the_methods_paragraph_calls_the_metrics_as_the_page_does(small_campaign):
    assert "names beforehand (average FPS, 1 % low)" in said(small_campaign)
    of_a_missing_plugin = said(small_campaign, primary_metrics=("average_fps", "frames_by_moonlight"))
    assert "names beforehand (average FPS, frames_by_moonlight)" in of_a_missing_plugin


def test_the_methods_paragraph_says_what_the_blank_is(small_campaign):
    campaign = read_campaign(small_campaign)
    reference, other = (campaign.plan.plan.reference, next(p.name for p in campaign.plan.profiles[::-1]))
    names = Names(campaign)
    assert f"{names[other]} is {names[reference]} measured once more" in said(small_campaign, blank=other)
