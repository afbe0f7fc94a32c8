"""The page's layout as properties, at the widths of a wide screen, a desk, a tablet and a phone."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.report import write_report

pytest.importorskip("playwright.sync_api", reason="the playwright package is not installed")

WIDTHS = (1920, 1400, 1024, 390)

#: What stands beyond the window, what scrolls in a box of its own, and what is cut off.
FAULTS = """() => {
  const width = document.documentElement.clientWidth, found = [];
  for (const e of document.querySelectorAll('body *')) {
    if (e.closest('.skip') || (e.closest('svg') && e.tagName !== 'svg')) continue;
    const name = `${e.tagName.toLowerCase()} ${e.id || e.getAttribute('class') || ''}`;
    const box = e.getBoundingClientRect(), style = getComputedStyle(e);
    if (box.width && (box.right > width + 1 || box.left < -1)) found.push(`${name} reaches ${box.right}`);
    if (!e.clientWidth || e.tagName === 'TEXTAREA' || e.closest('svg')) continue;
    if (/auto|scroll/.test(style.overflowX + style.overflowY)) found.push(`${name} is a box that scrolls`);
    if (style.overflowX !== 'visible' && e.scrollWidth > e.clientWidth + 1) found.push(`${name} is cut`);
  }
  return found;
}"""
#: Come by every part of the page, so that all of its charts are drawn.
COME_BY = """async () => {
  for (let y = 0; y < document.documentElement.scrollHeight; y += 600) {
    window.scrollTo(0, y);
    await new Promise((done) => setTimeout(done, 50));
  }
  const near = [...document.querySelectorAll('[data-chart]')].filter((place) => place.clientWidth);
  for (let i = 0; i < 200 && near.some((place) => !place.dataset.drawn); i++)
    await new Promise((done) => setTimeout(done, 50));
  return near.filter((place) => place.dataset.drawn).length;
}"""
#: What has a number, is of no title, and does not say that it is over all of them.
UNSAID = """() => {
  const fixed = ['definitions', 'cautions', 'methods', 'sources', 'rig'], found = [];
  for (const e of document.querySelectorAll('main :is(table, figure, section > p:not(.caption), li)')) {
    if (!e.offsetParent || !/\\d/.test(e.textContent) || e.closest('nav, #controls, [data-title]')) continue;
    if (fixed.includes(e.closest('section').id) || e.querySelector('[data-title]')) continue;
    const chart = e.querySelector('[data-chart]');
    const said = e.closest('details, section').querySelector('.reach');
    if (!said && !(chart && !e.querySelector('.reach'))) found.push(e.id || e.textContent.slice(0, 60));
  }
  return found;
}"""
HEIGHT = "document.documentElement.scrollHeight"
UNFOLD = "document.querySelectorAll('details').forEach((fold) => { fold.open = true; })"


@pytest.fixture
def page(small_report: Path, visit: Callable[..., Any]) -> Any:
    return visit((small_report / "report" / "index.html").as_uri()).page


def faults_at_every_width(page: Any) -> dict[int, list[str]]:
    found = {}
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 1000})
        page.wait_for_timeout(300)
        found[width] = page.evaluate(FAULTS)
    return found


def test_nothing_is_cut_or_scrolls_in_a_box_at_any_width(page: Any) -> None:
    page.evaluate(UNFOLD)
    assert faults_at_every_width(page) == {width: [] for width in WIDTHS}


@pytest.mark.parametrize("width", [1400, 390])
def test_the_page_keeps_its_height_while_charts_are_drawn(page: Any, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 1000})
    page.reload()
    before = page.evaluate(HEIGHT)
    assert page.evaluate(COME_BY) == 5
    assert page.evaluate(HEIGHT) == before
    tight = page.evaluate(
        "[...document.querySelectorAll('[data-drawn]')]"
        ".filter((p) => p.clientHeight < p.querySelector('svg').getAttribute('height')).map((p) => p.id)"
    )
    assert tight == [], "charts have the room that they need"


def test_a_place_that_is_jumped_to_stands_below_the_bar(page: Any) -> None:
    page.evaluate("location.hash = '#conditions'")
    page.wait_for_timeout(400)
    top = page.evaluate("document.getElementById('conditions-heading').getBoundingClientRect().top")
    bar = page.evaluate("document.getElementById('controls').getBoundingClientRect().bottom")
    assert bar <= top < 500


def test_the_choice_of_a_title_reaches_each_number_or_says_that_it_does_not(page: Any) -> None:
    page.evaluate(UNFOLD)
    page.select_option("#pick-title", "paper-comet")
    page.wait_for_timeout(200)
    assert page.evaluate(UNSAID) == []
    assert page.locator("#glance .reach:visible").count() == 1
    assert page.locator("#first-picture g.dim").count() > 0
    assert page.locator("details.fold[data-title=paper-comet][open]").count() == 1
    page.select_option("#pick-title", "")
    assert page.locator(".reach:visible").count() == 0


def test_a_tables_rows_are_blocks_with_their_headings_where_columns_do_not_fit(page: Any) -> None:
    page.set_viewport_size({"width": 390, "height": 800})
    cell = page.locator("#table-levels tbody td.number").first
    label = cell.evaluate("(e) => getComputedStyle(e, '::before').content")
    assert "repeats" in label
    page.set_viewport_size({"width": 1400, "height": 800})
    assert page.locator("#table-levels thead").is_visible()


def test_print_has_every_column_and_nothing_folded_but_data(page: Any, tmp_path: Path) -> None:
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 718, "height": 1000})
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    page.wait_for_timeout(200)
    assert page.evaluate(FAULTS) == []
    hidden = page.evaluate(
        "[...document.querySelectorAll('main table td')].filter((c) => !c.closest('details.data'))"
        ".filter((c) => !c.getBoundingClientRect().height).length"
    )
    assert hidden == 0
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    assert page.locator("details.fold[open]").count() == 0


def test_a_paragraph_is_copied_by_its_button(small_report: Path, visit: Callable[..., Any]) -> None:
    address = (small_report / "report" / "index.html").as_uri()
    page = visit(address, permissions=["clipboard-read", "clipboard-write"]).page
    page.locator("button[data-copy=methods-text]").click()
    page.wait_for_selector("button[data-done]")
    copied = page.evaluate("navigator.clipboard.readText()")
    assert copied == (small_report / "report" / "methods.txt").read_text(encoding="utf-8").strip()


def test_the_comparison_of_campaigns_keeps_the_same_rules(
    tmp_path: Path,
    campaign_maker: Callable[..., Path],
    made_campaign_type: Callable[..., Any],
    visit: Callable[..., Any],
    axe_violations: Callable[[Any], list[str]],
) -> None:
    titles = {"harbour-lights": ("Harbour Lights", 118.0, 1.0), "copper-rain": ("Copper Rain", 79.0, 1.0)}
    folders = [
        campaign_maker(
            made_campaign_type(
                tmp_path / key, titles=titles, campaign_id=key, repeats=2, measure_s=2.0, seed=seed
            )
        )
        for seed, key in enumerate(("spring", "autumn"))
    ]
    page = visit(write_report(folders, into=tmp_path / "out").page.as_uri()).page
    before = page.evaluate(HEIGHT)
    assert page.evaluate(COME_BY) >= 3
    assert page.evaluate(HEIGHT) == before
    page.evaluate(UNFOLD)
    assert faults_at_every_width(page) == {width: [] for width in WIDTHS}
    assert axe_violations(page) == []


def test_long_names_fit_every_width(
    tmp_path: Path,
    campaign_maker: Callable[..., Path],
    made_campaign_type: Callable[..., Any],
    visit: Callable[..., Any],
) -> None:
    profiles = {
        "factory": ("Factory", 1.0, 300.0, 2600.0, 1800.0, ""),
        "quiet": (
            "A label that says it all, 0.925 V and 2550 MHz",
            0.99,
            240.0,
            2500.0,
            1400.0,
            'control = "x"',
        ),
        "odd": ("Unbroken_" * 8, 0.98, 230.0, 2500.0, 1400.0, 'control = "x"'),
    }
    made = made_campaign_type(
        tmp_path / "night",
        titles={"harbour-lights": ("Harbour-Lights-" * 6, 1180.0, 1.0)},
        profiles=profiles,
        repeats=2,
        measure_s=2.0,
    )
    page = visit(write_report(campaign_maker(made)).page.as_uri()).page
    page.evaluate(UNFOLD)
    assert faults_at_every_width(page) == {width: [] for width in WIDTHS}
