"""Every measured column of every attempt, worked out again from its frames and its telemetry."""

from __future__ import annotations

import ast
import json
import math
import sqlite3
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from tests.audit.arithmetic import frame_figures, telemetry_figures
from tests.audit.conftest import EACH, MakeNight


def test_nothing_here_imports_the_program():
    for path in Path(__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not [name for name in names if name.split(".")[0].startswith("harness")], path.name


def folder_of(row: dict[str, Any]) -> str:
    kind = "sentinel-" if row["sentinel"] else "second-look-" if row["second_look"] else ""
    return f"{row['cell_id']}/{kind}{row['repeat_index']}.{row['attempt_index']}"


@pytest.mark.parametrize("kind", EACH)
def test_each_figure_of_each_attempt_follows_from_its_raw_files(night: MakeNight, kind: str):
    folder = night(kind).folder
    plan = tomllib.loads((folder / "plan.toml").read_text(encoding="utf-8"))
    head, stutter = plan["plan"], plan.get("smoothness", {}).get("stutter_against_neighbours", 2.0)
    compared = 0
    for row in pd.read_parquet(folder / "dataset" / "attempts.parquet").to_dict("records"):
        place = folder / "attempts" / folder_of(row)
        if row["verdict"] != "accepted":
            continue
        expected: dict[str, Any] = {}
        fps, frames = None, None
        if (place / "frames.parquet").exists():
            x = pd.read_parquet(place / "frames.parquet")["frametime_ms"].to_numpy(float)
            definition = head.get("one_percent_low", "percentile")
            expected |= frame_figures(x, definition, stutter, None)
            fps, frames = expected["average_fps"], expected["frame_count"]
        samples = pd.read_parquet(place / "telemetry.parquet")
        expected |= telemetry_figures(samples, row["measured_s"], frames, fps)
        for name, value in expected.items():
            published = row[name]
            if value is None or (isinstance(value, float) and math.isnan(value)):
                assert pd.isna(published), f"{place}: {name} is {published}, expected nothing"
            else:
                assert published == pytest.approx(value, rel=1e-9, abs=1e-9), f"{place}: {name}"
            compared += 1
    assert compared > 200


@pytest.mark.parametrize("kind", EACH)
def test_the_tables_hold_what_the_journal_holds_and_what_counts(night: MakeNight, kind: str):
    folder = night(kind).folder
    attempts = pd.read_parquet(folder / "dataset" / "attempts.parquet").to_dict("records")
    repeats = pd.read_parquet(folder / "dataset" / "repeats.parquet").to_dict("records")
    with sqlite3.connect(f"file:{folder / 'journal.sqlite'}?mode=ro", uri=True) as journal:
        kept = {
            (cell, repeat, bool(sentinel), bool(again), attempt): (verdict, code, json.loads(fields or "{}"))
            for cell, repeat, sentinel, again, attempt, verdict, code, fields in journal.execute(
                "SELECT cell_id, repeat_index, sentinel, second_look, attempt_index, verdict, reason_code,"
                " fields FROM attempts"
            )
        }
    assert len(attempts) == len(kept)
    for row in attempts:
        key = tuple(row[n] for n in ("cell_id", "repeat_index", "sentinel", "second_look", "attempt_index"))
        verdict, code, fields = kept[key]
        assert (row["verdict"], None if pd.isna(row["reason_code"]) else row["reason_code"]) == (
            verdict,
            code,
        )
        for name, value in fields.items():
            if isinstance(value, float):
                assert row[name] == pytest.approx(value, rel=1e-12), name
    accepted = [row for row in attempts if row["verdict"] == "accepted"]
    assert [folder_of(row) for row in repeats] == [folder_of(row) for row in accepted]


@pytest.mark.parametrize("kind", EACH)
def test_each_csv_says_what_its_parquet_says(night: MakeNight, kind: str):
    dataset = night(kind).folder / "dataset"
    for path in sorted(dataset.glob("*.parquet")):
        whole = pd.read_parquet(path)
        text = pd.read_csv(path.with_suffix(".csv"))
        assert list(text.columns) == list(whole.columns)
        assert len(text) == len(whole), path.name
        for name in whole.columns:
            if pd.api.types.is_float_dtype(whole[name]):
                np.testing.assert_allclose(
                    pd.to_numeric(text[name]).to_numpy(float), whole[name].to_numpy(float), rtol=1e-12
                )
