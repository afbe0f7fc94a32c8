"""The live page tells the figures and the crashes that the report tells."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pandas as pd

from harness.watch.state import read_grid, read_live
from tests.audit.nights import adaptive, complete, crashing


def test_the_mean_of_a_cell_is_the_reports_and_knows_no_sentinels(tmp_path):
    folder = complete(tmp_path).folder
    published = pd.read_parquet(folder / "dataset" / "cells.parquet")
    means = published[published["metric"] == "average_fps"].set_index("cell_id")["mean"]
    shown = {
        cell["cell_id"]: cell["figures"][0]
        for row in read_grid(folder)["rows"]
        for cell in row["cells"].values()
    }
    assert shown == {cell: f"{mean:.1f} FPS" for cell, mean in means.items()}


def test_a_crash_is_told_before_it_sets_anything_aside(tmp_path):
    grid = read_grid(crashing(tmp_path).folder)
    assert grid["crashes"] == ["comet crashed once under profile brittle"]
    assert grid["set_aside"] == ["canyon crashed twice under profile brittle; set aside for this title"]


def test_an_adaptive_night_that_came_to_its_end_is_finished(tmp_path):
    grid = read_grid(adaptive(tmp_path).folder)
    assert grid["complete"]
    assert grid["accepted"] == grid["wanted"]


def test_the_end_is_one_instant_however_old_the_word_of_it_is(tmp_path):
    written = datetime(2031, 4, 5, 22, 0, tzinfo=UTC)
    told = {"written_utc": written.isoformat(), "ends_in_s": 600.0, "phase": "soak"}
    (tmp_path / "live.json").write_text(json.dumps(told), encoding="utf-8")
    for age_s in (0, 3, 9):
        live = read_live(tmp_path, written + timedelta(seconds=age_s))
        assert live is not None
        assert live["ends_utc"] == "2031-04-05T22:10:00+00:00"
        assert live["ends_in_s"] == 600.0 - age_s
