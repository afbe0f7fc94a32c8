"""Repeats are chosen from the time and the margin, by the plan's own forecast and calculation."""

from __future__ import annotations

import pytest

from harness.analysis.planning import resolvable_rows
from harness.newplan.repeats import LEAST, MOST, choose, with_repeats
from harness.plan.forecast import forecast
from harness.plan.load import parse_plan

PLAN = """
[plan]
question = "Is it as fast?"
repeats = 1
reference = "factory"
margin_pct = {margin}
allow_hardware_changes = true
[conditions]
cooldown = {{ seconds = 20 }}
warm_up = {{ seconds = 30 }}
[[profiles]]
name = "factory"
"""


@pytest.fixture
def plan(host):
    def make(profiles=2, titles=3, margin=3.0, measure_s=60):
        text = PLAN.format(margin=margin)
        for number in range(1, profiles):
            text += f'[[profiles]]\nname = "p{number}"\ncontrol = "processor"\nthread_count = {number}\n'
        for number in range(titles):
            text += f'[[titles]]\nname = "t{number}"\nworkload = "scene"\nscene = "slow-tide"\n'
            text += f"measure_s = {measure_s}\n"
        return parse_plan(text, "plan", host.kinds)

    return make


@pytest.mark.parametrize("profiles", [1, 2, 3, 4])
@pytest.mark.parametrize("hours", [0.5, 2, 8, 40])
def test_what_is_chosen_fits_or_is_the_least(plan, profiles, hours):
    made = plan(profiles)
    chosen = choose(made, hours * 3600)
    assert chosen.expected_s == forecast(with_repeats(made, chosen.repeats)).expected_s
    assert chosen.expected_s <= hours * 3600 or chosen.repeats == LEAST
    assert chosen.fit == MOST or forecast(with_repeats(made, chosen.fit + 1)).expected_s > hours * 3600


def test_a_long_night_has_as_many_as_the_margin_takes_and_no_more(plan):
    made = plan(margin=3.0)
    chosen = choose(made, 100 * 3600)
    rows = resolvable_rows(with_repeats(made, chosen.repeats))
    of_titles = [r for r in rows if r["title"] is not None and r["metric"] == "average_fps"]
    assert all(row["chance_of_same"] >= 0.8 for row in of_titles)
    assert chosen.repeats < chosen.fit
    assert "decide the margin" in chosen.reason


def test_a_narrow_margin_asks_for_more_repeats_than_a_wide_one(plan):
    assert choose(plan(margin=1.5), 1e6).repeats > choose(plan(margin=5.0), 1e6).repeats


def test_the_order_comes_out_even_where_there_is_room(plan):
    assert choose(plan(2), 8 * 3600).repeats % 2 == 0
    assert choose(plan(3, margin=1.5), 30 * 3600).repeats % 6 == 0


def test_a_night_too_short_says_how_many_it_takes(plan):
    chosen = choose(plan(4, titles=10, measure_s=300), 3600)
    assert chosen.repeats == LEAST
    assert chosen.nights > 1
    assert f"about {chosen.nights} such nights" in chosen.reason


def test_what_is_short_of_the_margin_is_told(plan):
    chosen = choose(plan(margin=1.0), 2 * 3600)
    assert "what the night has time for; to decide" in chosen.reason


def test_one_profile_is_described(plan):
    assert "nothing is compared" in choose(plan(1), 8 * 3600).reason
