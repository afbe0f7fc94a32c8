"""Repeats from folders of any origin."""

from __future__ import annotations

import os
from datetime import UTC, datetime

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from harness.collect.repeats import collect_repeats
from harness.errors import FrameLogError, NothingToAnalyse
from harness.frames.mapping import ColumnMapping
from harness.frames.metrics import frame_metrics
from harness.tables import ATTEMPTS


def frames_file(path, seed=1, column="frametime_ms", scale=1.0):
    frametime_ms = np.random.default_rng(seed).lognormal(2, 0.1, 500)
    path.parent.mkdir(parents=True, exist_ok=True)
    pq.write_table(pa.table({column: frametime_ms * scale}), path)
    return frametime_ms


def campaign(folder, campaign_id="night", count=3):
    rows = [
        {
            **dict.fromkeys(("rig_id", "setting", "definition_hash"), "x"),
            "campaign_id": campaign_id,
            "cell_id": "harbour-lights.x.quiet",
            "title": "harbour-lights",
            "profile": "quiet",
            "repeat_index": i,
            "attempt_index": 1,
            "block": i,
            "position": i,
            "sentinel": False,
            "verdict": "accepted",
            "started_utc": datetime(2031, 5, 1, tzinfo=UTC),
            "average_fps": 100.0 + i,
        }
        for i in range(1, count + 1)
    ]
    (folder / "dataset").mkdir(parents=True)
    pq.write_table(pa.Table.from_pylist(rows, schema=ATTEMPTS), folder / "dataset" / "attempts.parquet")
    frames_file(
        folder / "attempts" / "a" / "1.1" / "frames.parquet"
    )  # belongs to the campaign, not read again
    return folder


def test_campaigns_at_any_depth_are_found_and_their_own_files_are_not_counted_twice(tmp_path):
    campaign(tmp_path / "2031" / "may", "may")
    campaign(tmp_path / "2032" / "june", "june", 2)
    (tmp_path / "2032" / "june" / "plan.toml").write_text("")
    found = collect_repeats([tmp_path])
    assert found.repeats.schema.equals(ATTEMPTS)
    assert found.repeats["campaign_id"].to_pylist() == ["may"] * 3 + ["june"] * 2
    assert found.left_out == {}
    assert found.plans == (tmp_path / "2032" / "june" / "plan.toml",)


def test_a_folder_that_was_copied_counts_once(tmp_path):
    campaign(tmp_path / "a")
    campaign(tmp_path / "b")
    found = collect_repeats([tmp_path / "a", tmp_path / "b"])
    assert found.repeats.num_rows == 3
    assert "3 attempts stood in more than one folder" in found.sources[-1]


def test_a_table_from_elsewhere_needs_title_profile_and_a_metric_only(tmp_path):
    table = pa.table(
        {"title": ["a", "a"], "profile": ["p", "p"], "average_fps": pa.array([60, 61], pa.float32())}
    )
    pq.write_table(table, tmp_path / "any.parquet")
    repeats = collect_repeats([tmp_path]).repeats
    assert repeats["cell_id"].to_pylist() == ["a.default.p"] * 2
    assert repeats["repeat_index"].to_pylist() == [1, 2]
    assert repeats["average_fps"].to_pylist() == [60, 61]
    assert repeats["mean_power_w"].to_pylist() == [None, None]


def test_files_of_frames_are_measured_and_named_by_their_folders(tmp_path):
    values = frames_file(tmp_path / "lab" / "title=dune" / "profile=quiet" / "repeat=7.parquet")
    frames_file(tmp_path / "lab" / "title=dune" / "profile=factory" / "first.parquet", 2)
    frames_file(tmp_path / "lab" / "title=dune" / "profile=factory" / "second.parquet", 3)
    repeats = collect_repeats([tmp_path / "lab"], low_definition="time-share").repeats
    rows = {(row["profile"], row["repeat_index"]): row for row in repeats.to_pylist()}
    assert set(rows) == {("quiet", 7), ("factory", 1), ("factory", 2)}
    expected = frame_metrics(values, low_definition="time-share")
    assert rows["quiet", 7]["one_percent_low_fps"] == expected["one_percent_low_fps"]
    assert rows["quiet", 7]["measured_s"] == pytest.approx(values.sum() / 1e3)


@pytest.mark.parametrize("ending", ["", ".parquet"])
def test_another_column_and_another_layout_of_folders_are_told_by_mapping_and_layout(ending, tmp_path):
    frames_file(tmp_path / "dune" / "4k-quiet" / "run2.parquet", column="dt", scale=1e-3)
    found = collect_repeats(
        [tmp_path],
        mapping=ColumnMapping(interval_column="dt", unit="s"),
        layout="{title}/{setting}-{profile}/run{repeat}" + ending,
    )
    row = found.repeats.to_pylist()[0]
    assert (row["cell_id"], row["repeat_index"]) == ("dune.4k.quiet", 2)


