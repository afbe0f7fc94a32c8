"""Every number on the page that needs no inference, worked out again from raw files."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from tests.audit.conftest import EACH, MakeNight
from tests.audit.page import Cell, Page, read_page, step, value, values


def counted(folder: Path) -> pd.DataFrame:
    """The repeats that results rest on, from the table of attempts."""
    table = pd.read_parquet(folder / "dataset" / "attempts.parquet")
    return table[(table["verdict"] == "accepted") & ~table["sentinel"] & ~table["second_look"].fillna(False)]


def page_of(folder: Path) -> Page:
    return read_page(folder / "report" / "index.html")


def near(shown: str, expected: float) -> None:
    """The text shows the value, rounded to the digits that it has."""
    assert value(shown) == pytest.approx(expected, abs=0.5001 * step(shown)), shown


@pytest.mark.parametrize("kind", EACH)
def test_the_account_of_attempts_adds_up(night: MakeNight, kind: str):
    folder = night(kind).folder
    table = pd.read_parquet(folder / "dataset" / "attempts.parquet")
    accepted = table["verdict"] == "accepted"
    again = table["second_look"].fillna(False).astype(bool)
    parts = {
        "count": int((accepted & ~table["sentinel"] & ~again).sum()),
        "sentinel": int((accepted & table["sentinel"]).sum()),
        "re-measurement": int((accepted & again).sum()),
    }
    page = page_of(folder)
    sentence = re.search(r"\d+ attempts? (?:was|were) made: [^.]*\.", page.sections["attempts"])
    assert sentence is not None
    told = [int(n) for n in re.findall(r"\d+", sentence[0])]
    assert told[0] == len(table)
    assert sum(told[1:]) == len(table)
    for name, number in parts.items():
        shown = re.search(rf"(\d+) (?:is an? |are )?{name}", sentence[0])
        assert int(shown[1] if shown else 0) == number, sentence[0]
    methods = (folder / "report" / "methods.txt").read_text(encoding="utf-8")
    assert sentence[0][:-1] in methods


@pytest.mark.parametrize("kind", EACH)
def test_the_conditions_are_those_of_the_counted_repeats(night: MakeNight, kind: str):
    folder = night(kind).folder
    table = page_of(folder).tables["table-conditions"]
    mine = counted(folder)
    columns = {
        "start temperature": "start_temp_c",
        "ambient at start": "start_ambient_temp_c",
        "cooldown": "cooldown_s",
        "warm-up": "warm_up_s",
        "soak": "soak_s",
        "foreign processor load": "mean_foreign_cpu_load_pct",
    }
    for row in table.rows:
        repeats = mine[mine["profile"] == row[0].text]
        assert int(row[table.column("repeats")].text) == len(repeats)
        for heading, name in columns.items():
            cell = row[table.column(heading)]
            known = repeats[name].dropna()
            if known.empty:
                assert cell.text == "–"
                continue
            near(cell.text, known.mean())
            for shown, expected in zip(cell.range.split(" to "), (known.min(), known.max()), strict=True):
                near(shown, expected)


@pytest.mark.parametrize("kind", EACH)
def test_the_distribution_of_frames_is_that_of_the_counted_repeats(night: MakeNight, kind: str):
    folder = night(kind).folder
    page = page_of(folder)
    looked = 0
    for (title, setting), mine in counted(folder).groupby(["title", "setting"]):
        table = page.tables.get(f"data-distribution-{title}-{setting}")
        frames = {
            profile: np.concatenate([frames_of(folder, row) for row in rows.to_dict("records")] or [[]])
            for profile, rows in mine.groupby("profile")
        }
        if not sum(x.size for x in frames.values()):
            assert table is None
            continue
        total = sum(x.size for x in frames.values())
        assert f"{total:,} frames" in page.sections["inside"]
        if table is None:
            continue
        for profile, level, share in ((r[0].text, r[1].text, r[2].text) for r in table.rows):
            x = frames[profile]
            # the level is shown to a thousandth of a ms; the share must be that of a level that rounds so
            low, high = (100 * np.mean(x > value(level) + off) for off in (0.0005, -0.0005))
            assert low - 0.0006 <= value(share) <= high + 0.0006, (title, profile, level, share)
            looked += 1
    assert looked > 50 or kind == "title missing"


def frames_of(folder: Path, row: dict[str, Any]) -> np.ndarray:
    path = (
        folder
        / "attempts"
        / row["cell_id"]
        / f"{row['repeat_index']}.{row['attempt_index']}"
        / "frames.parquet"
    )
    return pd.read_parquet(path)["frametime_ms"].to_numpy(float) if path.exists() else np.empty(0)


@pytest.mark.parametrize("kind", EACH)
def test_the_drift_chart_shows_each_repeat_against_its_cells_published_mean(night: MakeNight, kind: str):
    folder = night(kind).folder
    page = page_of(folder)
    table = page.tables["data-drift"]
    attempts = pd.read_parquet(folder / "dataset" / "attempts.parquet")
    keys = [table.column(name) for name in ("title", "setting", "profile", "repeat")]
    shown = {tuple(row[i].text for i in keys): row for row in table.rows}
    means = counted(folder).groupby("cell_id")["average_fps"].agg(["mean", "size"])
    expected = 0
    for row in attempts[(attempts["verdict"] == "accepted")].to_dict("records"):
        if row["second_look"] is True or pd.isna(row["average_fps"]):
            continue
        mean = means.loc[row["cell_id"]]
        if mean["size"] < 2:
            continue
        name = ("sentinel " if row["sentinel"] else "") + f"{row['repeat_index']}.{row['attempt_index']}"
        cells = shown[row["title"], row["setting"], row["profile"], name]
        near(cells[table.column("deviation")].text, 100 * (row["average_fps"] / mean["mean"] - 1))
        near(cells[table.column("hours")].text, row["start_s"] / 3600)
        expected += 1
    assert expected == len(table.rows)


@pytest.mark.parametrize("kind", EACH)
def test_the_middle_repeat_and_the_choice_of_repeats_know_no_sentinels(night: MakeNight, kind: str):
    folder = night(kind).folder
    page = page_of(folder)
    mine = counted(folder)
    told = re.findall(r"Middle repeat of each profile \(([^)]*)\)", page.sections.get("inside", ""))
    names = {
        profile: {f"{r['repeat_index']}.{r['attempt_index']}" for r in rows.to_dict("records")}
        for profile, rows in mine.groupby("profile")
    }
    for sentence in told:
        for profile, name in re.findall(r"(\w+): ([\d.]+)", sentence):
            assert name in names[profile]
    most = int(mine["repeat_index"].max())
    html = (folder / "report" / "index.html").read_text(encoding="utf-8")
    for options in re.findall(r'<select id="repeat-[^"]*".*?</select>', html, re.DOTALL):
        assert max(int(n) for n in re.findall(r"<option>(\d+)</option>", options)) <= most


@pytest.mark.parametrize("kind", EACH)
def test_every_number_with_a_name_is_in_the_list_of_numbers_and_says_the_same(night: MakeNight, kind: str):
    folder = night(kind).folder
    numbers = json.loads((folder / "report" / "numbers.json").read_text(encoding="utf-8"))["numbers"]
    shown = page_of(folder).numbers()
    assert shown
    for name, cell in shown.items():
        entry = numbers[name]
        _says(name, cell, entry)


def _says(name: str, cell: Cell, entry: dict[str, Any]) -> None:
    family = name.split("/")[0]
    ends = [entry["value"], entry["low"], entry["high"]]
    if entry["unit"] == "" and family in ("change", "overall", "like-these"):
        ends = [None if end is None else 100 * (end - 1) for end in ends]
    if entry["unit"] == "" and family == "efficiency":
        ends = [100 * ends[0], None, None]
    if family == "like-these":
        shown = cell.text
    else:
        near(re.sub(r"^[a-z ]+", "", cell.text), ends[0])
        shown = cell.range
    if " to " in shown:
        low, high = values(shown)[:2]
        assert low == pytest.approx(ends[1], abs=0.5001 * step(shown)), name
        assert high == pytest.approx(ends[2], abs=0.5001 * step(shown)), name


@pytest.mark.parametrize("kind", EACH)
def test_the_first_screen_shows_the_numbers_of_the_list_and_what_they_are_changes_of(
    night: MakeNight, kind: str
):
    folder = night(kind).folder
    numbers = json.loads((folder / "report" / "numbers.json").read_text(encoding="utf-8"))["numbers"]
    page = page_of(folder)
    told = [cell for row in page.tables["table-glance"].rows for cell in row if cell.number]
    assert len(told) >= 3
    for cell in told:
        _says(cell.number, cell, numbers[cell.number])
    repeats = counted(folder)
    overall = pd.read_parquet(folder / "dataset" / "overall.parquet")
    for row in overall.to_dict("records"):
        if row["metric"] not in repeats:
            continue
        cells = repeats.dropna(subset=[row["metric"]])
        cells = cells[cells["title"].isin(row["titles"].split(", "))]
        means = cells.groupby(["profile", "title", "setting"])[row["metric"]].mean().unstack("profile")
        means = means[[row["reference"], row["profile"]]].dropna()
        if row["scale"] == "ratio":
            means = np.log(means)
        over = means.groupby("title").mean().mean()
        over = np.exp(over) if row["scale"] == "ratio" else over
        for end, side in (("before", row["reference"]), ("after", row["profile"])):
            name = f"level/{row['profile']}/{row['metric']}/{end}"
            assert numbers[name]["value"] == pytest.approx(over[side], rel=1e-9), name
            if name in page.levels:
                near(page.levels[name], over[side])


@pytest.mark.parametrize("kind", EACH)
def test_the_first_screen_says_what_went_wrong_under_each_profile(night: MakeNight, kind: str):
    folder = night(kind).folder
    attempts = pd.read_parquet(folder / "dataset" / "attempts.parquet")
    mine = counted(folder)
    table = page_of(folder).tables["table-glance"]
    for row in table.rows:
        profile, said = row[0].text, row[-1].text
        bad = attempts[attempts["profile"] == profile]["reason_code"].isin(
            ["title-crashed", "title-hung", "title-failed", "driver-reset", "driver-error", "rig-lost"]
        )
        crashed = re.search(r"crashed in (\d+) of", said)
        assert int(crashed[1] if crashed else 0) == int(bad.sum()), said
        have = re.search(r"incomplete: (\d+) of \d+ repeats? count", said)
        if have:
            assert int(have[1]) == len(mine[mine["profile"] == profile])
        marked = re.search(r"(\d+) repeats? marked", said)
        assert int(marked[1] if marked else 0) == int(
            mine[mine["profile"] == profile]["marks"].map(len).gt(0).sum()
        )


@pytest.mark.parametrize("kind", EACH)
def test_the_first_picture_draws_the_published_means(night: MakeNight, kind: str):
    folder = night(kind).folder
    html = (folder / "report" / "index.html").read_text(encoding="utf-8")
    drawn = re.search(r'<div class="wide">(.*?)</svg>', html, re.DOTALL)
    means = (
        counted(folder)
        .groupby(["title", "profile"])[["average_fps", "one_percent_low_fps", "mean_power_w"]]
        .mean()
    )
    looked = 0
    for title in re.split(r"<g data-title=", drawn[1])[1:]:
        name = title.split('"')[1]
        for part in re.split(r"<g data-profile=", title)[1:]:
            profile = part.split('"')[1]
            bars = dict(re.findall(r'data-column="(\w+)" data-value="([^"]+)"', part))
            if (name, profile) not in means.index:
                assert not bars
                assert "no repeat counts" in part
                continue
            if name == "comet" and kind == "complete":  # two settings, each a group of its own
                continue
            for column, value_drawn in bars.items():
                column = "mean_power_w" if column == "power_w" else column
                assert float(value_drawn) == pytest.approx(means.loc[(name, profile), column], rel=1e-5)
                looked += 1
    assert looked >= 4


@pytest.mark.parametrize("kind", EACH)
def test_every_number_of_the_tables_of_results_has_a_name(night: MakeNight, kind: str):
    tables = page_of(night(kind).folder).tables
    bare = {
        "table-overall": (),
        "table-comparison": ("further repeats",),
        "table-levels": ("repeats",),
        "table-wider": ("these titles", "degrees of freedom"),
        "table-efficiency": ("against the other",),
        "table-scatter": ("where more",),
        "table-instruments": (),
        "table-conditions": ("repeats", "what ended"),
    }
    for name, apart in bare.items():
        table = tables.get(name)
        for row in table.rows if table is not None else ():
            for heading, cell in zip(table.columns, row, strict=True):
                if re.match(r"^(?:[a-z ]+ )?[±+−]?\d", cell.text) and not heading.startswith(apart or ("-",)):
                    assert cell.number or heading in ("Title", "Profile", "Metric", "unit"), (name, heading)


@pytest.mark.parametrize("kind", EACH)
def test_no_number_on_the_page_is_a_negative_zero(night: MakeNight, kind: str):
    folder = night(kind).folder
    page = page_of(folder)
    for text in (page.text, night(kind).printed):
        assert re.findall(r"(?<![\w.-])[−-]0(?:\.0+)?(?![\d.:])", text) == []
