"""The answer so far: that of the report's analysis, worked out while nothing is measured."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pandas as pd
import pytest

from harness.analysis.analyse import analyse
from harness.analysis.settings import AnalysisSettings
from harness.plan.schema import Plan
from harness.store.campaign import CampaignStore
from harness.watch import so_far
from harness.watch.state import Watcher
from tests.watch.conftest import PLAN

SCROLLING = """() => [...document.querySelectorAll('body *')].filter((e) => {
  return e.clientHeight && /auto|scroll/.test(getComputedStyle(e).overflowY) && e.tagName !== 'DIALOG';
}).map((e) => e.id || e.tagName)"""


def measured(night: Any, upto: int) -> None:
    """Quiet is 4 % slower and draws a quarter less; each repeat a little off."""
    while night.accepted < upto:
        cell = night.store.remaining_slots()[0].cell_id
        quiet, off = cell.endswith(".quiet"), 1 + 0.001 * (night.accepted % 3)
        night.accept_next(
            average_fps=100.0 * off * (0.96 if quiet else 1.0),
            one_percent_low_fps=70.0 * off,
            mean_power_w=(225.0 if quiet else 300.0) * off,
        )


def test_it_is_what_the_report_would_say(night: Any) -> None:
    measured(night, 8)
    with CampaignStore.read(night.folder) as store:
        attempts = store.attempts()
    found = so_far.so_far(attempts, Plan.kept(PLAN))
    assert found is not None
    repeats = pd.DataFrame([dict(row) | {"campaign_id": "x"} for row in attempts])
    overall = analyse(repeats, AnalysisSettings.from_plan(Plan.kept(PLAN))).overall
    row = overall[overall["metric"] == "average_fps"].iloc[0]
    mine = found["profiles"][0]
    assert (mine["profile"], mine["titles"]) == ("quiet", 2)
    assert mine["figures"][0]["label"] == "average FPS"
    last = mine["course"][-1]
    assert last["low"] == pytest.approx(100 * (row["low"] - 1), rel=1e-9)
    assert last["high"] == pytest.approx(100 * (row["high"] - 1), rel=1e-9)
    labels = [figure["label"] for figure in mine["figures"]]
    assert labels == ["average FPS", "1 % low", "mean power"]


def test_there_is_none_before_two_profiles_were_measured(night: Any) -> None:
    with CampaignStore.read(night.folder) as store:
        assert so_far.so_far(store.attempts(), Plan.kept(PLAN)) is None


@pytest.mark.parametrize(
    ("phase", "expected"),
    [
        ("measure", False),
        ("soak", False),
        ("launch", False),
        ("cooldown", True),
        ("idle", True),
        (None, True),
    ],
)
def test_its_libraries_are_not_loaded_while_a_title_runs(
    monkeypatch: pytest.MonkeyPatch, phase: str, expected: bool
) -> None:
    monkeypatch.delitem(so_far.sys.modules, "harness.analysis.comparisons", raising=False)
    assert so_far.may_load(phase) is expected


def test_it_is_worked_out_again_when_a_repeat_was_added(night: Any) -> None:
    watcher = Watcher(night.folder)
    measured(night, 4)
    first = watcher.grid(0.0, None)["so_far"]
    assert watcher.grid(100.0, None)["so_far"] is first, "nothing was added"
    measured(night, 8)
    second = watcher.grid(200.0, None)["so_far"]
    assert len(second["profiles"][0]["course"]) == 1
    assert math.isfinite(second["profiles"][0]["course"][0]["low"])


def test_a_phone_shows_answer_and_cells_without_a_box_that_scrolls(
    night: Any,
    serve: Callable[..., Any],
    visit: Callable[..., Any],
    axe_violations: Callable[[Any], list[str]],
) -> None:
    measured(night, 7)
    night.tell()
    visited = visit(serve(night.folder).address, 390)
    page = visited.page
    page.wait_for_selector("#far article", timeout=20_000)
    told = page.inner_text("#far")
    assert "quiet against Factory" in told
    assert "average FPS" in told
    assert "Verdicts are given when the night is over" in told
    for width in (390, 1024, 1400):
        page.set_viewport_size({"width": width, "height": 844})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert page.evaluate(SCROLLING) == []
    assert axe_violations(page) == []
    assert visited.errors == []
