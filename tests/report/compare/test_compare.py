"""Several campaigns side by side."""

import re
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


def two_plans(
    tmp_path: Path,
    campaign_maker: Callable[..., Path],
    made_campaign_type: Callable[..., Any],
    old: str,
    new: str,
) -> str:
    """Two nights of one card, the second by a plan in which ``old`` reads ``new``; what the page says."""
    from harness.plan.cells import expand
    from harness.plan.schema import Plan

    folders = []
    for seed, key in enumerate(("spring", "autumn")):
        titles = {"copper-rain": TITLES["copper-rain"]}
        made = made_campaign_type(
            tmp_path / key,
            titles=titles,
            repeats=2,
            measure_s=1.0,
            campaign_id=key,
            seed=seed,
            rejected=False,
        )
        folder = campaign_maker(made)
        text = (folder / "plan.toml").read_text(encoding="utf-8")
        text = text.replace('workload = "made-up"', 'workload = "made-up"\nscene = "rain"')
        (folder / "plan.toml").write_text(text, encoding="utf-8")
        cells = expand(Plan.kept(text))
        if key == "autumn":
            assert old in text
            text = text.replace(old, new)
            (folder / "plan.toml").write_text(text, encoding="utf-8")
        changed = dict(zip((c.cell_id for c in cells), expand(Plan.kept(text)), strict=True))
        for name in ("attempts", "repeats"):
            table = pd.read_parquet(folder / "dataset" / f"{name}.parquet")
            mine = table["cell_id"].map(changed)
            table["title"] = [cell.title.name for cell in mine]
            table["setting"] = [cell.setting.name for cell in mine]
            table["profile"] = [cell.profile.name for cell in mine]
            table["cell_id"] = [cell.cell_id for cell in mine]
            table["definition_hash"] = [cell.definition_hash for cell in mine]
            table.to_parquet(folder / "dataset" / f"{name}.parquet")
        folders.append(folder)
    return write_report(folders, into=tmp_path / "out").page.read_text(encoding="utf-8")


def test_what_makes_cells_other_measurements_is_named(
    tmp_path: Path, campaign_maker: Callable[..., Path], made_campaign_type: Callable[..., Any]
) -> None:
    html = two_plans(
        tmp_path, campaign_maker, made_campaign_type, "power_limit_w = 220", "power_limit_w = 200"
    )
    assert (
        "Not defined the same in spring and autumn, so part of the difference: power_limit_w: 220 against "
        "200 (in Copper Rain under Capped at 220 W)." in html
    )


def test_a_rule_that_differs_in_every_cell_is_named_once(
    tmp_path: Path, campaign_maker: Callable[..., Path], made_campaign_type: Callable[..., Any]
) -> None:
    html = two_plans(
        tmp_path, campaign_maker, made_campaign_type, "until_at_most_c = 45", "until_at_most_c = 50"
    )
    assert html.count("Not defined the same") == 1
    assert "cooldown.until_at_most_c: 45 against 50 (everywhere)" in html


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (
            'name = "copper-rain"\nlabel = "Copper Rain"',
            'name = "rain"\nlabel = "Rain"',
            "Rain there is Copper Rain",
        ),
        (
            'name = "capped"\nlabel = "Capped at 220 W"',
            'name = "low"\nlabel = "Low"',
            "Low there is Capped at 220 W",
        ),
        ('label = "Copper Rain"', 'label = "Copper Rain, renamed"', ""),
    ],
)
def test_cells_that_differ_only_in_names_are_compared(
    tmp_path: Path,
    campaign_maker: Callable[..., Path],
    made_campaign_type: Callable[..., Any],
    old: str,
    new: str,
    told: str,
) -> None:
    html = two_plans(tmp_path, campaign_maker, made_campaign_type, old, new)
    assert told in html
    assert "Not defined the same" not in html
    assert "shares no measured title" not in html
    table = re.search(r'id="table-same-profile".*?</table>', html, re.DOTALL)[0]
    assert len(re.findall(r'<tr data-profile="capped"', table)) > 0


def test_the_comparison_is_written_where_it_is_wanted(compared: Path, tmp_path: Path) -> None:
    from harness.cli import main

    folders = [str(compared.parent.parent / name) for name in ("one", "two")]
    assert main(["report", *folders, "--into", str(tmp_path / "here" / "side-by-side")]) == 0
    assert (tmp_path / "here" / "side-by-side" / "index.html").is_file()
    assert main(["report", folders[0], "--into", str(tmp_path / "there")]) == 2


def test_titles_of_which_nothing_but_the_name_is_stated_are_not_taken_for_each_other() -> None:
    from harness.plan.schema import Plan
    from harness.report.compare.definitions import aliases

    head = '[plan]\nquestion = "?"\nrepeats = 1\nreference = "a"\n[[profiles]]\nname = "a"\n'
    text = head + '[[titles]]\nname = "{}"\n{}'
    bare, other = (
        Plan.kept(text.format(name, 'workload = "w"\nmeasure_s = 5')) for name in ("harbour", "canyon")
    )
    assert aliases(bare, other).places == {}
    stated = [
        Plan.kept(text.format(name, 'workload = "w"\nmeasure_s = 5\nscene = "x"'))
        for name in ("harbour", "canyon")
    ]
    assert dict(aliases(*stated).places) == {("canyon", "default"): ("harbour", "default")}
