"""CSV that no spreadsheet takes for a formula. The dangerous signs: OWASP, "CSV Injection" (from memory)."""

from __future__ import annotations

import csv
import io

import pandas as pd
import pyarrow as pa
import pytest

from harness.csvtext import csv_text, plain_cell
from harness.store.dataset import write_csv

EVIL = ["=1+1", "+1+1", "-1+1", "@SUM(A1)", "\t=1", "\r=1", "=cmd|' /C calc'!A0", "-", "+", "-inf-", "\t-5"]


def written(text: str) -> str:
    return "'" + text.replace("\r", "\n")


@pytest.mark.parametrize("text", EVIL)
def test_text_that_could_be_a_formula_gets_an_apostrophe(text: str) -> None:
    assert plain_cell(text) == written(text)


@pytest.mark.parametrize("value", ["-5", "+3.5e-4", "quiet", "", " =1", "a=b", "'=1", -5, 2.5, None, True])
def test_numbers_and_harmless_text_stay_as_they_are(value: object) -> None:
    assert plain_cell(value) == value


def test_a_table_keeps_its_numbers_and_its_missing_cells() -> None:
    frame = pd.DataFrame({"title": [*EVIL, None], "=x": range(-6, 6), "change_pct": [-1.5] * 11 + [None]})
    rows = list(csv.reader(io.StringIO(csv_text(frame), newline="")))
    assert rows[0] == ["title", "'=x", "change_pct"]
    assert [row[0] for row in rows[1:]] == [written(text) for text in EVIL] + [""]
    assert [row[1] for row in rows[1:]] == [str(n) for n in range(-6, 6)]
    assert {row[2] for row in rows[1:-1]} == {"-1.5"}
    assert frame["title"][0] == "=1+1", "the table itself is unchanged"


def test_the_campaigns_own_tables_follow_the_rule() -> None:
    sink = io.BytesIO()
    write_csv(pa.table({"reason": EVIL, "marks": [[text] for text in EVIL], "t_s": [-1.0] * len(EVIL)}), sink)
    rows = list(csv.reader(io.StringIO(sink.getvalue().decode(), newline="")))
    assert all(row[0].startswith("'") and row[1].startswith("'") and row[2] == "-1" for row in rows[1:])
