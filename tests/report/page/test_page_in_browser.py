"""The report as a reader meets it, in Chromium."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("playwright.sync_api", reason="the playwright package is not installed")


@pytest.fixture
def address(small_report: Path) -> str:
    return (small_report / "report" / "index.html").as_uri()


def drawn(page: Any) -> None:
    """Wait until the first interactive chart is there."""
    page.locator("#comparison").scroll_into_view_if_needed()
    page.wait_for_function("document.querySelectorAll('[data-drawn] svg').length >= 1")


def test_the_page_draws_its_charts_and_asks_nothing_of_anyone(
    address: str, visit: Callable[..., Any]
) -> None:
    visited = visit(address)
    drawn(visited.page)
    visited.page.locator("#inside details.fold summary").last.click()
    visited.page.locator("figure[id^=frametimes]").last.scroll_into_view_if_needed()
    visited.page.wait_for_function(
        "[...document.querySelectorAll('[id^=frametimes][id$=interactive]')].pop().dataset.drawn"
    )
    assert visited.errors == []
    assert visited.requests == [address]


def test_choosing_a_title_and_a_profile_shows_only_these(address: str, visit: Callable[..., Any]) -> None:
    page = visit(address).page
    drawn(page)
    marks = "#comparison-interactive .mark-symbol path"
    before = page.locator(marks).count()
    page.select_option("#pick-title", "paper-comet")
    page.wait_for_function(f"document.querySelectorAll('{marks}').length < {before}")
    assert page.locator("#table-levels tbody tr:visible").count() == 4
    assert page.locator("figure[id^=frametimes]:visible").count() == 1
    page.uncheck("#controls input[value=eager]")
    assert page.locator("#table-levels tbody tr:visible").count() == 3
    page.select_option("#pick-title", "")
    assert page.locator("#table-levels tbody tr:visible").count() == 9


def test_the_selection_works_by_keyboard_alone(address: str, visit: Callable[..., Any]) -> None:
    page = visit(address).page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.id") == "pick-title":
            break
    else:
        pytest.fail("the choice of title can't be reached by keyboard")
    page.keyboard.press("ArrowDown")
    assert page.locator("#table-levels tbody tr:visible").count() == 4
    page.keyboard.press("Tab")
    page.keyboard.press("Space")
    assert page.locator("#table-levels tbody tr:visible").count() == 3


def test_another_repeat_can_be_looked_at(address: str, visit: Callable[..., Any]) -> None:
    page = visit(address).page
    page.locator("#inside details.fold summary").first.click()
    figure = page.locator("figure[id^=frametimes]").first
    figure.scroll_into_view_if_needed()
    place = figure.locator("div.interactive")
    page.wait_for_function("place => place.dataset.drawn", arg=place.element_handle())
    before = place.inner_html()
    figure.locator("select").select_option("2")
    page.wait_for_function("([p, before]) => p.innerHTML !== before", arg=[place.element_handle(), before])


def test_without_scripts_the_page_shows_every_chart_all_the_same(
    address: str, visit: Callable[..., Any]
) -> None:
    page = visit(address, java_script_enabled=False).page
    assert page.locator(".picture svg").count() == 17
    assert page.locator(".picture svg:visible").count() == 8, "those of the titles are folded"
    page.locator("#inside details.fold > summary").first.click()
    assert page.locator(".picture svg:visible").count() == 11
    assert page.locator("#controls:visible").count() == 0


def test_print_shows_the_drawings_and_no_controls(address: str, visit: Callable[..., Any]) -> None:
    page = visit(address).page
    drawn(page)
    page.emulate_media(media="print")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert page.locator(".picture svg:visible").count() == 17
    assert page.locator("#controls:visible").count() == 0


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1400])
def test_the_page_breaks_no_accessibility_rule_and_fits_its_width(
    address: str,
    visit: Callable[..., Any],
    axe_violations: Callable[[Any], list[str]],
    width: int,
    scheme: str,
) -> None:
    page = visit(address, width, scheme).page
    drawn(page)
    assert axe_violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
