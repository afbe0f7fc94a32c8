"""An attempt's row as a record and as a mapping."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from harness.attempt_row import NAMES, AttemptRow
from harness.tables import attempt_columns

COLUMNS = {
    "cell_id": "quay.default.quiet", "title": "quay", "setting": "default", "profile": "quiet",
    "repeat_index": 2, "attempt_index": 1, "block": 2, "position": 5, "sentinel": False, "second_look": None,
    "definition_hash": "abc", "verdict": "accepted", "marks": None,
    "started_utc": datetime(2031, 1, 2, tzinfo=UTC), "average_fps": 61, "mean_power_w": None,
}  # fmt: skip


def test_its_attributes_are_columns_of_the_table():
    assert set(NAMES) <= {column.name for column in attempt_columns()}


def test_a_row_of_an_earlier_version_has_false_and_no_marks_where_it_left_them_empty():
    row = AttemptRow.of(COLUMNS)
    assert (row.second_look, row.marks, row.reason_code) == (False, (), None)
    assert row.counts
    assert not AttemptRow.of(COLUMNS | {"sentinel": True}).counts


def test_a_missing_figure_is_none_and_never_zero():
    row = AttemptRow.of(COLUMNS)
    assert row.number("average_fps") == 61.0
    assert row.number("mean_power_w") is None
    assert row.number("no_such_metric") is None


def test_it_reads_like_the_row_that_it_came_from():
    row = AttemptRow.of(COLUMNS)
    assert {name: row[name] for name in COLUMNS} == COLUMNS | {"second_look": False, "marks": ()}
    assert dict(row).keys() >= COLUMNS.keys()
    assert len(dict(row)) == len(row)
    with pytest.raises(KeyError):
        row["no_such_metric"]
