"""The first screen: what each profile changes, what went wrong, and the picture below."""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from harness.analysis.analyse import analyse
from harness.report.charts import figures
from harness.report.elements import Figure
from harness.report.folder import Campaign, read_campaign
from harness.report.names import Names
from harness.report.page.glance import glance, loaded_by_others


@pytest.fixture(scope="module")
def campaign(small_campaign: Path) -> Campaign:
    return read_campaign(small_campaign)


def shown(campaign: Campaign) -> Any:
    analysis = analyse(campaign.repeats, campaign.settings, campaign.attempts)
    return glance(campaign, analysis, Names(campaign), figures.looks_of(campaign))


def test_each_profile_has_every_metric_with_interval_verdict_and_what_it_is_the_change_of(
    campaign: Campaign,
) -> None:
    found = shown(campaign)
    assert [p.profile for p in found.profiles] == ["factory", "quiet", "capped", "eager"]
    assert found.columns == [
        "Average FPS", "1 % low", "Mean power", "FPS per watt", "Core temperature above ambient",
    ]  # fmt: skip
    quiet = next(p for p in found.profiles if p.profile == "quiet")
    for figure in quiet.figures:
        assert isinstance(figure, Figure)
        assert re.fullmatch(r"\([±+−].* to .*\)", figure.interval)
        assert figure.verdict
        assert figure.before
        assert figure.after


def test_arrows_say_up_and_down_and_words_say_better_and_worse(campaign: Campaign) -> None:
    by_profile = {p.profile: p for p in shown(campaign).profiles}
    fps, _, power, *_ = by_profile["capped"].figures
    assert (fps.arrow, fps.sign, fps.verdict) == ("▼", "✗", "worse: slower")
    assert (power.arrow, power.sign, power.verdict) == ("▼", "", "no verdict asked")
    assert by_profile["eager"].figures[0].verdict == "better: faster"


def test_what_was_not_measured_is_said(campaign: Campaign) -> None:
    assert "Not measured in this campaign: sound level." in shown(campaign).notes


@pytest.mark.parametrize(
    ("reason", "marks", "expected"),
    [
        ("foreign-cpu-load", [], True),
        (None, ["foreign-gpu-load: 3 other processes were on the card (usual tonight: 1)"], True),
        ("title-crashed", ["outlier: far from the others"], False),
        (None, None, False),
    ],
)
def test_an_attempt_loaded_by_others_is_known_by_its_check(
    reason: str | None, marks: list[str] | None, expected: bool
) -> None:
    assert loaded_by_others({"reason_code": reason, "marks": marks}) is expected


def test_a_title_without_frames_is_named_on_the_picture(
    tmp_path: Path, campaign_maker: Callable[..., Path], made_campaign_type: Callable[..., Any]
) -> None:
    titles = {"salt-meridian": ("Salt Meridian", 104.0, 1.0), "copper-rain": ("Copper Rain", 79.0, 1.0)}
    folder = campaign_maker(
        made_campaign_type(tmp_path / "night", titles=titles, repeats=2, measure_s=2.0, rejected=False)
    )
    for name in ("attempts", "repeats"):
        path = folder / "dataset" / f"{name}.parquet"
        table = pd.read_parquet(path)
        scored = table["title"] == "copper-rain"
        table.loc[scored, [c for c in table if c.endswith("_fps") or c.startswith("fps_")]] = None
        table.loc[scored, "score"] = 4711.0
        table.to_parquet(path)
    made = shown(read_campaign(folder))
    assert "Copper Rain" in made.wide
    assert "no frames; score 4711" in made.wide
    assert "Without a frame rate under some profile: Copper Rain." in made.picture_notes
    assert "Copper Rain: Factory no frames; score 4711" in made.alt


def test_one_fast_title_does_not_squeeze_the_others(campaign: Campaign) -> None:
    """Every title's fastest profile has a bar of the same length, whatever its frame rate."""
    longest = [
        max(float(w) for w in re.findall(r'width="([0-9.]+)"[^>]*data-column="average_fps"', part))
        for part in shown(campaign).wide.split("<g data-title=")[1:]
    ]
    assert len(longest) == 3
    assert max(longest) == pytest.approx(min(longest), abs=0.11)


@pytest.mark.parametrize("form", ["wide", "narrow"])
def test_nothing_that_is_printed_leaves_the_drawing(campaign: Campaign, form: str) -> None:
    """By the width of a character that the drawing keeps room for, which is on the wide side."""
    drawing = getattr(shown(campaign), form)
    width = float(re.search(r'viewBox="0 0 ([0-9.]+)', drawing)[1])
    for x, text in re.findall(r'<text x="([0-9.]+)"[^>]*>(.*?)</text>', drawing):
        assert float(x) + 0.6 * 14 * len(re.sub("<[^>]*>", "", text)) <= width + 0.5, text


def test_titles_that_all_give_scores_have_their_scores_before_and_after(
    tmp_path: Path, campaign_maker: Callable[..., Path], made_campaign_type: Callable[..., Any]
) -> None:
    titles = {"salt-meridian": ("Salt Meridian", 104.0, 1.0), "copper-rain": ("Copper Rain", 79.0, 1.0)}
    folder = campaign_maker(
        made_campaign_type(tmp_path / "night", titles=titles, repeats=2, measure_s=2.0, rejected=False)
    )
    for name in ("attempts", "repeats"):
        path = folder / "dataset" / f"{name}.parquet"
        table = pd.read_parquet(path)
        table["score"] = 50 * table["average_fps"]
        table[[c for c in table if c.endswith("_fps") or c.startswith("fps_")]] = None
        table.to_parquet(path)
    speed = shown(read_campaign(folder)).profiles[1].figures[0]
    assert (speed.label, speed.unit, speed.before_id) == ("speed", "score", "level/quiet/score/before")
    assert 4000 < float(speed.before) < 5000


def test_before_and_after_stand_with_the_digits_of_their_change_s_interval(campaign: Campaign) -> None:
    """Two digits of the half width: an interval of ± 0.8 % of 120 FPS is ± 0.96 FPS."""
    for profile in shown(campaign).profiles[1:]:
        for figure in profile.figures:
            low, high = (float(end.replace("−", "-").strip("()+±")) for end in figure.interval.split(" to "))
            half = (high - low) / 2 * (float(figure.before) / 100 if figure.change.endswith("%") else 1)
            assert len(figure.before.partition(".")[2]) == len(figure.after.partition(".")[2])
            assert 9 <= half * 10 ** len(figure.before.partition(".")[2]) < 110 or half >= 9.9, figure
