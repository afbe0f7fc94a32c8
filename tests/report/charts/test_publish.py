"""Publication charts: sizes, text, data beside them, theme and captions from the plan."""

import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from PIL import Image

from harness.report import write_report
from harness.report.charts.drawn_overview import efficiency_front
from harness.report.charts.publish import Pictures
from harness.report.charts.scales import margin_edges_pct
from tests.report.conftest import PROFILES


@pytest.fixture(scope="module")
def published(
    tmp_path_factory: pytest.TempPathFactory,
    campaign_maker: Callable[..., Path],
    made_campaign_type: Callable[..., Any],
) -> Path:
    made = made_campaign_type(
        tmp_path_factory.mktemp("published") / "night",
        titles={"harbour-lights": ("Harbour $Lights", 118.0, 1.0)},
        profiles=dict(list(PROFILES.items())[:2]),
        repeats=2,
        measure_s=2.0,
    )
    folder = campaign_maker(made)
    plan = folder / "plan.toml"
    table = '[report]\ntheme = "dark"\narticle_width_px = 900\ncredit = "Photo desk"\n'
    captions = '[report.captions]\nefficiency = "What the watts buy."\nframetimes = "Ours."\n'
    plan.write_text(plan.read_text(encoding="utf-8") + table + captions, encoding="utf-8")
    write_report(folder, charts=Pictures())
    return folder / "report" / "charts"


@pytest.mark.parametrize(
    ("size", "width", "height"),
    [("1920x1080", 1920, 1080), ("3840x2160", 3840, 2160), ("article", 900, None), ("upright", 1080, 1920)],
)
def test_each_chart_comes_as_png_and_svg_in_each_size(
    published: Path, size: str, width: int, height: int | None
) -> None:
    pngs = sorted(published.glob(f"*-{size}.png"))
    assert len(pngs) == 1 + 9 + 3
    for path in pngs:
        with Image.open(path) as image:
            assert image.width == width
            assert height is None or image.height == height
            drawn = (width, image.height)
        root = ET.parse(path.with_suffix(".svg")).getroot()
        assert (float(root.attrib["width"]), float(root.attrib["height"])) == pytest.approx(drawn, abs=1)


def test_an_svg_looks_the_same_without_the_fonts_of_this_machine(published: Path) -> None:
    assert "<text" not in (published / "comparison-1920x1080.svg").read_text(encoding="utf-8")


def test_the_data_of_each_chart_lie_beside_it(published: Path) -> None:
    size = r"(-\d-of-\d)?-(1920x1080|3840x2160|article|upright)$"
    stems = {re.sub(size, "", p.stem) for p in published.glob("*.png")}
    assert {p.stem for p in published.glob("*.csv")} == {*stems, "charts"}
    data = pd.read_csv(published / "comparison.csv")
    overall = pd.read_parquet(published.parents[1] / "dataset" / "overall.parquet")
    shown = data[data["metric"] == "average_fps"].set_index("profile")["change_pct"]
    wanted = overall[overall["metric"] == "average_fps"].set_index("profile")["estimate"]
    pd.testing.assert_series_equal(shown, 100 * (wanted - 1), check_names=False)


def test_the_plan_s_theme_decides_the_ground(published: Path) -> None:
    with Image.open(published / "levels-1920x1080.png") as image:
        corner = image.convert("RGB").getpixel((5, 5))
    assert max(corner) < 40


def test_the_plan_s_captions_replace_ours_in_page_and_charts(published: Path) -> None:
    html = (published.parent / "index.html").read_text(encoding="utf-8")
    assert "<figcaption>What the watts buy.</figcaption>" in html
    assert html.count("<figcaption>Ours.</figcaption>") == 1


def test_the_efficiency_front_holds_what_nothing_beats() -> None:
    assert efficiency_front([100, 80, 90, 80], [100, 99, 98, 97]) == [True, True, False, False]
    assert efficiency_front([100, 100], [50, 50]) == [True, True], "equals do not beat each other"


def test_the_margin_is_drawn_symmetric_in_the_logarithm() -> None:
    low, high = margin_edges_pct(3.0)
    assert (1 + low / 100) * (1 + high / 100) == pytest.approx(1)


def test_a_list_beside_the_charts_says_what_each_file_shows(published: Path) -> None:
    listed = pd.read_csv(published / "charts.csv")
    assert set(listed["file"]) == {p.name for p in published.iterdir()} - {"charts.csv"}
    assert listed["shows"].str.len().min() > 10