def test_what_can_not_be_used_is_listed_with_its_reason(tmp_path):
    campaign(tmp_path / "good")
    pq.write_table(pa.table({"x": [1]}), tmp_path / "stray.parquet")
    frames_file(tmp_path / "nameless.parquet")
    (tmp_path / "broken.parquet").write_bytes(b"PAR1 no more")
    reasons = {path.name: reason for path, reason in collect_repeats([tmp_path]).left_out.items()}
    assert "neither" in reasons["stray.parquet"]
    assert "title=harbour/profile=quiet" in reasons["nameless.parquet"]
    assert reasons["broken.parquet"]


def test_folders_without_anything_to_analyse_are_an_error(tmp_path):
    with pytest.raises(FrameLogError, match="nothing to analyse"):
        collect_repeats([tmp_path])
    with pytest.raises(FrameLogError, match="no such folder"):
        collect_repeats([tmp_path / "gone"])
    (tmp_path / "repeats.txt").touch()
    with pytest.raises(FrameLogError, match="a file, no table"):
        collect_repeats([tmp_path / "repeats.txt"])


@pytest.mark.parametrize("layout", ["{title}", "{title}/{profile}/{when}", "{title}/{title}/{profile}"])
def test_a_layout_that_can_not_name_a_repeat_is_refused(tmp_path, layout):
    with pytest.raises(FrameLogError, match="layout"):
        collect_repeats([tmp_path], layout=layout)


def foreign(path, fps, **columns):
    path.parent.mkdir(parents=True, exist_ok=True)
    count = len(fps)
    table = {"title": ["a"] * count, "profile": ["x", "y"] * (count // 2), "average_fps": fps, **columns}
    pq.write_table(pa.table(table), path)


def test_without_a_key_no_block_is_made_up_and_a_stated_column_is_one(tmp_path):
    foreign(tmp_path / "night.parquet", [100.0, 101.0, 102.0, 103.0], round=["r1", "r2", "r2", "r1"])
    assert collect_repeats([tmp_path]).repeats["block"].to_pylist() == [None] * 4
    assert collect_repeats([tmp_path], pair_by="round").repeats["block"].to_pylist() == [1, 2, 2, 1]
    with pytest.raises(NothingToAnalyse, match="no column 'slot' to pair by"):
        collect_repeats([tmp_path], pair_by="slot")


def test_two_nights_in_one_folder_stay_two_whatever_their_time_stamps(tmp_path):
    for name, fps in (("one", [100.0, 101.0]), ("two", [100.0, 104.0])):
        foreign(tmp_path / f"{name}.parquet", fps, block=[1, 1])
        os.utime(tmp_path / f"{name}.parquet", (1e9, 1e9))
    found = collect_repeats([tmp_path])
    assert found.repeats["average_fps"].to_pylist() == [100.0, 101.0, 100.0, 104.0]
    assert len(set(found.repeats["campaign_id"].to_pylist())) == 2


def test_a_table_that_was_copied_counts_once_and_parts_of_a_night_are_one(tmp_path):
    foreign(tmp_path / "one.parquet", [100.0, 101.0])
    foreign(tmp_path / "copy.parquet", [100.0, 101.0])
    found = collect_repeats([tmp_path])
    assert found.repeats.num_rows == 2
    assert "the same table as" in next(iter(found.left_out.values()))
    (tmp_path / "copy.parquet").unlink()
    pq.write_table(
        pa.table({"title": ["b"], "profile": ["x"], "average_fps": [90.0]}), tmp_path / "b.parquet"
    )
    assert set(collect_repeats([tmp_path]).repeats["campaign_id"].to_pylist()) == {tmp_path.name}


@pytest.mark.parametrize("journal", [None, b"", b"no journal" * 500])
@pytest.mark.parametrize("table", ["empty", "damaged"])
def test_where_neither_attempts_nor_journal_can_be_read_the_way_out_is_named(tmp_path, table, journal):
    folder = campaign(tmp_path / "night", count=0)
    if table == "damaged":
        (folder / "dataset" / "attempts.parquet").write_bytes(b"PAR1 and nothing else")
    if journal is not None:
        (folder / "journal.sqlite").write_bytes(journal)
    with pytest.raises(NothingToAnalyse, match=f"levelrig rebuild {folder}"):
        collect_repeats([folder])
