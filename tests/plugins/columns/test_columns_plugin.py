"""The reader as the engine meets it: through the plugin host and a plan's ``frame_log`` table."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
import pyarrow.parquet as pq
import pytest

from harness import tables
from harness.errors import FrameLogError
from harness.frames.mapping import ColumnMapping
from harness.frames.metrics import frame_metrics
from harness.plan.schema import FrameLogSpec
from harness.plugins import PluginHost
from harness.rig import FrameLogSource
from harness_plugins import columns


@pytest.fixture
def host():
    return PluginHost({"columns": columns})


def read(host, path, **mapping):
    spec = FrameLogSpec.model_validate({"path": path.name, **mapping})
    return host.manager.hook.read_frame_log(source=FrameLogSource(path, spec))


def test_a_csv_of_a_million_rows_in_another_layout_is_read_by_mapping_alone(host, tmp_path):
    random = np.random.default_rng(7)
    frametime_ns = random.integers(4_000_000, 12_000_000, 1_000_000)
    shown_ns = 987_654_321_000_000_000 + np.cumsum(frametime_ns)
    path = tmp_path / "night.txt"
    table = pa.table(
        {
            "surface": pa.array(["left"] * 1_000_000),
            "flip": shown_ns,
            "late": np.zeros(1_000_000, np.int8),
            "remark": pa.array(["-"] * 1_000_000),
        }
    )
    pacsv.write_csv(table, path, pacsv.WriteOptions(delimiter=";", quoting_style="none"))
    log = read(host, path, presentation_time_column="flip", unit="ns", delimiter=";", keep_columns=["late"])
    assert log.frames.schema.names == ["t_s", "frametime_ms", "late"]
    assert log.rows_read == 1_000_000
    assert log.left_out == {"first row: no frame before it": 1}
    assert np.array_equal(log.frames["frametime_ms"].to_numpy(), frametime_ns[1:] / 1e6)
    result = frame_metrics(log.frames["frametime_ms"].to_numpy())
    assert result["average_fps"] == pytest.approx(1e9 * 999_999 / int(frametime_ns[1:].sum()), rel=1e-12)


def test_the_same_frames_are_read_from_every_format(host, tmp_path):
    frametime_ms = np.round(np.random.default_rng(3).uniform(4, 30, 5000), 4)
    table = pa.table({"span": frametime_ms})
    pacsv.write_csv(table, tmp_path / "log.csv")
    pq.write_table(table, tmp_path / "log.parquet")
    (tmp_path / "log.jsonl").write_text("".join(f'{{"span":{x}}}\n' for x in frametime_ms.tolist()))
    logs = [
        read(host, tmp_path / f"log.{end}", interval_column="span") for end in ("csv", "parquet", "jsonl")
    ]
    for log in logs:
        assert log.frames.schema.equals(tables.FRAMES)
        assert np.array_equal(log.frames["frametime_ms"].to_numpy(), frametime_ms)
        assert log.frames["t_s"][-1].as_py() == pytest.approx(frametime_ms.sum() / 1e3, rel=1e-12)


def test_a_mapping_that_is_wrong_is_refused_with_its_key(host, tmp_path):
    with pytest.raises(FrameLogError, match=r"unit: Input should be 's', 'ms'.*fix the plan"):
        read(host, tmp_path / "x.csv", interval_column="dt", unit="fortnight")


def test_a_log_that_is_missing_says_so(host, tmp_path):
    with pytest.raises(FrameLogError, match=r"none\.csv: can't be opened .*whether the title wrote a log"):
        read(host, tmp_path / "none.csv", interval_column="dt")


def test_another_reader_is_left_to_others(host, tmp_path):
    spec = FrameLogSpec(path="x", reader="other")
    assert host.manager.hook.read_frame_log(source=FrameLogSource(tmp_path / "x", spec)) is None


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({}, "map one of interval_column"),
        ({"presentation_time_column": "a", "start_time_column": "b"}, "not both"),
        ({"interval_column": "a", "unit": "ticks"}, "needs ticks_per_s"),
        ({"interval_column": "a", "decimal": ","}, "set the file's delimiter"),
        ({"interval_column": "a", "delimiter": "ab"}, "one character"),
        ({"interval_column": "a", "clock": "rig"}, "needs a time column"),
        ({"interval_column": "a", "filter_column": "b"}, "go together"),
        ({"interval_column": "a", "encoding": "martian"}, "no encoding 'martian'"),
    ],
)
def test_a_mapping_that_contradicts_itself_is_refused(options, words):
    with pytest.raises(ValueError, match=words):
        ColumnMapping.model_validate(options)


def test_every_option_is_described():
    assert all(field.description for field in ColumnMapping.model_fields.values())
