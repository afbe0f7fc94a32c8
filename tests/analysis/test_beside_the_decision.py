"""Efficiency, Pareto front, sensitivity, variance, instruments and planning."""

import numpy as np
import pandas as pd
import pytest

from harness.analysis import AnalysisSettings, pilot_scatter, resolvable
from harness.analysis.analyse import analyse
from harness.plan.report_table import Cost, Instrument
from harness.plan.schema import Plan

PROFILES = ("factory", "quiet", "poor")
SPEED = {"factory": 1.0, "quiet": 0.99, "poor": 0.9}
POWER = {"factory": 300.0, "quiet": 240.0, "poor": 290.0}


def night(
    titles: int = 4, repeats: int = 4, campaigns: int = 1, campaign_sd: float = 0.0, sd: float = 0.004
) -> pd.DataFrame:
    random = np.random.default_rng(1)
    rows = []
    for campaign in range(campaigns):
        for title in range(titles):
            for profile in PROFILES:
                level = random.normal(0, campaign_sd)
                for block in range(repeats):
                    fps = 80 * (1 + title) * SPEED[profile] * np.exp(level + random.normal(0, sd))
                    watts = POWER[profile] * np.exp(random.normal(0, 0.002))
                    rows.append(
                        {
                            "campaign_id": f"c{campaign}",
                            "title": f"t{title}",
                            "setting": "default",
                            "profile": profile,
                            "block": block,
                            "duration_s": 200.0,
                            "average_fps": fps,
                            "average_fps_rse_pct": 0.1,
                            "mean_power_w": watts,
                            "fps_per_w": fps / watts,
                            "end_core_temp_c": 40 + watts / 10 + random.normal(0, 0.2),
                        }
                    )
    return pd.DataFrame(rows)


def settings(**more) -> AnalysisSettings:
    return AnalysisSettings("factory", profiles=PROFILES, **more)


def test_a_profile_that_another_beats_in_everything_is_off_the_front_and_that_is_decided():
    found = analyse(night(), settings()).efficiency.set_index("profile")
    assert found["on_front"].to_dict() == {"factory": True, "quiet": True, "poor": False}
    assert found.loc["poor", "dominated_by"] == "quiet"
    assert found.loc["poor", "domination_decided"]


def test_the_cost_of_an_hour_is_power_times_price_and_says_whose_power():
    found = analyse(night(), settings(cost=Cost(price_per_kwh=0.30, currency="EUR"))).efficiency
    row = found.set_index("profile").loc["factory"]
    assert row["cost_per_hour"] == pytest.approx(0.3 * 0.30, rel=0.01)
    assert row["cost_basis"] == "the card only"
    wall = night().assign(mean_wall_power_w=500.0)
    row = analyse(wall, settings(cost=Cost(price_per_kwh=0.30, currency="EUR"))).efficiency.iloc[0]
    assert row["cost_per_hour"] == pytest.approx(0.15)
    assert row["cost_basis"] == "the whole rig"


def test_without_a_price_there_is_no_cost_and_without_sound_no_sound():
    found = analyse(night(), settings()).efficiency
    assert found[["cost_per_hour", "cost_basis", "sound_difference_db"]].isna().all().all()


def test_leaving_one_title_out_tells_which_title_carries_the_decision():
    table = night(titles=3, sd=0.001)
    lifted = (table["title"] == "t1") & (table["profile"] == "quiet")
    table.loc[lifted, "average_fps"] *= 1.3
    found = analyse(table, settings()).sensitivity
    rows = found[(found["metric"] == "average_fps") & (found["profile"] == "quiet")].set_index("left_out")
    assert rows["changes_decision"].to_dict() == {"t0": False, "t1": True, "t2": False}
    assert rows.loc["t1", "decision"] == "same"


def test_two_titles_are_too_few_to_leave_one_out():
    assert analyse(night(titles=2), settings()).sensitivity.empty


def test_scatter_between_nights_is_told_from_scatter_between_repeats():
    nights = analyse(night(campaigns=12, campaign_sd=0.03), settings()).variance
    row = nights[nights["metric"] == "average_fps"].iloc[0]
    assert row["between_campaigns_pct"] == pytest.approx(3, rel=0.4)
    assert row["between_repeats_pct"] == pytest.approx(0.4, rel=0.2)
    assert np.isnan(row["within_repeat_pct"])  # no frames at hand
    assert row["best_repeats_per_campaign"] == 1
    assert "another night helps" in row["advice"]
    quiet = analyse(night(campaigns=3, sd=0.02), settings()).variance
    assert "more repeats a night help" in " ".join(quiet["advice"])


def test_one_campaign_says_nothing_of_other_nights():
    found = analyse(night(), settings()).variance
    assert found["between_campaigns_pct"].isna().all()
    assert found["advice"].str.contains("One campaign only").all()


def test_three_campaigns_make_the_campaign_the_unit_of_the_interval():
    """Source: Kalibera & Jones 2013: the top level's means only."""
    table = night(campaigns=3, campaign_sd=0.02)
    row = analyse(table, settings()).comparisons.iloc[0]
    assert (row["df"], row["n_pairs"]) == (2, 12)
    two = analyse(night(campaigns=2), settings())
    assert two.comparisons["df"].iloc[0] == 7
    assert any("2 campaigns are pooled" in warning for warning in two.warnings)


