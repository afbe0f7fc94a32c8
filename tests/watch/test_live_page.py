"""The live page in Chromium."""

import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.watch.access import Access

sync_api = pytest.importorskip("playwright.sync_api", reason="the playwright package is not installed")


def shows(page: Any, place: str, text: str) -> None:
    """Wait until a place of the page holds a text."""
    sync_api.expect(page.locator(place)).to_contain_text(text, timeout=20_000)


def test_the_page_shows_the_night_and_follows_it(
    night: Any, serve: Callable[..., Any], visit: Callable[..., Any]
) -> None:
    visited = visit(serve(night.folder).address)
    page = visited.page
    shows(page, "#counts", "1 of 8")
    assert "in 90 min" in page.inner_text("#headline")
    assert "Cooldown for 42 s" in page.inner_text("#phase")
    assert "about 2 min left" in page.inner_text("#phase")
    assert "51 °C" in page.inner_text("#readings")
    assert page.locator(".mark.accepted").count() == 1 + 1, "one in the key, one in the grid"
    night.accept_next()
    night.tell()
    shows(page, "#counts", "2 of 8")
    assert "118.2 FPS" in page.inner_text("#grid")
    assert visited.errors == []
    assert visited.abroad() == []


PLAN = """
[plan]
question = "How fast does it run now?"
repeats = 1
reference = "factory"
[conditions]
cooldown = { seconds = 0.2 }
warm_up = { seconds = 0.2 }
[[profiles]]
name = "factory"
[[titles]]
name = "slow-tide"
workload = "scene"
scene = "slow-tide"
resolution = "64x32"
frame_cap_fps = 50
threads = 1
measure_s = 30
"""


def test_the_page_shows_the_frame_rate_of_the_title_that_runs(
    tmp_path: Path, serve: Callable[..., Any], visit: Callable[..., Any]
) -> None:
    plan, folder = tmp_path / "plan.toml", tmp_path / "night"
    plan.write_text(PLAN, encoding="utf-8")
    command = [sys.executable, "-m", "harness.cli", "run", str(plan), "--into", str(folder), "--json"]
    run = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    try:
        until = time.monotonic() + 20
        while not (folder / "live.json").exists() and time.monotonic() < until:
            time.sleep(0.1)
        page = visit(serve(folder).address).page
        shows(page, "#readings", "frame rate")
        page.wait_for_function(
            "/frame rate\\s+(49|50)\\.\\d FPS/.test(document.getElementById('readings').innerText)"
        )
        assert "Measure" in page.inner_text("#phase")
        page.click("button[data-request=stop]")
        page.click("#yes")
        assert run.wait(timeout=30) == 130, "stopped safely: interrupted and resumable"
    finally:
        run.kill()
        run.wait()


def test_markup_in_plan_strings_and_logs_appears_as_text(
    night: Any, serve: Callable[..., Any], visit: Callable[..., Any]
) -> None:
    visited = visit(serve(night.folder).address)
    page = visited.page
    page.wait_for_selector("#grid tbody tr")
    assert "Harbour <img src=x onerror=alert(1)> Lights" in page.inner_text("#grid")
    assert "Factory <script>document.title='taken'</script>" in page.inner_text("#grid thead")
    assert "<b>quiet</b>" in page.inner_text("#name")
    assert "<b>odd</b>" in page.inner_text("#log")
    assert "file=<i>x</i>" in page.inner_text("#log")
    assert page.locator("#grid img, #grid script, #log b, #log i").count() == 0
    assert page.title() != "taken"
    assert visited.errors == []


def test_the_page_survives_a_reload_and_a_restart_of_the_server(
    night: Any, serve: Callable[..., Any], visit: Callable[..., Any]
) -> None:
    server = serve(night.folder)
    page = visit(server.address).page
    shows(page, "#link", "connected")
    page.reload()
    shows(page, "#counts", "1 of 8")
    server.stop()
    shows(page, "#link", "connection lost")
    night.accept_next()
    night.tell()
    server.start()
    shows(page, "#counts", "2 of 8")
    assert page.inner_text("#link") == "connected"


def test_the_actions_work_by_keyboard_alone_and_ask_first(
    night: Any, serve: Callable[..., Any], visit: Callable[..., Any]
) -> None:
    page = visit(serve(night.folder).address).page
    page.wait_for_selector("button[data-request=stop]:enabled")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the campaign"
    while page.evaluate("document.activeElement.dataset.request") != "stop":
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement !== document.body"), "the button can't be reached"
    page.keyboard.press("Enter")
    assert page.evaluate("document.getElementById('sure').open")
    page.keyboard.press("Escape")
    assert not (night.folder / "control.json").exists()
    page.keyboard.press("Enter")
    page.keyboard.press("Enter")
    shows(page, "#said", "Stopping…")
    assert (night.folder / "control.json").exists()


def test_a_visitor_without_the_token_sees_nothing_and_one_with_it_everything(
    night: Any, serve: Callable[..., Any], visit: Callable[..., Any]
) -> None:
    server = serve(night.folder, Access("sesame"))
    refused = visit(server.address).page
    assert "needs its token" in refused.inner_text("body")
    page = visit(f"{server.address}?token=sesame").page
    shows(page, "#counts", "1 of 8")
    assert "sesame" not in page.url


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1400])
def test_the_page_breaks_no_accessibility_rule_and_fits_its_width(
    night: Any,
    serve: Callable[..., Any],
    visit: Callable[..., Any],
    axe_violations: Callable[[Any], list[str]],
    width: int,
    scheme: str,
) -> None:
    page = visit(serve(night.folder).address, width, scheme).page
    page.wait_for_selector("#grid tbody tr")
    page.wait_for_selector("#readings dd")
    assert axe_violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
