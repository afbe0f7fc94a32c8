"""What the page says and that it stands alone."""

import re
import shutil
import sys
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from harness.errors import ReportError, StoreError
from harness.report import write_report


class Reader(HTMLParser):
    """Collects what a page refers to, its text and its structure."""

    def __init__(self) -> None:
        super().__init__()
        self.references: list[str] = []
        self.text: list[str] = []
        self.ids: list[str] = []
        self.tags: list[str] = []
        self.alts: list[str] = []
        self._inside: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self._inside.append(tag)
        for name, value in attrs:
            if name in ("src", "href", "xlink:href", "data", "action") and value:
                self.references.append(value)
            if name == "id" and value:
                self.ids.append(value)
            if name == "aria-label" and value:
                self.alts.append(value)

    def handle_endtag(self, tag: str) -> None:
        while self._inside and self._inside.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if not self._inside or self._inside[-1] not in ("script", "style"):
            self.text.append(data)

    @property
    def words(self) -> str:
        return " ".join(" ".join(self.text).split())


def read(page: Path) -> Reader:
    reader = Reader()
    reader.feed(page.read_text(encoding="utf-8"))
    return reader


def test_the_page_refers_to_nothing_outside_itself(small_report: Path) -> None:
    page = read(small_report / "report" / "index.html")
    assert [r for r in page.references if not r.startswith("#")] == []
    assert "default-src 'none'" in (small_report / "report" / "index.html").read_text(encoding="utf-8")


def test_every_place_in_the_page_has_an_id_of_its_own(small_report: Path) -> None:
    ids = read(small_report / "report" / "index.html").ids
    assert sorted(i for i in set(ids) if ids.count(i) > 1) == []


def test_the_question_is_the_heading_and_the_answer_the_first_sentence(small_report: Path) -> None:
    words = read(small_report / "report" / "index.html").words
    heading = words.split("Does the quiet setting keep the frame rate of the factory setting?")[2]
    assert heading.strip().startswith("Over 3 titles, Quiet is as fast as Factory")


def test_a_rehearsal_says_so_before_anything_else(small_report: Path) -> None:
    words = read(small_report / "report" / "index.html").words
    assert words.index("Nothing was measured") < words.index("At a glance")


@pytest.mark.parametrize(
    "text",
    [
        "another process used 31 % of the processor",
        "1000 / the 99th percentile of frame time in ms",
        "until core_temp_c at most 45 °C or it has stopped falling, for 600 s at most",
        "Changing a card's power limit, clocks or voltage can crash the machine",
        "Talverin TX-70",
        "driver 41.7 (made up)",
        "power_limit_w = 220",
        "The repeat, never the frame, is the unit of every interval",
    ],
)
def test_the_page_tells(small_report: Path, text: str) -> None:
    assert text in read(small_report / "report" / "index.html").words


def test_the_page_shows_what_stands_behind_the_headline(small_report: Path) -> None:
    page = read(small_report / "report" / "index.html")
    assert {"table-wider", "table-efficiency", "table-scatter"} <= set(page.ids)
    assert "Without " in page.words or "No single title carries a decision" in page.words
    assert "The plan states no accuracy for the instruments" in page.words


def test_every_rejected_attempt_is_listed_with_its_reason(small_report: Path) -> None:
    attempts = pd.read_parquet(small_report / "dataset" / "attempts.parquet")
    lost = attempts[attempts["verdict"] != "accepted"]
    assert len(lost) > 0
    words = read(small_report / "report" / "index.html").words
    assert words.count("foreign-load") == len(lost)
    assert f"{len(attempts)} attempts were made: {len(attempts) - len(lost)} count" in words


def test_every_drawing_has_a_text_in_its_place(small_report: Path) -> None:
    html = (small_report / "report" / "index.html").read_text(encoding="utf-8")
    labels = re.findall(r'class="picture" role="img" aria-label="([^"]*)"', html)
    assert len(labels) == html.count('<div class="picture"') == 17
    assert all(len(label) > 20 for label in labels)


def test_drawings_follow_the_ground_and_keep_their_text_as_text(small_report: Path) -> None:
    html = (small_report / "report" / "index.html").read_text(encoding="utf-8")
    drawings = re.findall(r"<svg.*?</svg>", html.split("<script", 1)[0], re.DOTALL)
    assert len(drawings) == 19, "the first picture for a screen and for a phone, and 17 charts"
    for drawing in drawings:
        assert "<text" in drawing
        assert not re.findall(r"(?:fill|stroke): ?#(?!000000|ffffff)[0-9a-f]{6}", drawing)


def test_markup_in_plan_strings_and_reasons_is_shown_as_text(
    tmp_path: Path, campaign_maker: Callable[..., Path], made_campaign_type: Callable[..., Any]
) -> None:
    evil = "<script>document.title='taken'</script></script><!-- & $x_2$ ]]> \\u2028"
    folder = campaign_maker(
        made_campaign_type(
            tmp_path / "night",
            titles={"a-b": (f"Title {evil}", 100.0, 1.0)},
            profiles={
                "factory": (f"Factory {evil}", 1.0, 300.0, 2600.0, 1800.0, ""),
                "quiet": (evil, 0.99, 240.0, 2500.0, 1400.0, 'control = "made-up"\nnote = "<img src=x>"'),
            },
            question=f"Is {evil} safe?",
            card=f"Card {evil}",
            campaign_id=evil,
            repeats=2,
            measure_s=2.0,
            rejected=False,
        )
    )
    attempts = pd.read_parquet(folder / "dataset" / "attempts.parquet")
    attempts.loc[0, ["verdict", "reason"]] = ["rejected", f"log {evil}"]
    attempts.to_parquet(folder / "dataset" / "attempts.parquet")
    page = read(write_report(folder).page)
    html = (folder / "report" / "index.html").read_text(encoding="utf-8")
    body = re.sub(r"<script>.*?</script>", "", html.split("<main", 1)[1], flags=re.DOTALL)
    assert "document.title='taken'</script>" not in body
    assert "<img src=x>" not in body
    assert page.tags.count("script") == 3, "the library, the data and the page's own script"
    assert page.tags.count("img") == 0
    assert "<script>document.title='taken'</script></script><!-- & $x_2$ ]]>" in page.words