def test_what_the_instrument_gets_wrong_stays_apart_from_the_scatter():
    stated = {"power_w": Instrument(accuracy_pct=5, accuracy=1, resolution=1)}
    found = analyse(night(), settings(instruments=stated)).instruments
    assert set(found["metric"]) == {"mean_power_w", "fps_per_w"}
    row = found[(found["metric"] == "mean_power_w") & (found["profile"] == "quiet")].iloc[0]
    assert row["u_instrument"] == pytest.approx(
        np.sqrt(((0.05 * row["value"]) ** 2 + 1) / 3 + 1 / 12), rel=1e-9
    )
    assert row["u_scatter"] < 0.1 * row["u_instrument"]
    assert row["u_combined"] == pytest.approx(np.hypot(row["u_scatter"], row["u_instrument"]))


def test_a_gain_error_cancels_in_a_ratio_and_an_offset_does_not():
    def added(instrument: Instrument) -> float:
        table = analyse(night(), settings(instruments={"power_w": instrument})).instruments
        return table[table["profile"] == "quiet"]["u_instrument_of_change_pct"].iloc[0]

    assert added(Instrument(accuracy_pct=5)) == 0
    expected = 100 * 3 / np.sqrt(3) * (1 / 240 - 1 / 300)
    assert added(Instrument(accuracy=3)) == pytest.approx(expected, rel=0.02)


def plan(repeats: int | dict = 5, titles: int = 3) -> Plan:
    return Plan.model_validate(
        {
            "plan": {"question": "?", "reference": "factory", "repeats": repeats},
            "profiles": [{"name": "factory"}, {"name": "quiet"}],
            "titles": [{"name": f"t{i}", "workload": "command"} for i in range(titles)],
        }
    )


def test_more_repeats_resolve_more_and_all_titles_together_more_than_one():
    few, many = resolvable(plan(3)), resolvable(plan(12))
    assert (many["half_width"] < few["half_width"]).all()
    fps = many[many["metric"] == "average_fps"]
    assert fps[fps["title"].isna()]["half_width"].iloc[0] < fps["half_width"].iloc[1:].min()


def test_the_promised_resolution_is_kept_by_simulated_nights():
    """The chance that 'same' is decided, promised for one title, against 2000 simulated titles."""
    row = resolvable(plan(6, titles=1), assumed={"average_fps": 0.014}).iloc[1]
    random = np.random.default_rng(3)
    from harness.analysis.estimate import of_mean, p_same

    margin = -np.log(0.97)
    level = 0.05 / 2 / 2  # of one side, for two primary metrics
    decided = [p_same(of_mean(random.normal(0, 0.014, 6)), margin) <= level for _ in range(2000)]
    assert np.mean(decided) == pytest.approx(row["chance_of_same"], abs=0.035)
    assert 0.5 < row["chance_of_same"] < 0.95


def test_a_pilot_replaces_the_assumptions():
    pilot = pilot_scatter(night(sd=0.001), settings())
    found = resolvable(plan(), pilot)
    fps = found[(found["metric"] == "average_fps") & found["title"].notna()]
    assert set(fps["source"]) == {"pilot"}
    assert fps["scatter"].max() < 0.3


def test_one_repeat_or_one_profile_promises_nothing():
    single = resolvable(plan(1))
    assert single["half_width"].isna().all()
    told, alone = single["title"].notna(), resolvable(plan(1, titles=1))
    assert single[told]["sentence"].str.contains("nothing can be decided").all()
    assert single[~told]["sentence"].str.contains("the interval will be that between titles").all()
    assert alone["sentence"].str.contains("nothing can be decided").all()
    alone = plan().model_copy(update={"profiles": plan().profiles[:1]})
    assert resolvable(alone).empty


def test_a_plan_that_can_not_decide_says_how_many_repeats_would():
    found = resolvable(plan(3), assumed={"one_percent_low_fps": 0.03})
    sentence = found["sentence"].iloc[1]
    assert found["chance_of_same"].iloc[1] < 0.8
    assert f"takes about {found['repeats_for_margin'].iloc[1]} repeats" in sentence


def test_an_adaptive_plan_promises_less_at_its_last_repeat_than_a_fixed_one():
    fixed, adaptive = resolvable(plan(8)), resolvable(plan({"at_least": 3, "at_most": 8}))
    claimed = fixed["metric"].isin(["average_fps", "one_percent_low_fps"])
    assert (adaptive["half_width"] > fixed["half_width"])[claimed].all()
    assert (adaptive["half_width"] == fixed["half_width"])[~claimed].all()
    assert adaptive["sentence"].str.contains("with at most 8 repeats").all()


def test_a_title_that_gave_a_score_and_no_frames_is_promised_no_frame_rate():
    pilot = {("t0", "default", "average_fps"): 0.004} | {(f"t{i}", "default", "score"): 0.01 for i in (1, 2)}
    found = resolvable(plan(), pilot)
    assert set(found[found["metric"] == "average_fps"]["title"].dropna()) == {"t0"}
    scores = found[(found["metric"] == "score") & found["title"].isna()]["sentence"].iloc[0]
    assert "gets no verdict" in scores


def test_where_all_titles_give_scores_a_score_is_promised_a_verdict():
    found = resolvable(plan(), {(f"t{i}", "default", "score"): 0.003 for i in range(3)})
    over = found[(found["metric"] == "score") & found["title"].isna()]["sentence"].iloc[0]
    assert "the same within 3 %" in over
