"""The tables of results, worked out again from the counted repeats and the plan."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from tests.audit.conftest import EACH, MakeNight
from tests.audit.inference import MADE_OF, Campaign
from tests.audit.nights import CANYON, HARBOUR, QUIET, levelrig, plan_text, rehearsed
from tests.audit.test_page import counted
from tests.audit.test_raw_files import folder_of

ADAPTIVE_SHARE = 0.6  # of the error rate over titles, where repeats were added (calibration study)


def campaign_of(folder: Path) -> Campaign:
    plan = tomllib.loads((folder / "plan.toml").read_text(encoding="utf-8"))
    accepted = pd.read_parquet(folder / "dataset" / "repeats.parquet")
    planned = accepted[~accepted["second_look"].fillna(False).astype(bool)]
    last = [folder / "attempts" / folder_of(row) for row in planned.tail(3).to_dict("records")]
    samples = [pd.read_parquet(place / "telemetry.parquet") for place in last]
    return Campaign(plan, counted(folder), samples)


def rows_of(folder: Path, table: str) -> list[dict[str, Any]]:
    return pd.read_parquet(folder / "dataset" / f"{table}.parquet").to_dict("records")


def same(found: float, expected: float, what: str) -> None:
    if math.isnan(expected):
        assert pd.isna(found), what
    else:
        assert found == pytest.approx(expected, rel=1e-8, abs=1e-10), what


@pytest.mark.parametrize("kind", EACH)
def test_each_cells_mean_and_interval(night: MakeNight, kind: str):
    folder = night(kind).folder
    mine = campaign_of(folder)
    scales = {r["metric"]: r["scale"] for r in rows_of(folder, "comparisons")}
    rows = rows_of(folder, "cells")
    assert rows
    for row in rows:
        key = (row["title"], row["setting"], row["profile"])
        mean, low, high, n = mine.level(key, row["metric"], scales.get(row["metric"], "ratio"))
        what = f"{row['cell_id']} {row['metric']}"
        same(row["mean"], mean, what)
        same(row["low"], low, what)
        same(row["high"], high, what)
        assert row["n"] == n


@pytest.mark.parametrize("kind", EACH)
def test_each_change_its_interval_and_its_verdict(night: MakeNight, kind: str):
    folder = night(kind).folder
    mine = campaign_of(folder)
    rows = rows_of(folder, "comparisons")
    assert rows
    for row in rows:
        place = (row["title"], row["setting"], row["profile"])
        found = mine.change(*place, row["metric"], row["scale"])
        assert found is not None
        what = f"{place} {row['metric']}"
        back = math.exp if row["scale"] == "ratio" else float
        same(row["estimate"], back(found.value), what)
        same(row["df"], found.df, what)
        assert row["claimed"] == mine.claimed(row["metric"], row["title"]), what
        low, high = (back(end) for end in found.ends(mine.error(row["metric"], row["title"])))
        if kind == "adaptive" and row["claimed"]:  # looked at after every block: wider, by its own levels
            assert row["low"] <= low
            assert row["high"] >= high
        else:
            same(row["low"], low, what)
            same(row["high"], high, what)
        _decided(row)


@pytest.mark.parametrize("kind", EACH)
def test_each_figure_over_titles_its_interval_and_its_verdict(night: MakeNight, kind: str):
    folder = night(kind).folder
    mine = campaign_of(folder)
    for row in rows_of(folder, "overall"):
        found, titles, between = mine.over_titles(row["profile"], row["metric"], row["scale"])
        what = f"{row['profile']} {row['metric']}"
        back = math.exp if row["scale"] == "ratio" else float
        assert row["n_titles"] == titles, what
        same(row["estimate"], back(found.value), what)
        same(row["df"], found.df, what)
        alone = titles == 1 and row["claimed"]
        if alone:
            (change,) = (
                r
                for r in rows_of(folder, "comparisons")
                if (r["profile"], r["metric"], r["title"]) == (row["profile"], row["metric"], row["titles"])
            )
            assert (row["low"], row["high"]) == (change["low"], change["high"])
            continue
        error = mine.error(row["metric"], None)
        if kind == "adaptive" and row["claimed"]:
            error *= ADAPTIVE_SHARE
        ends = found.ends(error)
        same(row["low"], back(ends[0]), what)
        same(row["high"], back(ends[1]), what)
        if titles > 1:
            same(row["sd_between_titles"], between, what)
            half = (ends[1] - ends[0]) / 2
            wide = _t_half(between, titles, error)
            same(row["like_these_high"], back(found.value + max(half, wide)), what)
        _decided(row)


def _t_half(sd: float, n: int, error: float) -> float:
    from scipy import stats

    return float(stats.t.ppf(1 - error / 2, n - 1) * sd / math.sqrt(n))


def _decided(row: dict[str, Any]) -> None:
    """The verdict is what the interval beside it says."""
    if not row["claimed"]:
        assert row["decision"] == "descriptive"
        return
    neutral = 1.0 if row["scale"] == "ratio" else 0.0
    expected = "undecided"
    if row["margin_low"] < row["low"] and row["high"] < row["margin_high"]:
        expected = "same"
    elif row["low"] > neutral or row["high"] < neutral:
        expected = "decided"
    found = row["decision"] if row["decision"] in ("same", "undecided", "withheld") else "decided"
    assert found == expected or (found == "withheld" and expected != "undecided"), row["sentence"]


@pytest.mark.parametrize("kind", EACH)
def test_the_profiles_side_by_side_rest_on_common_titles(night: MakeNight, kind: str):
    folder = night(kind).folder
    mine = campaign_of(folder)
    rows = rows_of(folder, "efficiency")
    profiles = [row["profile"] for row in rows]
    axes = [rows[0][name] for name in ("speed_metric", "power_metric", "temperature_metric")]
    axes = [*(axis for axis in axes if axis is not None), "mean_sound_level_dba"]
    common = [
        key
        for key in dict.fromkeys(k[:2] for k in mine.cells)
        if all(len(mine.values((*key, p), axis, "difference")) for p in profiles for axis in axes)
    ]
    titles = {title for title, _ in common}
    for row in rows:
        watts = [
            np.mean(
                [mine.values((t, s, row["profile"]), row["power_metric"], "ratio").mean() for t, s in own]
            )
            for own in ([key for key in common if key[0] == title] for title in sorted(titles))
        ]
        same(row["mean_power_w"], float(np.mean(watts)), row["profile"])
        if row["profile"] == mine.reference:
            assert row["speed_ratio"] == row["power_ratio"] == 1
            continue
        for name, metric, scale in (
            ("speed_ratio", row["speed_metric"], "ratio"),
            ("power_ratio", row["power_metric"], "ratio"),
            ("temperature_difference_k", row["temperature_metric"], "difference"),
            ("sound_difference_db", "mean_sound_level_dba", "difference"),
        ):
            found, _, _ = mine.over_titles(row["profile"], metric, scale, sorted(titles))
            same(row[name], math.exp(found.value) if scale == "ratio" else found.value, name)


def test_each_uncertainty_by_instruments(night: MakeNight):
    folder = night("complete").folder
    mine = campaign_of(folder)
    stated = mine.plan["instruments"]
    rows = rows_of(folder, "instruments")
    assert rows
    for row in rows:
        key = (row["title"], row["setting"], row["profile"])
        quantities, reading = MADE_OF[row["metric"]]
        x = mine.cells[key][row["metric"]]
        same(row["value"], x.mean(), row["metric"])
        same(row["u_scatter"], x.sem(), row["metric"])
        if not set(quantities) <= set(stated):
            assert pd.isna(row["u_instrument"])
            continue
        read = mine.cells[key][reading].mean()
        square = 0.0
        for name, value in zip(quantities, (read, read - x.mean()), strict=False):
            one = stated[name]
            square += (value * one.get("accuracy_pct", 0) / 100) ** 2 / 3
            square += one.get("accuracy", 0) ** 2 / 3 + one.get("resolution", 0) ** 2 / 12
        relative = (
            x.mean() / read if row["metric"] in ("mean_power_w", "energy_per_frame_j", "fps_per_w") else 1
        )
        same(row["u_instrument"], math.sqrt(square) * relative, row["metric"])


@pytest.mark.parametrize("kind", EACH)
def test_the_scatter_between_repeats(night: MakeNight, kind: str):
    folder = night(kind).folder
    mine = campaign_of(folder)
    for row in rows_of(folder, "variance"):
        logs = [
            np.log(mine.values(key, row["metric"], "ratio").to_numpy())
            for key in mine.cells
            if key[:2] == (row["title"], row["setting"])
        ]
        logs = [one for one in logs if len(one)]
        df = sum(len(one) - 1 for one in logs)
        pooled = sum(((one - one.mean()) ** 2).sum() for one in logs) / df
        within = 0.0 if pd.isna(row["within_repeat_pct"]) else row["within_repeat_pct"]
        same(math.hypot(within, row["between_repeats_pct"]), 100 * math.sqrt(pooled), row["metric"])
        assert row["n_repeats"] == sum(len(one) for one in logs)


def test_two_nights_are_paired_each_in_itself(tmp_path: Path, night: MakeNight):
    """Pairs of campaign and block: blocks of one number in two nights are no partners."""
    plan = plan_text([QUIET], [HARBOUR, CANYON], head="repeats = 2\n")
    folders = [rehearsed(tmp_path / f"night-{seed}", plan, seed=seed).folder for seed in (11, 12)]
    levelrig("analyse", *folders, "--into", tmp_path / "both")
    mine = [campaign_of(folder) for folder in folders]
    rows = pd.read_parquet(tmp_path / "both" / "comparisons.parquet").to_dict("records")
    assert rows
    for row in rows:
        if row["scale"] != "ratio":
            continue
        pairs: list[float] = []
        for one in mine:
            ours, theirs = (
                one.values((row["title"], row["setting"], profile), row["metric"], "ratio")
                for profile in (row["profile"], row["reference"])
            )
            pairs += (np.log(ours) - np.log(theirs)).tolist()
        assert row["n_pairs"] == len(pairs) == 4
        same(row["estimate"], math.exp(np.mean(pairs)), row["metric"])
        same(row["sd"], float(np.std(pairs, ddof=1)), row["metric"])