def test_a_rig_without_card_telemetry_gets_a_page_that_says_so(
    tmp_path: Path, campaign_maker: Callable[..., Path], made_campaign_type: Callable[..., Any]
) -> None:
    titles = {"harbour-lights": ("Harbour Lights", 118.0, 1.0)}
    made = made_campaign_type(
        tmp_path / "night", titles=titles, repeats=2, measure_s=2.0, card_telemetry=False, simulated=False
    )
    words = read(write_report(campaign_maker(made)).page).words
    assert "no temperature to hold conditions on" in words
    assert "Nothing was measured" not in words
    assert "Speed against power" not in words


def test_a_campaign_without_an_accepted_repeat_still_gets_its_page(
    tmp_path: Path, small_campaign: Path
) -> None:
    folder = tmp_path / "night"
    (folder / "dataset").mkdir(parents=True)
    for name in ("plan.toml", "rig.json"):
        (folder / name).write_bytes((small_campaign / name).read_bytes())
    attempts = pd.read_parquet(small_campaign / "dataset" / "attempts.parquet")
    attempts["verdict"] = "rejected"
    attempts.to_parquet(folder / "dataset" / "attempts.parquet")
    attempts[:0].to_parquet(folder / "dataset" / "repeats.parquet")
    words = read(write_report(folder).page).words
    assert "No repeat was accepted" in words
    assert "0 of 3 repeats" in words


def test_a_profile_that_lost_all_its_repeats_is_told_of(tmp_path: Path, small_campaign: Path) -> None:
    folder = tmp_path / "night"
    (folder / "dataset").mkdir(parents=True)
    for name in ("plan.toml", "rig.json"):
        (folder / name).write_bytes((small_campaign / name).read_bytes())
    attempts = pd.read_parquet(small_campaign / "dataset" / "attempts.parquet")
    eager = attempts["profile"] == "eager"
    attempts.loc[eager, "verdict"] = "failed"
    attempts.loc[eager, "reason_code"] = "title-crashed"
    attempts.loc[eager, "reason"] = None
    attempts.loc[eager & (attempts["title"] == "glass-canyon"), "reason"] = "the title ended with code 9"
    attempts.to_parquet(folder / "dataset" / "attempts.parquet")
    attempts[attempts["verdict"] == "accepted"].to_parquet(folder / "dataset" / "repeats.parquet")
    words = read(write_report(folder).page).words
    assert "Harbour Lights under Eager: 0 of 3 repeats; the last attempt failed: title-crashed." in words
    assert (
        "Glass Canyon under Eager: 0 of 3 repeats; the last attempt failed: the title ended with code 9."
        in (words)
    )
    assert "failed title-crashed – " in words, "an attempt without a reason has a dash for it"
    assert not re.search(r"\bnan\b", words)
    assert "Harbour-lights crashed 3 times under profile eager; set aside for this title." in words


def test_a_folder_that_is_no_campaign_is_refused_with_what_to_do(
    tmp_path: Path, small_campaign: Path
) -> None:
    with pytest.raises(StoreError, match="no campaign there; name the folder"):
        write_report(tmp_path)
    (tmp_path / "plan.toml").write_bytes((small_campaign / "plan.toml").read_bytes())
    with pytest.raises(StoreError, match="name the folder"):
        write_report(tmp_path)
    with pytest.raises(ReportError, match="name at least one"):
        write_report([])


def test_writing_the_same_report_again_changes_nothing(small_report: Path) -> None:
    page = small_report / "report" / "index.html"
    before = page.read_bytes()
    write_report(small_report)
    assert page.read_bytes() == before


def test_licences_of_the_embedded_code_stand_in_the_page(small_report: Path) -> None:
    text = (small_report / "report" / "index.html").read_text(encoding="utf-8")
    assert "Licences of the program code embedded in this page" in text
    assert "University of Washington Interactive Data Lab" in text  # Vega, Vega-Lite, Vega-Embed
    assert "Mike Bostock" in text  # the d3 modules that Vega holds


@pytest.mark.skipif(sys.platform == "win32", reason="links")
@pytest.mark.parametrize("name", ["report", "dataset"])
def test_a_report_is_not_written_through_a_link(small_campaign: Path, tmp_path: Path, name: str) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    folder = tmp_path / "night"
    shutil.copytree(small_campaign, folder, ignore=shutil.ignore_patterns("report"))
    if name == "dataset":
        shutil.move(folder / name, tmp_path / "moved")
        outside = tmp_path / "moved"
    before = sorted(p.name for p in outside.iterdir())
    (folder / name).symlink_to(outside)
    with pytest.raises(StoreError, match="a link"):
        write_report(folder)
    assert sorted(p.name for p in outside.iterdir()) == before
