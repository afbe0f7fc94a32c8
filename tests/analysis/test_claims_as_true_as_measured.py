"""What a sentence claims is what its own numbers carry: titles, scatter, direction, evenness, blank."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from harness.analysis import AnalysisSettings
from harness.analysis.analyse import analyse
from harness.plan.report_table import Instrument

PROFILES = ("factory", "quiet")
SETTINGS = AnalysisSettings("factory", profiles=PROFILES)


def night(titles=3, repeats=5, sd=0.005, tuned_sd=None, profiles=PROFILES, seed=1, **more) -> pd.DataFrame:
    random = np.random.default_rng(seed)
    rows = []
    for title in range(titles):
        for block in range(1, repeats + 1):
            for profile in profiles:
                own = (tuned_sd or sd) if profile != "factory" else sd
                rows.append(
                    {
                        "cell_id": f"title-{title}.default.{profile}",
                        "definition_hash": "",
                        "sentinel": False,
                        "title": f"title-{title}",
                        "setting": "default",
                        "profile": profile,
                        "repeat_index": block,
                        "block": title * repeats + block,
                        "verdict": "accepted",
                        "reason_code": None,
                        "average_fps": 100 * np.exp(random.normal(0, own)),
                        **more,
                    }
                )
    return pd.DataFrame(rows)


def row(table: pd.DataFrame, **wanted) -> pd.Series:
    for name, value in wanted.items():
        table = table[table[name] == value]
    assert len(table) == 1
    return table.iloc[0]


def without(table: pd.DataFrame, title: str, profile: str, keep: int = 0) -> pd.DataFrame:
    gone = (table["title"] == title) & (table["profile"] == profile) & (table["repeat_index"] > keep)
    return table[~gone].reset_index(drop=True)


def test_a_title_with_one_pair_makes_no_claim_and_the_figure_over_titles_borrows_nothing():
    found = analyse(without(night(), "title-2", "quiet", keep=1), SETTINGS)
    title = row(found.comparisons, title="title-2", metric="average_fps")
    assert (title["decision"], np.isnan(title["low"])) == ("undecided", True)
    over = row(found.overall, metric="average_fps")
    assert (over["n_titles"], over["scatter"], over["df"]) == (3, "between titles", 2)
    assert "the interval is that between titles" in over["sentence"]
    rest = next(r for r in found.rests_on if (r.metric, r.profile) == ("average_fps", "quiet"))
    assert rest.without_scatter == ("title-2",)
    assert "with 0 of its 10 runs over 3 %" in found.answer, "one run alone is neither slow nor not"


def test_each_clause_counts_its_own_titles_and_says_why_one_is_missing():
    table = night(profiles=("factory", "quiet", "eager"), mean_power_w=200.0)
    table["mean_power_w"] += np.random.default_rng(2).normal(0, 1, len(table))
    table.loc[table["title"] != "title-0", "mean_power_w"] = np.nan
    crashed = (table["title"] == "title-1") & (table["profile"] == "eager")
    table.loc[crashed, ["verdict", "reason_code"]] = "failed", "title-crashed"
    settings = AnalysisSettings("factory", profiles=("factory", "quiet", "eager"))
    found = analyse(table, settings)
    assert found.answer.startswith("eager crashed in 5 of 15 tries")
    assert "Over 3 titles, quiet is as fast as factory" in found.answer
    quiet, _, eager = found.answer.partition("Over 3 titles")[2].partition("; eager")
    assert "(without title-1: crashed under eager in 5 of 5 tries)" in eager
    assert "in 1 title" in quiet.partition("mean power")[2]
    assert "not title" not in quiet
    crashes = {one.profile: (one.crashed, one.tries) for one in found.crashes}
    assert crashes == {"factory": (0, 15), "quiet": (0, 15), "eager": (5, 15)}


def test_profiles_are_ranked_over_the_titles_that_all_of_them_have():
    table = night(profiles=("factory", "quiet", "eager"), mean_power_w=200.0)
    slow = (table["title"] == "title-1") & (table["profile"] == "quiet")
    table.loc[slow, "average_fps"] *= 0.5
    table = without(table, "title-1", "eager")
    ranked = analyse(table, AnalysisSettings("factory", profiles=("factory", "quiet", "eager"))).efficiency
    assert set(ranked["common_titles"]) == {2}
    assert row(ranked, profile="quiet")["speed_ratio"] == pytest.approx(1, abs=0.01)


def test_a_score_that_is_better_lower_is_better_in_every_row():
    table = night(titles=2)
    table["score"] = 1e4 / table["average_fps"] * np.where(table["profile"] == "quiet", 1.1, 1.0)
    table = table.drop(columns="average_fps").assign(score_better="lower")
    found = analyse(table, SETTINGS)
    for tables in (found.comparisons, found.overall):
        scores = tables[tables["metric"] == "score"]
        assert set(scores["decision"]) == {"higher"}
        assert set(scores["direction"]) == {"worse"}
    assert "quiet is slower than factory" in found.answer


def test_scores_of_both_directions_are_turned_to_one_before_they_are_averaged():
    table = night(titles=2)
    lower = table["title"] == "title-1"
    table["score"] = np.where(lower, 1e4 / table["average_fps"], table["average_fps"])
    table.loc[table["profile"] == "quiet", "score"] *= np.where(lower, 1 / 1.1, 1.1)[
        table["profile"] == "quiet"
    ]
    settings = replace(SETTINGS, lower_score_titles=frozenset({"title-1"}), primary=("score",))
    over = row(analyse(table.drop(columns="average_fps"), settings).overall, metric="score")
    assert over["estimate"] == pytest.approx(1.1, abs=0.01)
    assert over["direction"] == "better"


def test_equal_readings_have_an_interval_by_their_step_and_never_one_of_no_width():
    table = night(repeats=3).assign(end_core_temp_c=72.0)
    found = analyse(table, replace(SETTINGS, primary=("end_core_temp_c",)))
    level = row(found.cells, cell_id="title-0.default.quiet", metric="end_core_temp_c")
    assert (level["high"] - level["low"]) / 2 == pytest.approx(4.303 / np.sqrt(12), rel=1e-3)
    assert (found.comparisons["high"] > found.comparisons["low"]).all()
    stated = {"core_temp_c": Instrument(resolution=1)}
    odd = table.assign(end_core_temp_c=72.1234567)
    unknown = analyse(odd, SETTINGS).cells.query("metric == 'end_core_temp_c'")
    assert unknown["low"].isna().all()
    known = analyse(odd, replace(SETTINGS, instruments=stated)).cells.query("metric == 'end_core_temp_c'")
    assert (known["high"] > known["low"]).all()


def test_an_instrument_that_is_not_stated_is_unknown_and_not_exact():
    table = night().assign(core_above_ambient_k=40.0, end_core_temp_c=65.0)
    one = {"core_temp_c": Instrument(accuracy=1, resolution=1)}
    found = analyse(table, replace(SETTINGS, instruments=one)).instruments.set_index("metric")
    assert found.loc["core_above_ambient_k", "u_instrument"].isna().all()
    assert found.loc["end_core_temp_c", "u_instrument"].notna().all()
    both = {**one, "ambient_temp_c": Instrument(accuracy=0.5)}
    found = analyse(table, replace(SETTINGS, instruments=both)).instruments.set_index("metric")
    assert found.loc["core_above_ambient_k", "u_instrument"].notna().all()


def test_a_profile_whose_runs_scatter_more_is_said_first_and_is_not_called_the_same():
    found = analyse(night(sd=0.001, tuned_sd=0.006, repeats=9), SETTINGS)
    assert found.answer.startswith("The runs of quiet scatter ")
    assert "times as much in average FPS as those of factory" in found.answer
    over = row(found.overall, metric="average_fps")
    assert (over["decision"], over["direction"]) == ("withheld", "withheld")
    assert "no verdict whether quiet is as fast as factory" in over["sentence"]
    assert found.evenness[0].less_even == "quiet"


def test_a_slow_run_is_counted_said_first_and_bounded():
    table = night(sd=0.002, repeats=9)
    slow = (table["title"] == "title-1") & (table["profile"] == "quiet") & (table["repeat_index"] == 4)
    table.loc[slow, "average_fps"] *= 0.94
    found = analyse(table, SETTINGS)
    one = found.evenness[0]
    assert (one.slow, one.runs, one.reference_slow, one.less_even) == (1, 27, 0, "quiet")
    assert (
        "1 of 27 were over 3 % slower than the median of their title (0 of 27 under factory)" in found.answer
    )
    assert set(found.overall["direction"]) == {"withheld"}


def test_a_verdict_of_the_same_says_how_many_runs_may_still_be_slow():
    found = analyse(night(titles=1, repeats=9), SETTINGS)
    assert row(found.overall, metric="average_fps")["decision"] == "same"
    told = "with 0 of its 9 runs over 3 % slower than the median of their title (up to 28 % of runs may be"
    assert told in found.answer


def test_even_profiles_are_called_uneven_no_oftener_than_stated():
    random = range(300)
    fired = [analyse_evenness(seed) for seed in random]
    assert np.mean(fired) <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / len(random))


def analyse_evenness(seed: int) -> bool:
    from harness.analysis.repeats import cells_of
    from harness.analysis.verdicts import verdicts

    table = night(seed=seed, sd=0.01, repeats=4)
    table["one_percent_low_fps"] = table["average_fps"] * np.exp(
        np.random.default_rng(seed + 9999).normal(0, 0.01, len(table))
    )
    return bool(verdicts(cells_of(table, SETTINGS), ["quiet"], SETTINGS).uneven)


def test_the_blank_is_told_and_never_claimed_ranked_or_counted_in_the_family():
    table = night(profiles=("factory", "quiet", "factory-again"), mean_power_w=200.0)
    with_blank = AnalysisSettings(
        "factory", profiles=("factory", "quiet", "factory-again"), blank="factory-again"
    )
    found = analyse(table, with_blank)
    assert "The blank, factory-again, is factory once more and came out at" in found.answer
    assert "factory-again" not in set(found.efficiency["profile"])
    plain = analyse(table[table["profile"] != "factory-again"], SETTINGS)
    for name in ("claimed_together", "low", "high", "decision"):
        assert (
            row(found.overall, profile="quiet", metric="average_fps")[name]
            == (row(plain.overall, metric="average_fps")[name])
        )
    blank = found.overall[found.overall["profile"] == "factory-again"]
    assert set(blank["decision"]) == {"descriptive"}


@pytest.mark.parametrize("margin", [0.0, -1.0, float("nan"), 50.0, float("inf")])
def test_a_margin_that_makes_no_sense_is_refused(margin):
    with pytest.raises(ValueError, match="margin_pct"):
        AnalysisSettings("factory", margin_pct=margin)


def test_a_margin_chosen_afterwards_says_so_wherever_it_stands():
    late = replace(SETTINGS, margin_pct=5.0, chosen_afterwards=("margin 5 % (before: 3 %)",))
    found = analyse(night(), late)
    assert found.answer.startswith("Chosen after the first repeat: margin 5 % (before: 3 %).")
    claimed = found.comparisons[found.comparisons["claimed"]]
    assert claimed["sentence"].str.contains("within 5 %, a margin chosen afterwards").all()
    assert any("chosen before" in warning for warning in found.warnings)


def test_a_figure_over_all_titles_that_rests_on_one_is_that_titles_number():
    table = night(titles=3, mean_power_w=200.0)
    scored = table["title"] != "title-0"
    table["score"] = np.where(scored, table["average_fps"], np.nan)
    table.loc[scored, "average_fps"] = np.nan
    found = analyse(table, SETTINGS)
    title, over = (
        row(rows, metric="average_fps")[["estimate", "low", "high", "decision"]].tolist()
        for rows in (found.comparisons, found.overall)
    )
    assert title == over


def test_one_nights_repeats_do_not_stand_in_for_those_another_lacks():
    first, second = (night(seed=seed).assign(campaign_id=f"night {seed}") for seed in (1, 2))
    gone = (second["title"] == "title-1") & (second["profile"] == "quiet")
    second.loc[gone, ["verdict", "reason_code"]] = "rejected", "start-temperature"
    settings = replace(
        SETTINGS, places=tuple((f"title-{i}", "default") for i in range(3)), repeats=5, titles=()
    )
    found = analyse(pd.concat([first, second], ignore_index=True), settings)
    assert found.answer.startswith("55 of 60 planned repeats count. ")
