"""Several campaigns side by side."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from harness.report import write_report

TITLES = {"harbour-lights": ("Harbour Lights", 118.0, 1.0), "copper-rain": ("Copper Rain", 79.0, 1.0)}


@pytest.fixture(scope="module")
def compared(
    tmp_path_factory: pytest.TempPathFactory,
    campaign_maker: Callable[..., Path],
    made_campaign_type: Callable[..., Any],
) -> Path:
    """Two cards; the second is 20 % faster. Measured under another driver, with one title more."""
    base = tmp_path_factory.mktemp("compared")
    common = {"repeats": 3, "measure_s": 3.0, "rejected": False}
    first = campaign_maker(made_campaign_type(base / "one", titles=TITLES, campaign_id="spring", **common))
    more = {**TITLES, "velvet-orbit": ("Velvet Orbit", 187.0, 0.95)}
    second = campaign_maker(
        made_campaign_type(
            base / "two", titles=more, campaign_id="autumn", card="Talverin TX-90", driver="43.0 (made up)",
            fps_factor=1.2, seed=11, **common,
        )
    )  # fmt: skip
    return write_report([first, second]).page


def test_the_known_difference_between_two_cards_is_found(compared: Path) -> None:
    overall = pd.read_parquet(compared.parent / "overall.parquet")
    row = overall[(overall["profile"] == "c2-factory") & (overall["metric"] == "average_fps")].iloc[0]
    assert row["low"] < 1.2 < row["high"]
    assert row["n_titles"] == 2, "only titles that both campaigns measured"
    assert row["decision"] == "faster"


def test_repeats_of_different_campaigns_are_never_paired(compared: Path) -> None:
    comparisons = pd.read_parquet(compared.parent / "comparisons.parquet")
    assert not comparisons["paired"].any()


def test_the_page_names_what_differs_besides(compared: Path) -> None:
    html = compared.read_text(encoding="utf-8")
    for text in ("differ in their card", "differ in their driver", "different rigs", "Talverin TX-90"):
        assert text in html
    assert "What differs between spring and autumn?" in html
    assert "Over 3 titles, Quiet is as fast as Factory" in html, "each campaign's own answer"


def test_campaigns_of_one_name_stay_apart(
    tmp_path: Path, campaign_maker: Callable[..., Path], made_campaign_type: Callable[..., Any]
) -> None:
    titles = {"copper-rain": TITLES["copper-rain"]}
    folders = [
        campaign_maker(
            made_campaign_type(tmp_path / name, titles=titles, repeats=2, measure_s=1.0, seed=seed)
        )
        for seed, name in enumerate(("a", "b", "c"))
    ]
    html = write_report(folders, into=tmp_path / "out").page.read_text(encoding="utf-8")
    for name in ("night-one (a)", "night-one (b)", "night-one (c)"):
        assert name in html


def test_campaigns_that_share_nothing_say_so(
    tmp_path: Path, campaign_maker: Callable[..., Path], made_campaign_type: Callable[..., Any]
) -> None:
    common = {"repeats": 2, "measure_s": 1.0, "rejected": False}
    titles = [{name: known} for name, known in TITLES.items()]
    folders = [
        campaign_maker(made_campaign_type(tmp_path / key, titles=mine, campaign_id=key, **common))
        for key, mine in zip(("spring", "autumn"), titles, strict=True)
    ]
    html = write_report(folders, into=tmp_path / "out").page.read_text(encoding="utf-8")
    assert "Under Factory, autumn shares no measured title with spring." in html
    assert 'id="levels"' in html
    assert 'id="against-first"' not in html


def shown(page: Any, chart: str) -> None:
    """Wait until an interactive chart is there."""
    page.locator(f"#{chart}").scroll_into_view_if_needed()
    page.wait_for_function(f"document.getElementById('{chart}-interactive').dataset.drawn")


def test_titles_profiles_and_campaigns_are_selected_in_charts_and_tables(
    compared: Path, visit: Callable[..., Any]
) -> None:
    visited = visit(compared.as_uri())
    page = visited.page
    marks, rows = "#levels-interactive .mark-symbol path", "#table-levels tbody tr:visible"
    shown(page, "against-first")
    shown(page, "levels")
    assert (page.locator(marks).count(), page.locator(rows).count()) == (2 * 20, 20)
    for step, left in (
        (lambda: page.uncheck("#controls input[value=c1]"), 12),
        (lambda: page.uncheck("#controls input[value=eager]"), 9),
        (lambda: page.select_option("#pick-title", "velvet-orbit"), 3),
    ):
        step()
        page.wait_for_function(f"document.querySelectorAll('{marks}').length === {2 * left}")
        assert page.locator(rows).count() == left
    assert page.locator("#table-same-profile tbody tr:visible").count() > 0
    page.uncheck("#controls input[value=c2]")
    assert page.locator("#table-same-profile tbody tr:visible").count() == 0
    assert visited.errors == []
    assert visited.requests == [compared.as_uri()]


def test_a_mark_tells_its_campaign_when_pointed_at(compared: Path, visit: Callable[..., Any]) -> None:
    page = visit(compared.as_uri()).page
    shown(page, "levels")
    page.locator("#levels-interactive .mark-symbol path").first.hover()
    tip = page.locator("#vg-tooltip-element")
    tip.wait_for()
    assert "campaign" in tip.inner_text()
    assert "spring" in tip.inner_text()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1400])
def test_the_comparison_breaks_no_accessibility_rule_and_fits_its_width(
    compared: Path,
    visit: Callable[..., Any],
    axe_violations: Callable[[Any], list[str]],
    width: int,
    scheme: str,
) -> None:
    page = visit(compared.as_uri(), width, scheme).page
    shown(page, "against-first")
    assert axe_violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_without_scripts_the_comparison_shows_every_chart(compared: Path, visit: Callable[..., Any]) -> None:
    page = visit(compared.as_uri(), java_script_enabled=False).page
    assert page.locator(".picture svg:visible").count() == 3
    assert page.locator("#controls:visible").count() == 0


def test_the_first_sentence_says_what_differs_with_its_interval(compared: Path) -> None:
    html = compared.read_text(encoding="utf-8")
    assert "Under Factory, autumn is faster than spring over 2 titles (average FPS +" in html
    assert "95 % interval" in html
