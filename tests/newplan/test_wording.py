"""What people write: numbers, spans, names, command lines of both systems."""

from __future__ import annotations

import re
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.newplan.wording import hours, is_plan_name, literally, number, plan_name, split_command, unquoted
from harness.patterns import Pattern


@pytest.mark.parametrize(
    ("text", "value"),
    [("60", 60), ("7.5", 7.5), ("7,5", 7.5), ("1 200", 1200), ("1.234,5", 1234.5), ("1,234.5", 1234.5),
     ("0,125", 0.125), ("-120", -120), ("1\u00a0200,5", 1200.5), (".5", 0.5)],
)  # fmt: skip
def test_numbers_as_spreadsheets_and_people_write_them(text, value):
    assert number(text) == value


@pytest.mark.parametrize("text", ["", "many", "1,234", "1,2,3", "1.2.3", "inf", "nan", "0x10", "1e3", "٣"])
def test_what_is_no_number_or_could_be_two_is_refused(text):
    with pytest.raises(ValueError, match="write"):
        number(text)


@pytest.mark.parametrize(
    ("text", "value"),
    [("8", 8), ("7:30", 7.5), ("7,5", 7.5), ("45 min", 0.75), ("7 h 30 min", 7.5), ("2h", 2), ("90m", 1.5)],
)
def test_spans_of_time(text, value):
    assert hours(text) == value


@pytest.mark.parametrize("text", ["", "0", "-1", "0:00", "tonight", "1001", "8:75", "h"])
def test_what_is_no_span_of_time_is_refused(text):
    with pytest.raises(ValueError, match="write hours"):
        hours(text)


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Harbour Lights", "harbour-lights"),
        ("Größe: Süd", "grosse-sud"),
        ("漢字", "title"),
        ("O'Brien's", "obriens"),
    ],
)
def test_names_are_made_of_what_people_call_a_title(text, name):
    assert plan_name(text) == name


@given(st.text(max_size=80), st.lists(st.text(max_size=4)))
def test_any_text_makes_a_name_that_a_plan_takes_and_that_is_free(text, taken):
    name = plan_name(text, {plan_name(text), *taken})
    assert is_plan_name(name)
    assert name != plan_name(text)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("./harbour --demo", ["./harbour", "--demo"]),
        ("'./my harbour' \"a b\" c\\ d", ["./my harbour", "a b", "c d"]),
        ("/games/Harbour Lights/harbour --demo", ["/games/Harbour Lights/harbour", "--demo"]),
    ],
)
def test_command_lines_of_a_shell(line, words):
    known = "/games/Harbour Lights/harbour"
    assert split_command(line, windows=False, is_program=lambda text: text == known) == words


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (r'"C:\Games\Harbour Lights\harbour.exe" --demo', [r"C:\Games\Harbour Lights\harbour.exe", "--demo"]),
        (r"C:\Games\Harbour Lights\harbour.exe --demo", [r"C:\Games\Harbour Lights\harbour.exe", "--demo"]),
        (r"C:\new\titles\run.exe -x", [r"C:\new\titles\run.exe", "-x"]),
        (r"C:\No Such\a b.exe -x y.exe", [r"C:\No Such\a b.exe", "-x", "y.exe"]),
        (r"run -x y.exe", ["run", "-x", "y.exe"]),
        (r'run.exe "D:\logs\" ""', ["run.exe", "D:\\logs\\", ""]),
        (r'run.exe "say \"now\"!"', ["run.exe", 'say "now"!']),
    ],
)
def test_command_lines_of_windows(line, words):
    known = r"C:\Games\Harbour Lights\harbour.exe"
    assert split_command(line, windows=True, is_program=lambda text: text == known) == words


@pytest.mark.parametrize("line", ["", "  ", '"open', "'open"])
def test_a_line_that_is_no_command_is_refused(line):
    with pytest.raises(ValueError, match="; "):
        split_command(line, windows=False)


WORDS = st.lists(
    st.text(st.characters(exclude_categories=["Cs", "Cc"], exclude_characters='"\\'), min_size=1), min_size=1
)


@given(WORDS)
def test_words_that_the_standard_library_quotes_for_windows_come_back(words):
    """``subprocess.list2cmdline`` writes by the rules of the C runtime of Windows."""
    line = subprocess.list2cmdline(words)
    plain = [word for word in words if not re.search(r"\s", word) or " " in word]
    if plain == words and not any(re.search(r"[^\S ]", word) for word in words):
        assert split_command(line, windows=True) == words


@given(st.text(st.characters(exclude_categories=["Cs", "Cc", "Zl", "Zp"]), min_size=1, max_size=30))
def test_a_text_is_found_as_it_stands(text):
    assert Pattern(literally(text)).search(f"before {text} after")


def test_quotes_that_a_file_manager_puts_around_a_path_are_taken_off():
    assert unquoted('"C:\\a b"') == "C:\\a b"
    assert unquoted("'x") == "'x"
    assert sys.executable == unquoted(f" {sys.executable} ")
