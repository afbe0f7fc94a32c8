"""Adaptive repeats: who gets another block, and when it ends."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from pydantic import ValidationError

from harness.analysis import AnalysisSettings, next_slots, stop_decision
from harness.analysis.analyse import analyse
from harness.plan.schema import AdaptiveRepeats, PlanHead

RULE = AdaptiveRepeats(at_least=3, at_most=6)
SETTINGS = AnalysisSettings("factory", profiles=("factory", "quiet", "cool"), adaptive=RULE)
GROUPS = [("calm", "default"), ("noisy", "default")]
CELLS = [(title, setting, profile) for title, setting in GROUPS for profile in SETTINGS.profiles]


def repeats_so_far(count: int, only: tuple[str, ...] = ("calm", "noisy"), seed: int = 1) -> pd.DataFrame:
    """The calm title repeats to 0.02 %, the noisy one scatters by 4 %; nothing differs."""
    random = np.random.default_rng(seed)
    noise = {"calm": 0.0002, "noisy": 0.04}
    rows = [
        {
            "campaign_id": "c",
            "title": title,
            "setting": "default",
            "profile": profile,
            "block": block,
            "average_fps": 100 * np.exp(random.normal(0, noise[title])),
        }
        for block in range(count)
        for title in only
        for profile in SETTINGS.profiles
    ]
    return pd.DataFrame(rows)


def test_before_the_first_repeat_every_cell_is_wanted():
    assert list(next_slots(pd.DataFrame(), SETTINGS, GROUPS)) == CELLS


def test_no_cell_stops_below_the_least_count_however_clear_it_looks():
    assert list(next_slots(repeats_so_far(2), SETTINGS, GROUPS)) == CELLS


def test_a_decided_title_stops_and_an_undecided_one_goes_on():
    wanted = next_slots(repeats_so_far(3), SETTINGS, GROUPS)
    assert list(wanted) == [cell for cell in CELLS if cell[0] == "noisy"]
    standings = {(s.title, s.profile): s for s in stop_decision(repeats_so_far(3), SETTINGS, GROUPS)}
    assert standings["calm", "quiet"].decisions == {"average_fps": "same"}
    assert standings["noisy", "quiet"].reason == "undecided: average_fps"


def test_a_decided_profile_rests_while_the_reference_goes_on_for_the_other():
    table = repeats_so_far(3)
    faster = (table["profile"] == "cool") & (table["title"] == "noisy")
    table.loc[faster, "average_fps"] = table.loc[
        (table["profile"] == "factory") & (table["title"] == "noisy"), "average_fps"
    ].to_numpy() * [1.2, 1.2004, 1.2002]
    assert list(next_slots(table, SETTINGS, GROUPS)) == [
        ("noisy", "default", "factory"),
        ("noisy", "default", "quiet"),
    ]


def test_at_the_most_it_ends_undecided():
    assert next_slots(repeats_so_far(6), SETTINGS, GROUPS) == ()
    standings = stop_decision(repeats_so_far(6), SETTINGS, GROUPS)
    assert "6 repeats done" in {s.reason for s in standings if s.title == "noisy"}


def test_a_title_that_lags_still_counts_among_the_claims():
    """One title alone would be decided at a looser level; one without repeats doesn't loosen it."""
    both = {s.title: s for s in stop_decision(repeats_so_far(3, ("calm",)), SETTINGS, GROUPS)}
    assert both["noisy"].wanted
    assert both["noisy"].reason == "below 3 repeats"


def test_metrics_named_by_the_plan_must_all_be_decided():
    table = repeats_so_far(3, ("calm",))
    table["one_percent_low_fps"] = table["average_fps"] * np.exp(
        np.random.default_rng(2).normal(0, 0.05, len(table))
    )
    rule = AdaptiveRepeats(at_least=3, at_most=6, decide_on=["average_fps", "one_percent_low_fps"])
    groups = GROUPS[:1]
    assert next_slots(table, SETTINGS, groups) == ()
    assert next_slots(table, replace(SETTINGS, adaptive=rule), groups)


def test_a_plan_that_asks_for_a_width_goes_on_in_the_wide_titles_only():
    rule = AdaptiveRepeats(at_least=3, at_most=6, until_half_width_pct=0.5)
    assert not rule.until_margin_is_decided
    by_width = replace(SETTINGS, adaptive=rule)
    assert {cell[0] for cell in next_slots(repeats_so_far(4), by_width, GROUPS)} == {"noisy"}
    reasons = {s.title: s.reason for s in stop_decision(repeats_so_far(4), by_width, GROUPS)}
    assert reasons == {"calm": "narrow enough", "noisy": "wider than ±0.5 %: average_fps"}


def test_p_values_and_intervals_pay_for_the_looks():
    table = repeats_so_far(4)
    plain = analyse(table, replace(SETTINGS, adaptive=None)).comparisons
    looked = analyse(table, SETTINGS).comparisons
    assert (looked["p_difference"] >= plain["p_difference"]).all()
    assert (looked["p_same"] >= plain["p_same"]).all()
    assert (looked["high"] - looked["low"] > plain["high"] - plain["low"]).all()


def test_fixed_repeats_have_no_rule_to_ask():
    with pytest.raises(ValueError, match="repeats are fixed"):
        next_slots(pd.DataFrame(), replace(SETTINGS, adaptive=None), GROUPS)


def test_a_plan_states_fixed_or_adaptive_repeats():
    head = {"question": "?", "reference": "factory"}
    fixed = PlanHead(**head, repeats=4)
    adaptive = PlanHead(**head, repeats={"at_least": 3, "at_most": 9, "until_margin_is_decided": True})
    assert (fixed.repeats_at_least, fixed.repeats_at_most, fixed.adaptive) == (4, 4, None)
    assert (adaptive.repeats_at_least, adaptive.repeats_at_most) == (3, 9)
    assert PlanHead.model_validate(adaptive.model_dump()) == adaptive
    with pytest.raises(ValidationError, match="raise at_most"):
        PlanHead(**head, repeats={"at_least": 9, "at_most": 3})
