"""Repeats to decision, on tables whose truth is known."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from harness.analysis import AnalysisSettings
from harness.analysis.analyse import analyse
from harness.analysis.power import repeats_that_decide
from harness.analysis.settings import Extension
from harness.analysis.tables import CELL_COLUMNS, COMPARISON_COLUMNS, OVERALL_COLUMNS

SETTINGS = AnalysisSettings("factory", profiles=("factory", "quiet"))


def night(
    titles: int = 3,
    repeats: int = 4,
    effect: float = 0.0,
    sd: float = 0.005,
    block_sd: float = 0.03,
    seed: int = 1,
    profiles: tuple[str, ...] = ("factory", "quiet"),
) -> pd.DataFrame:
    """Accepted repeats with a shared block effect and a true log ratio for every profile but the first."""
    random = np.random.default_rng(seed)
    rows = []
    for title in range(titles):
        for block in range(1, repeats + 1):
            shared = random.normal(0, block_sd)
            for place, profile in enumerate(profiles):
                fps = (50 + 30 * title) * np.exp(shared + random.normal(0, sd) + effect * (place > 0))
                rows.append(
                    {
                        "campaign_id": "c1",
                        "title": f"title-{title}",
                        "setting": "default",
                        "profile": profile,
                        "block": title * repeats + block,
                        "verdict": "accepted",
                        "sentinel": False,
                        "average_fps": fps,
                        "mean_power_w": 200.0 * np.exp(random.normal(0, 0.003)) * (1 - 0.2 * (place > 0)),
                        "end_core_temp_c": 70.0 - 5 * (place > 0) + random.normal(0, 0.3),
                    }
                )
    return pd.DataFrame(rows)


def test_the_tables_have_exactly_the_documented_columns():
    found = analyse(night(), SETTINGS)
    for table, columns in (
        (found.cells, CELL_COLUMNS),
        (found.comparisons, COMPARISON_COLUMNS),
        (found.overall, OVERALL_COLUMNS),
    ):
        assert list(table.columns) == [column.name for column in columns]
        for column in columns:
            assert column.nullable or table[column.name].notna().all(), column.name


def test_pairing_within_blocks_removes_the_scatter_that_the_block_shares():
    table = night(effect=0.05, repeats=4)
    paired = analyse(table, SETTINGS).comparisons.query("metric == 'average_fps'")
    unpaired = analyse(
        table, AnalysisSettings("factory", profiles=("factory", "quiet"), paired=False)
    ).comparisons.query("metric == 'average_fps'")
    assert (paired["decision"] == "faster").all()
    width_paired = (paired["high"] - paired["low"]).mean()
    assert width_paired * 2 < (unpaired["high"] - unpaired["low"]).mean()


@pytest.mark.parametrize(
    ("effect", "decision", "direction"),
    [(0.0, "same", "same"), (0.06, "faster", "better"), (-0.06, "slower", "worse")],
)
def test_a_difference_is_decided_as_it_was_made(effect, decision, direction):
    found = analyse(night(effect=effect), SETTINGS)
    for table in (found.comparisons, found.overall):
        rows = table.query("metric == 'average_fps'")
        assert set(rows["decision"]) == {decision}
        assert set(rows["direction"]) == {direction}


def test_lower_power_and_temperature_are_better_and_are_said_in_plain_words_where_they_are_claimed():
    named = ("average_fps", "mean_power_w", "end_core_temp_c")
    found = analyse(night(), replace(SETTINGS, primary=named))
    by_metric = found.overall.set_index("metric")
    assert tuple(by_metric.loc["mean_power_w", ["decision", "direction"]]) == ("less", "better")
    assert tuple(by_metric.loc["end_core_temp_c", ["decision", "direction", "unit"]]) == (
        "cooler",
        "better",
        "K",
    )
    assert "quiet draws less power than factory" in by_metric.loc["mean_power_w", "sentence"]
    assert "% less" in found.answer
    assert "K cooler" in found.answer


def test_what_the_plan_does_not_name_is_described_and_gets_no_verdict():
    found = analyse(night(), SETTINGS)
    for table in (found.comparisons, found.overall):
        described = table[~table["claimed"]]
        assert set(described["metric"]) == {"mean_power_w", "end_core_temp_c"}
        assert set(described["decision"]) == set(described["direction"]) == {"descriptive"}
        assert set(described["interval_pct"]) == {95.0}
        assert not described["sentence"].str.contains("draws|runs|undecided").any()
    assert "mean power −20" in found.answer
    assert "95 % interval" in found.answer


def test_one_repeat_gives_no_interval_no_decision_and_says_so():
    found = analyse(night(repeats=1), SETTINGS)
    for table in (found.comparisons[found.comparisons["claimed"]],):
        assert table["low"].isna().all()
        assert set(table["decision"]) == {"undecided"}
    assert found.comparisons["more_repeats_needed"].isna().all()
    assert "no interval can be given" in found.comparisons["sentence"][0]
    assert any("one accepted repeat" in warning for warning in found.warnings)


def test_a_quantity_that_no_repeat_has_is_left_out_and_never_zero():
    table = night().assign(mean_sound_level_dba=np.nan, fps_per_w=None)
    found = analyse(table, SETTINGS)
    assert not set(found.cells["metric"]) & {"mean_sound_level_dba", "fps_per_w", "one_percent_low_fps"}


def test_a_zero_reading_of_a_ratio_counts_as_missing_and_is_told():
    table = night(repeats=3)
    assert not any("zero" in warning for warning in analyse(table, SETTINGS).warnings)
    table.loc[0, "mean_power_w"] = 0.0
    found = analyse(table, SETTINGS)
    assert [warning for warning in found.warnings if "zero" in warning] == [
        "Mean power: 1 value at or below zero, which no ratio can take, left out of the comparison; "
        "the table of attempts has them."
    ]
    cells = found.cells.query("metric == 'mean_power_w' and cell_id.str.contains('0')")
    assert cells["n"].min() == 2
    assert cells["mean"].min() > 100


def test_unequal_repeats_use_the_complete_blocks_and_tell_of_the_rest():
    table = night(repeats=4)
    table = table.drop(index=table.index[(table["profile"] == "quiet") & (table["block"] == 2)])
    found = analyse(table, SETTINGS)
    row = found.comparisons.query("metric == 'average_fps' and title == 'title-0'").iloc[0]
    assert (row["n_pairs"], row["n_reference"]) == (3, 3)
    assert any("1 repeat without a partner" in warning for warning in found.warnings)


def test_a_title_without_its_reference_is_named_and_not_compared():
    table = night()
    table = table[~((table["title"] == "title-1") & (table["profile"] == "factory"))]
    found = analyse(table, SETTINGS)
    assert "title-1" not in set(found.comparisons["title"])
    assert any("title-1" in warning for warning in found.warnings)
    assert set(found.overall["n_titles"]) == {2}


def test_a_single_profile_or_an_empty_table_still_gets_an_answer():
    assert "nothing to compare" in analyse(night(profiles=("factory",)), SETTINGS).answer
    assert "No repeat was accepted" in analyse(night().iloc[:0], SETTINGS).answer


def test_rejected_attempts_and_sentinels_do_not_count():
    table = night(repeats=3)
    extra = table.iloc[:1].assign(average_fps=1.0)
    both = pd.concat(
        [table, extra.assign(verdict="rejected"), extra.assign(sentinel=True)], ignore_index=True
    )
    pd.testing.assert_frame_equal(analyse(both, SETTINGS).comparisons, analyse(table, SETTINGS).comparisons)


def test_the_ratio_across_titles_is_geometric_so_the_reference_may_be_swapped():
    table = night(effect=0.02, sd=0.02)
    one = analyse(table, SETTINGS).overall.query("metric == 'average_fps'").iloc[0]
    other = (
        analyse(table, AnalysisSettings("quiet", profiles=("factory", "quiet")))
        .overall.query("metric == 'average_fps'")
        .iloc[0]
    )
    assert one["estimate"] == pytest.approx(1 / other["estimate"], rel=1e-12)
    assert (one["low"], one["high"]) == pytest.approx((1 / other["high"], 1 / other["low"]), rel=1e-12)


def test_the_interval_for_titles_like_these_is_never_narrower_than_for_these_titles():
    for seed in range(20):
        rows = analyse(night(seed=seed, sd=0.02), SETTINGS).overall
        assert (rows["like_these_low"] <= rows["low"] + 1e-12).all()
        assert (rows["like_these_high"] >= rows["high"] - 1e-12).all()


def test_a_title_with_many_settings_weighs_no_more_than_one_with_a_single_setting():
    table = night(titles=2, repeats=3, sd=1e-4, block_sd=0.0)
    table.loc[(table["title"] == "title-1") & (table["profile"] == "quiet"), "average_fps"] *= 1.1
    more = pd.concat(
        [table, *(table[table["title"] == "title-0"].assign(setting=name) for name in ("uhd", "wqhd"))]
    )
    expected = np.sqrt(1.1)
    for frame in (table, more):
        row = analyse(frame, SETTINGS).overall.query("metric == 'average_fps'").iloc[0]
        assert row["estimate"] == pytest.approx(expected, rel=1e-3)


def test_a_score_only_title_takes_part_in_speed_and_its_direction_may_be_reversed():
    table = night(titles=3, effect=0.05)
    scored = table["title"] == "title-2"
    table["score"] = np.where(scored, 1e5 / table["average_fps"], np.nan)
    table.loc[scored, "average_fps"] = np.nan
    settings = AnalysisSettings(
        "factory", profiles=("factory", "quiet"), lower_score_titles=frozenset({"title-2"})
    )
    found = analyse(table, settings)
    speed = found.overall.query("metric == 'speed'").iloc[0]
    assert (speed["n_titles"], speed["decision"]) == (3, "faster")
    score = found.comparisons.query("metric == 'score'").iloc[0]
    assert (score["decision"], score["direction"]) == ("lower", "better")
    assert "Over 3 titles, quiet is faster" in found.answer


def test_the_interval_shown_is_the_one_that_decides():
    """No verdict beside an interval that says otherwise, over many nights, profiles and titles."""
    three = ("factory", "quiet", "eager")
    seen = set()
    for seed in range(12):
        table = night(seed=seed, sd=0.012, effect=0.02, profiles=three)
        found = analyse(table, AnalysisSettings("factory", profiles=three))
        for row in (*found.comparisons.to_dict("records"), *found.overall.to_dict("records")):
            if row["claimed"]:
                inside = row["margin_low"] < row["low"] and row["high"] < row["margin_high"]
                apart = row["low"] > 1 or row["high"] < 1
                word = (
                    "same" if inside else ("faster" if row["low"] > 1 else "slower") if apart else "undecided"
                )
                assert row["decision"] == word
                assert (row["p_same_adjusted"] <= 0.05) == inside
                assert (row["p_difference_adjusted"] <= 0.05) == apart
                seen.add(word)
    assert seen >= {"faster", "undecided"}


def test_a_figure_over_one_title_is_that_titles_number_and_verdict():
    table = night(titles=3, profiles=("factory", "quiet", "eager"))
    table = table[(table["profile"] != "eager") | (table["title"] == "title-1")]
    found = analyse(table, AnalysisSettings("factory", profiles=("factory", "quiet", "eager")))
    mine = "profile == 'eager' and metric == 'average_fps'"
    title, over = found.comparisons.query(mine).iloc[0], found.overall.query(mine).iloc[0]
    same = ["estimate", "low", "high", "decision", "claimed_together", "interval_pct"]
    assert title[same].to_list() == over[same].to_list()
    assert over["titles"] == "title-1"


def test_many_titles_need_more_evidence_for_a_single_claim():
    table = night(titles=12, effect=0.012, sd=0.012, repeats=4)
    strict = analyse(table, SETTINGS).comparisons.query("metric == 'average_fps'")
    loose = analyse(
        table, AnalysisSettings("factory", profiles=("factory", "quiet"), multiplicity="none")
    ).comparisons.query("metric == 'average_fps'")
    assert (strict["decision"] == "undecided").sum() > (loose["decision"] == "undecided").sum()
    assert (strict["p_difference_adjusted"] >= strict["p_difference"]).all()


def test_an_undecided_row_names_how_many_more_repeats_would_decide():
    found = analyse(night(titles=1, effect=0.015, sd=0.02, repeats=3), SETTINGS)
    row = found.comparisons.query("metric == 'average_fps'").iloc[0]
    assert row["decision"] == "undecided"
    assert row["more_repeats_needed"] >= 1
    least, most = row["more_repeats_needed"], row["more_repeats_at_most"]
    assert least < most
    assert f"a new campaign of about {least + 3} to {most + 3} repeats would decide" in row["sentence"]
    extendable = replace(SETTINGS, extension=Extension(3, None))
    found = analyse(night(titles=1, effect=0.015, sd=0.02, repeats=3), extendable)
    row = found.comparisons.query("metric == 'average_fps'").iloc[0]
    assert "extending the plan once by about" in row["sentence"]


def test_the_count_that_decides_is_the_sample_size_of_a_paired_t_test_where_only_that_can_decide():
    """Source: Cohen 1988, power .80, two-sided .05; exact paired n for d = .5 is 34, for d = .8 is 15.

    The shifted central t used here is a planning approximation: within one of the exact count.
    """
    assert repeats_that_decide(0.5, 1.0, margin=0.01, alpha=0.05) == pytest.approx(34, abs=1)
    assert repeats_that_decide(0.8, 1.0, margin=0.01, alpha=0.05) == pytest.approx(15, abs=1)


def test_a_table_without_blocks_is_compared_as_independent_groups_and_says_so():
    """Without a key nothing tells which repeats belong together; row order is no key."""
    found = analyse(night(effect=0.05).drop(columns="block"), SETTINGS)
    assert not found.comparisons["paired"].any()
    assert found.comparisons["sentence"].str.contains("as independent groups").all()
    assert any("independent" in warning for warning in found.warnings)
