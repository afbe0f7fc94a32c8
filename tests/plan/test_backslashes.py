"""Paths of Windows in a plan: written so that they read back, and told where a backslash was misread.

What a string means is the TOML standard's (toml.io, v1.0.0); the standard library's ``tomllib`` is the judge.
"""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import PlanError
from harness.plan.documents import parse_toml
from harness.plan.load import parse_plan
from harness.plan.toml_text import toml_string, toml_value
from harness.plugins import PluginHost

HOST = PluginHost()
PLAN = """
[plan]
question = "Is it as fast?"
repeats = 2
reference = "factory"
[[profiles]]
name = "factory"
[[titles]]
name = "harbour-lights"
workload = "command"
measure_s = 7
"""
#: Text of a file: any sign but halves of one, which no TOML file can hold.
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=60)
PATHS = st.builds(
    lambda start, parts, sign: start + sign.join(parts),
    st.sampled_from(["", "C:\\", "..\\", "\\\\server\\share\\", "/", "./", "~/"]),
    st.lists(TEXTS, max_size=5),
    st.sampled_from(["\\", "/"]),
)


@given(PATHS | TEXTS)
def test_any_path_reads_back_as_it_was(path):
    assert tomllib.loads(f"path = {toml_string(path)}") == {"path": path}


VALUES = st.recursive(
    st.booleans()
    | st.integers(-(2**63), 2**63 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | TEXTS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXTS, inner, max_size=4),
    max_leaves=8,
)


@given(VALUES)
def test_any_value_reads_back_equal(value):
    assert tomllib.loads(f"value = {toml_value(value)}") == {"value": value}


def test_a_path_with_backslashes_stands_in_single_quotes():
    assert toml_string(r"C:\Games\Harbour Lights\harbour.exe") == r"'C:\Games\Harbour Lights\harbour.exe'"


def test_a_name_that_is_no_text_is_refused():
    with pytest.raises(ValueError, match="no Unicode text"):
        toml_string("frames-\udce9.csv")


@pytest.mark.parametrize(
    "line",
    [
        r'command = ["C:\Users\me\harbour.exe"]',
        r'command = ["C:\games\harbour.exe"]',
        r'command = ["harbour", "D:\demo"]',
        r'working_folder = "D:\"',
        r'working_folder = "C:\Games\"',
        r'frame_log = { path = "D:\logs\*.csv", interval_column = "dt" }',
    ],
)
def test_an_escape_that_is_none_is_told_as_a_path(line):
    with pytest.raises(PlanError) as refused:
        parse_toml(f"{PLAN}{line}\n", "plan.toml")
    assert "line 12" in str(refused.value)
    assert "single quotes" in str(refused.value)


def test_the_last_line_of_a_file_is_looked_at_too():
    with pytest.raises(PlanError, match="single quotes"):
        parse_toml('path = "D:\\"', "plan.toml")


@pytest.mark.parametrize(
    "line", ['path = "D:\\\\logs" x', "path = 'D:\\logs' x", 'path = "a" b # "C:\\games', "path ="]
)
def test_another_mistake_in_a_line_with_a_path_is_told_as_itself(line):
    with pytest.raises(PlanError) as refused:
        parse_toml(line, "plan.toml")
    assert "single quotes" not in str(refused.value)


@pytest.mark.parametrize(
    ("lines", "place"),
    [
        (r'command = ["C:\titles\run.exe"]', "command[0]"),
        (r'command = [".\new\run.exe"]', "command[0]"),
        (r'command = ["harbour", "C:\tours\coast.txt"]'.replace(r"\c", r"\\c"), "command[1]"),
        ('command = ["harbour"]\nworking_folder = "C:\\titles"', "working_folder"),
        (
            'command = ["harbour"]\nframe_log = { path = "D:\\new.csv", interval_column = "dt" }',
            "frame_log.path",
        ),
        ('command = ["harbour"]\nenvironment = { LOG = "D:\\flog.csv" }', "environment.LOG"),
    ],
)
def test_an_escape_that_swallowed_the_beginning_of_a_name_is_told(lines, place):
    """``\\t`` in ``"C:\\titles"`` is a tab by the standard: no syntax error, and no such folder at night."""
    with pytest.raises(PlanError) as refused:
        parse_plan(PLAN + lines, "plan.toml", HOST.kinds)
    assert place in str(refused.value)
    assert "single quotes" in str(refused.value)


def test_a_program_text_of_several_lines_is_no_path():
    lines = 'command = ["python", "-c", "import time\\nprint(1)\\n"]\narguments = ["a\\tb"]'
    assert parse_plan(PLAN + lines, "plan.toml", HOST.kinds).titles
