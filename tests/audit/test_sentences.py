"""What page, terminal and methods say of nights that did not go smoothly, read as it stands there."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.audit.conftest import EACH, MakeNight
from tests.audit.nights import Night, levelrig
from tests.audit.page import read_page, value

CRASHED = (
    "brittle crashed in 3 of 9 tries (canyon 2 and comet 1): not usable in canyon; "
    "24 of 27 planned repeats count"
)


def one_line(text: str) -> str:
    return re.sub(r"\s+", " ", text)


def answer_of(made: Night) -> str:
    return read_page(made.folder / "report" / "index.html").answer


def methods_of(made: Night) -> str:
    return (made.folder / "report" / "methods.txt").read_text(encoding="utf-8")


def svg_texts(made: Night) -> list[str]:
    html = (made.folder / "report" / "index.html").read_text(encoding="utf-8")
    return [text for chart in re.findall(r"<svg.*?</svg>", html, re.DOTALL) for text in _texts(chart)]


def _texts(chart: str) -> list[str]:
    return re.findall(r"<text[^>]*>([^<]*)</text>", chart)


# -- crashes and what is missing belong in the answer ----------------------------------------------------


def test_an_unstable_profile_is_told_in_the_first_sentence_everywhere(night: MakeNight):
    made = night("crashing")
    assert answer_of(made).startswith(CRASHED)
    assert CRASHED in one_line(made.printed)
    assert CRASHED in one_line(methods_of(made))
    page = read_page(made.folder / "report" / "index.html")
    assert CRASHED in page.lead
    assert "canyon crashed twice under profile brittle" in page.sections["unstable"].lower()
    told = levelrig("status", made.folder)
    assert "canyon crashed twice under profile brittle" in one_line(told)


def test_each_number_over_titles_counts_its_own_and_says_which_are_missing_and_why(night: MakeNight):
    answer = answer_of(night("crashing"))
    assert answer.count("Over 3 titles") == 1
    assert "(without canyon: crashed under brittle in 2 of 2 tries)" in answer
    missing = answer_of(night("title missing"))
    assert missing.startswith("9 of 18 planned repeats count")
    assert "In the one title compared" in missing
    assert "canyon: no accepted repeat under quiet" in missing
    assert "comet: no accepted repeat under" in missing
    scores = answer_of(night("scores"))
    assert re.search(r"1 % low [a-z ]*\([^)]*\) in 1 title", scores)
    table = read_page(night("scores").folder / "report" / "index.html").tables["table-overall"]
    shown = {row[0].text: row[1].range for row in table.rows}
    assert shown["1 % low"].endswith("in 1 title only")
    assert "only" not in shown["speed"]


def test_a_night_in_which_one_profile_only_crashes_answers_with_that(tmp_path: Path):
    from tests.audit.nights import BRITTLE, HARBOUR, plan_text, rehearsed

    faults = "".join(
        f'[[faults]]\nkind = "title-crash"\ncell = "*.brittle"\nrun = {run}\nafter_s = 3\n'
        for run in (1, 2, 3)
    )
    made = rehearsed(tmp_path, plan_text([BRITTLE], [HARBOUR], head="repeats = 2\n"), faults)
    for said in (answer_of(made), one_line(made.printed), one_line(methods_of(made))):
        assert "brittle crashed in 2 of 2 tries (harbour 2): not usable in harbour" in said
    assert "Only factory was measured" not in answer_of(made)


def test_marked_repeats_are_told_in_the_first_sentence(night: MakeNight):
    made = night("re-measured")
    repeats = pd.read_parquet(made.folder / "dataset" / "repeats.parquet")
    planned = repeats[~repeats["second_look"]]  # a re-measurement adds no repeat
    assert len(planned) < len(repeats)
    marked = int(planned["marks"].map(len).gt(0).sum())
    assert 1 < marked < len(planned)
    told = f"{marked} of {len(planned)} repeats are marked"
    assert told in answer_of(made)
    assert told in one_line(made.printed)
    assert told in one_line(methods_of(made))


# -- direction -------------------------------------------------------------------------------------------


def test_a_score_of_which_less_is_better_gets_worse_on_a_slower_card_and_the_page_says_so(night: MakeNight):
    made = night("scores")
    cells = pd.read_parquet(made.folder / "dataset" / "cells.parquet").set_index(["cell_id", "metric"])[
        "mean"
    ]
    assert cells["timber.default.quiet", "score"] > cells["timber.default.factory", "score"]
    assert cells["lantern.default.quiet", "score"] < cells["lantern.default.factory", "score"]
    overall = pd.read_parquet(made.folder / "dataset" / "overall.parquet").set_index("metric")["estimate"]
    assert overall["score"] < 1
    assert overall["speed"] < 1
    said = "Of these scores less is better: timber. In the row over all titles they are turned round"
    page = read_page(made.folder / "report" / "index.html")
    assert said in page.sections["result"]
    assert said in one_line(made.printed)


# -- one word, one number, everywhere --------------------------------------------------------------------


@pytest.mark.parametrize("kind", EACH)
def test_the_terminals_table_tells_the_numbers_of_the_answer(night: MakeNight, kind: str):
    made = night(kind)
    answer = answer_of(made)
    lines = [line for line in made.printed.splitlines() if line.startswith("all titles")]
    for line in lines:
        temperature = re.findall(r"[±+−]\d+\.\d K", line)
        assert not temperature or temperature[-1] in answer, line


def test_a_finished_adaptive_night_is_complete(night: MakeNight):
    made = night("adaptive")
    told = levelrig("status", made.folder)
    assert "stopped" not in told
    assert ": complete" in told
    assert "0 left to measure" in told
    found = json.loads(levelrig("status", made.folder, "--json"))
    assert found["accepted"] == found["wanted"]


def test_status_counts_sentinels_apart_from_repeats(night: MakeNight):
    found = json.loads(levelrig("status", night("complete").folder, "--json"))
    attempts = pd.read_parquet(night("complete").folder / "dataset" / "attempts.parquet")
    planned = attempts[~attempts["sentinel"]].groupby("cell_id").size().to_dict()
    assert {cell["cell_id"]: cell["accepted"] for cell in found["cells"]} == planned
    assert found["sentinels"] == int(attempts["sentinel"].sum())


@pytest.mark.parametrize("kind", EACH)
def test_numbers_drawn_in_charts_keep_their_digits(tmp_path: Path, night: MakeNight, kind: str):
    for text in svg_texts(night(kind)):
        assert not re.search(r"[−-]0\.0\b|\be[+-]?\d", text), text


def test_a_name_with_three_decimals_is_drawn_as_it_is(tmp_path: Path):
    from tests.audit.nights import QUIET, plan_text, rehearsed

    quiet = f'{QUIET}\nlabel = "0.925 V"'
    title = 'name = "harbour"\nlabel = "Harbour 1.625"\nworkload = "simulated"\nmeasure_s = 6'
    made = rehearsed(tmp_path, plan_text([quiet], [title], head="repeats = 2\n"))
    texts = svg_texts(made)
    assert [text for text in texts if "0.925 V" in text]
    assert [text for text in texts if "Harbour 1.625" in text]
    assert not [text for text in texts if re.search(r"0\.9 V|Harbour 1\.6\b", text)]


def test_the_efficiency_chart_names_what_it_draws(night: MakeNight):
    texts = svg_texts(night("scores"))
    assert "speed, % of the reference" in texts
    assert "average FPS, % of the reference" not in texts


def test_watts_and_ratios_are_told_apart_where_they_stand_in_one_table(night: MakeNight):
    table = read_page(night("complete").folder / "report" / "index.html").tables["table-efficiency"]
    assert "arithmetic means over titles" in table.caption
    assert "geometric mean" in table.caption


def test_the_degrees_of_freedom_over_titles_stand_on_the_page(night: MakeNight):
    made = night("complete")
    table = read_page(made.folder / "report" / "index.html").tables["table-wider"]
    overall = pd.read_parquet(made.folder / "dataset" / "overall.parquet").set_index("label")["df"]
    for row in table.rows:
        shown = row[table.column("degrees of freedom")].text
        assert value(shown) == pytest.approx(overall[row[0].text], abs=0.051)


def test_fps_per_watt_on_the_page_is_what_its_definition_says(night: MakeNight):
    made = night("complete")
    page = read_page(made.folder / "report" / "index.html")
    assert "average FPS / mean power" in page.sections["definitions"]
    attempts = pd.read_parquet(made.folder / "dataset" / "attempts.parquet")
    pd.testing.assert_series_equal(
        attempts["fps_per_w"], attempts["average_fps"] / attempts["mean_power_w"], check_names=False
    )


def test_the_accuracy_of_a_difference_of_thermometers_is_of_what_each_of_them_read(tmp_path: Path):
    from tests.audit.nights import HARBOUR, QUIET, plan_text, rehearsed

    tables = "[instruments]\ncore_temp_c = { accuracy_pct = 2.0 }\nambient_temp_c = { accuracy_pct = 1.0 }\n"
    made = rehearsed(tmp_path, plan_text([QUIET], [HARBOUR], head="repeats = 2\n", tables=tables))
    found = pd.read_parquet(made.folder / "dataset" / "instruments.parquet")
    repeats = pd.read_parquet(made.folder / "dataset" / "repeats.parquet")
    for row in found[found["metric"] == "core_above_ambient_k"].to_dict("records"):
        mine = repeats[repeats["profile"] == row["profile"]]
        core, ambient = mine["end_core_temp_c"].mean(), mine["mean_ambient_temp_c"].mean()
        expected = ((0.02 * core) ** 2 / 3 + (0.01 * ambient) ** 2 / 3) ** 0.5
        assert row["u_instrument"] == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("kind", EACH)
def test_beaten_says_what_was_not_decided_and_never_the_error_of_measurement(night: MakeNight, kind: str):
    page = read_page(night(kind).folder / "report" / "index.html")
    assert "not beyond the error of measurement" not in page.text


def test_a_night_that_may_outlast_its_limit_is_told_beside_it(tmp_path: Path):
    from tests.audit.nights import HARBOUR, QUIET, plan_text

    plan = tmp_path / "plan.toml"
    text = plan_text([QUIET], [HARBOUR], tables="[limits]\nnight_ends_after_s = 1200\n")
    slow = text.replace("cooldown = { seconds = 4 }", "cooldown = { until_at_most_c = 30, timeout_s = 3000 }")
    plan.write_text(slow, encoding="utf-8")
    told = one_line(levelrig("check", plan))
    assert "limits.night_ends_after_s ends each one after 20 min 00 s, so there may be 2 of them" in told


@pytest.mark.parametrize("kind", ["complete", pytest.param("scores", marks=pytest.mark.endurance)])
def test_explain_works_for_the_answer_and_for_each_kind_of_number(night: MakeNight, kind: str):
    folder = night(kind).folder
    whole = levelrig("explain", folder, "answer")
    assert read_page(folder / "report" / "index.html").answer in one_line(whole)
    assert "not measured" not in whole
    names = json.loads((folder / "report" / "numbers.json").read_text(encoding="utf-8"))["numbers"]
    first: dict[str, str] = {}
    for name in names:
        first.setdefault(name.split("/")[0], name)
    assert {"overall", "like-these", "change", "cell", "efficiency", "scatter", "conditions"} <= set(first)
    for name in first.values():
        told = levelrig("explain", folder, name)
        assert told.startswith(name)
        assert "sha256" in told
        assert "not measured" not in told


def test_profiles_are_drawn_over_the_titles_that_all_of_them_have(night: MakeNight):
    made = night("crashing")
    page = (made.folder / "report" / "index.html").read_text(encoding="utf-8")
    assert one_line(page).count("the 2 titles that all profiles have") >= 2
    attempts = pd.read_parquet(made.folder / "dataset" / "attempts.parquet")
    kept = attempts[(attempts["verdict"] == "accepted") & attempts["title"].isin(["harbour", "comet"])]
    logs = kept.assign(log=np.log(kept["average_fps"])).pivot_table("log", ["title", "block"], "profile")
    wanted = 100 * np.exp((logs["quiet"] - logs["factory"]).groupby("title").mean().mean())
    drawn = re.search(r"Data of the chart: Speed against power.*?</table>", page, re.DOTALL)
    cells = re.findall(r"<t[dh][^>]*>([^<]*)</t[dh]>", drawn.group())
    assert f"{wanted:.3f}" in cells


@pytest.mark.parametrize("kind", ["crashing", "complete", "scores", "title missing"])
def test_analyse_of_a_campaign_answers_as_its_own_report_does(night: MakeNight, kind: str):
    made = night(kind)
    answered = json.loads(levelrig("analyse", made.folder, "--json"))["answer"]
    told = json.loads((made.folder / "report" / "numbers.json").read_text(encoding="utf-8"))
    assert answered == told["answer"]["text"]


def test_an_explained_number_names_its_interval_and_only_the_repeats_it_rests_on(night: MakeNight):
    folder = night("crashing").folder
    assert "  95 % joint interval " in levelrig("explain", folder, "overall/quiet/average_fps")
    power = levelrig("explain", folder, "overall/quiet/mean_power_w")
    assert "  95 % interval " in power
    start = levelrig("explain", folder, "conditions/quiet/start_temp_c")
    assert ("  smallest to largest " in start, "interval" in start) == (True, False)
    ranked = levelrig("explain", folder, "efficiency/quiet/speed_ratio")
    assert set(re.findall(r"^cell  (\w+)\.", ranked, re.MULTILINE)) == {"harbour", "comet"}


def test_what_was_read_back_is_told_as_what_was_asked_for(night: MakeNight):
    page = (night("crashing").folder / "report" / "index.html").read_text(encoding="utf-8")
    table = re.search(r'id="table-profiles".*?</table>', page, re.DOTALL)
    told = re.findall(r"<t[dh][^>]*>(.*?)</t[dh]>", table.group(), re.DOTALL)
    assert sum("power_limit_pct = 80" in cell for cell in told) == 2
    assert "{" not in "".join(re.sub(r"<[^>]+>", "", cell) for cell in told)
