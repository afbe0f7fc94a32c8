"""Titles from spreadsheets, as spreadsheets write text; complaints have row and column."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.errors import PlanError
from harness.newplan.fields import canonical, title_keys
from harness.newplan.sheet import titles_from_sheet

ROWS = [
    ["Name", "Command", "Seconds", "Log", "Columns"],
    ["Harbour Lights", "./harbour --demo", "60", "frames.csv", "interval_column=dt; unit=ms"],
    ["iron-orchard", "./orchard", "7,5", "log/*.csv", "shown, at"],
]
WANTED = [
    {
        "name": "harbour-lights", "label": "Harbour Lights", "workload": "command",
        "command": ["./harbour", "--demo"], "measure_s": 60,
        "frame_log": {"path": "frames.csv", "interval_column": "dt", "unit": "ms"},
    },
    {
        "name": "iron-orchard", "workload": "command", "command": ["./orchard"], "measure_s": 7.5,
        "frame_log": {"path": "log/*.csv", "interval_column": "shown, at"},
    },
]  # fmt: skip


def written(rows, delimiter=",", quoting=csv.QUOTE_MINIMAL, ending="\r\n") -> str:
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=delimiter, quoting=quoting, lineterminator=ending).writerows(rows)
    return out.getvalue()


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("quoting", [csv.QUOTE_MINIMAL, csv.QUOTE_ALL])
@pytest.mark.parametrize("ending", ["\n", "\r\n"])
@pytest.mark.parametrize("before", ["", "\ufeff", "sep={}\r\n"])
def test_every_way_of_writing_gives_the_same_titles(machine, delimiter, quoting, ending, before):
    text = before.format(delimiter) + written(ROWS, delimiter, quoting, ending)
    assert titles_from_sheet(text, "titles.csv", machine()) == WANTED


def test_columns_stand_in_any_order_and_empty_rows_and_columns_say_nothing(machine):
    rows = [["", *reversed(row), "", ""] for row in ROWS]
    rows[1:1] = [[""] * 8]
    assert titles_from_sheet(written(rows), "titles.csv", machine()) == WANTED


def test_any_key_of_a_title_may_head_a_column(machine):
    rows = [
        ["name", "scene", "backend", "resolution", "load", "measure_s"],
        ["hills", "tarn-ridge", "gpu", "2560x1440", "20", "45"],
    ]
    (title,) = titles_from_sheet(written(rows), "titles.csv", machine())
    assert title == {
        "name": "hills", "workload": "scene", "scene": "tarn-ridge", "backend": "gpu",
        "resolution": "2560x1440", "load": 20, "measure_s": 45,
    }  # fmt: skip


def test_a_title_without_seconds_is_measured_to_its_end_and_nothing_is_cut_from_it(machine):
    rows = [["name", "command", "score"], ["freight", "./freight", "average: ([0-9.]+)"]]
    (title,) = titles_from_sheet(written(rows), "titles.csv", machine())
    assert title["score_line"] == "average: ([0-9.]+)"
    assert (title["warm_up"], title["soak"]) == ({"seconds": 0}, {})


def test_the_columns_of_a_sample_are_found(machine):
    logs = {"old.csv": {"interval_column": "dt", "unit": "us", "delimiter": "semicolon"}}
    rows = [["name", "command", "seconds", "log", "sample"], ["a", "./a", "9", "new-*.csv", "logs/old.csv"]]
    (title,) = titles_from_sheet(written(rows), "titles.csv", machine(logs=logs))
    assert title["frame_log"] == {"path": "new-*.csv", **logs["old.csv"]}


def test_commands_and_paths_of_windows_keep_their_backslashes(machine):
    rows = [
        ["name", "command", "seconds", "log", "columns", "folder"],
        ["a", r"C:\new\titles\run me.exe -x", "9", r"D:\logs\*.csv", "dt", r'"C:\new"'],
    ]
    here = machine(windows=True, programs=[r"C:\new\titles\run me.exe"])
    (title,) = titles_from_sheet(written(rows), "titles.csv", here)
    assert title["command"] == [r"C:\new\titles\run me.exe", "-x"]
    assert title["frame_log"]["path"] == r"D:\logs\*.csv"
    assert title["working_folder"] == r"C:\new"


HEAD = "name,command,seconds,log,columns\n"


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        (HEAD + "a,./a,abc,f.csv,dt\n", "row 2, column C (seconds)", "no number"),
        (HEAD + 'a,./a,"1,234",f.csv,dt\n', "row 2, column C (seconds)", "two numbers"),
        (HEAD + "\na,./a,-5,f.csv,dt\n", "row 3, column C (seconds)", "above 0"),
        (HEAD + "a,,5,f.csv,dt\n", "row 2", "no command"),
        (HEAD + "a,./a,5,,\n", "row 2", "neither frames nor a score"),
        (HEAD + ",./a,5,f.csv,dt\n", "row 2, column A (name)", "no name"),
        (HEAD + "a,./a,5,f.csv,unit=furlong\n", "row 2, column E (columns)", "furlong"),
        (HEAD + "a,./a,5,f.csv,dt,more\n", "row 2", "6 cells under 5 headings"),
        (HEAD + "a,./a,5,f.csv,dt\na,./b,5,f.csv,dt\n", "row 3, column A (name)", "a second title"),
        ("name,comand,seconds\na,./a,5\n", "row 1, column B", "did you mean 'command'"),
        ("name,seconds,measure_s\na,1,2\n", "row 1, column C", "second column"),
        ("command,seconds\n./a,5\n", "row 1", "headed 'name'"),
        (HEAD, "the file", "no title under them"),
        ("", "the file", "empty"),
        (HEAD + 'a,"./a,5,f.csv,dt\n', "the file", "quotes are broken"),
        ("name,command,seconds,score\na,./a,5,[\n", "row 2, column D (score)", "no regular expression"),
        ("name,command,sample\na,./a,none.csv\n", "row 2, column C (sample)", "no such file"),
        ("PK\x03\x04", "the file", "save it as CSV"),
    ],
)  # fmt: skip
def test_what_can_t_be_used_is_told_by_row_and_column(machine, text, place, words):
    with pytest.raises(PlanError) as refused:
        titles_from_sheet(text, "titles.csv", machine())
    assert any(p.where == place and words in f"{p.what}; {p.remedy}" for p in refused.value.problems), str(
        refused.value
    )


def test_the_example_of_the_page_is_read(machine):
    page = (Path(__file__).parents[2] / "plans" / "README.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"^```\n(name;.*?)^```$", page, re.MULTILINE | re.DOTALL)
    first, second = titles_from_sheet(example, "titles.csv", machine(windows=True))
    assert first["command"] == [r"C:\Games\Harbour Lights\harbour.exe", "--demo"]
    assert first["frame_log"] == {"path": "frames.csv", "interval_column": "dt", "unit": "ms"}
    assert second["frame_log"] == {"path": r"D:\logs\orchard-*.csv", "interval_column": "shown"}


def test_every_heading_that_the_page_names_is_known(machine):
    page = (Path(__file__).parents[2] / "plans" / "README.md").read_text(encoding="utf-8")
    section = page.split('<a id="spreadsheet"></a>')[1].split("## Rules")[0]
    rows = re.findall(r"^\| ((?:`\w+`(?:, )?)+) \|", section, re.MULTILINE)
    named = {word for row in rows for word in re.findall(r"`(\w+)`", row)}
    assert {"name", "command", "seconds", "log", "columns"} <= named
    assert {canonical(word) for word in named} <= set(title_keys(machine()))


def test_all_mistakes_are_told_at_once(machine):
    with pytest.raises(PlanError) as refused:
        titles_from_sheet(HEAD + "a,./a,x,f.csv,dt\nb,./b,y,f.csv,dt\n", "titles.csv", machine())
    assert [p.where[:5] for p in refused.value.problems] == ["row 2", "row 3"]


@settings(max_examples=40)
@given(
    rows=st.lists(st.lists(st.text(max_size=8), max_size=5), max_size=4), delimiter=st.sampled_from(",;\t")
)
def test_any_sheet_is_read_or_refused_with_words(rows, delimiter, host):
    from harness.newplan.machine import Machine

    def no_log(path):
        raise AssertionError(path)

    def no(*_):
        return False

    here = Machine(host.kinds, (), {}, None, False, False, "/", no, no, no_log, lambda _: [])
    text = written([["name", "command", "seconds", "score"], *rows], delimiter)
    try:
        assert titles_from_sheet(text, "titles.csv", here)
    except PlanError as error:
        told = error.problems
        assert all(problem.where and problem.what and problem.remedy for problem in told)
