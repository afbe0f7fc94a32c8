"""The page of a night in which much went wrong, in Chromium: light and dark, at four widths, unfolded."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from harness.report import write_report
from tests.report.conftest import PROFILES
from tests.report.page.test_layout_in_browser import COME_BY, UNFOLD, faults_at_every_width

pytest.importorskip("playwright.sync_api", reason="the playwright package is not installed")


@pytest.fixture(scope="module")
def address(
    tmp_path_factory: pytest.TempPathFactory,
    campaign_maker: Callable[..., Path],
    made_campaign_type: Callable[..., Any],
) -> str:
    """One title has scores only, one crashed under a profile, one profile has no repeat that counts; other
    programs were at work; names are long and of several scripts."""
    made = made_campaign_type(
        tmp_path_factory.mktemp("odd") / "night",
        titles={
            "far-north": ("Harbour Lights of the Far North: The Definitive Edition", 118.0, 1.0),
            "scored": ("深海の灯台 – Größe & Übermut <Зима>", 96.0, 1.0),
            "wide": ("M" * 60, 480.0, 1.0),
        },
        profiles={
            **dict(list(PROFILES.items())[:2]),
            "never": ("Тихий профиль, 0.925 V & 2550 MHz", *PROFILES["capped"][1:]),
        },
        repeats=2,
        measure_s=2.0,
    )
    folder = campaign_maker(made)
    for name in ("attempts", "repeats"):
        path = folder / "dataset" / f"{name}.parquet"
        table = pd.read_parquet(path)
        table["score"] = table["average_fps"].where(table["title"] == "scored")
        frames = [c for c in table if c.endswith("_fps") or c.startswith(("fps_", "frametime"))]
        table.loc[table["title"] == "scored", frames] = None
        crashed = (table["profile"] == "never") | ((table["title"] == "wide") & (table["profile"] == "quiet"))
        table.loc[crashed, ["verdict", "reason_code", "reason"]] = [
            "rejected", "title-crashed", "the title ended with exit code 139 after 1 s of the window",
        ]  # fmt: skip
        disturbed = ["foreign-cpu-load: other processes used 31 % of the processor (usual tonight: 2 %)"]
        table["marks"] = [disturbed if profile == "quiet" else [] for profile in table["profile"]]
        table[~crashed | (name == "attempts")].to_parquet(path)
    return write_report(folder).page.as_uri()


def test_an_odd_night_breaks_no_rule_and_nothing_is_cut(
    address: str, visit: Callable[..., Any], axe_violations: Callable[[Any], list[str]]
) -> None:
    visited = visit(address, scheme="dark")
    page = visited.page
    assert page.evaluate(COME_BY) >= 4
    assert axe_violations(page) == []
    page.emulate_media(color_scheme="light")
    assert axe_violations(page) == []
    page.evaluate(UNFOLD)
    assert {width: found for width, found in faults_at_every_width(page).items() if found} == {}
    assert visited.errors == []
    assert "crashed in" in page.locator("#table-glance").inner_text()
    assert "no frames; score" in page.locator("#first-picture .wide").text_content()
