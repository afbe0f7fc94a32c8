"""Titles from a spreadsheet that was saved as text: one row a title, one column a key.

Separators, decimal commas, quotes, byte-order marks and a ``sep=`` line are taken as spreadsheets write them.
What a row may say stands in :mod:`harness.newplan.fields`; a complaint names row and column, as the
spreadsheet counts them.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from typing import Any, Final

from harness.errors import PlanError, Problem
from harness.newplan.fields import FieldError, Written, canonical, title_keys, title_table
from harness.newplan.machine import Machine
from harness.plan.complaints import nearest
from harness.plan.load import parse_plan
from harness.plan.toml_text import toml_key, toml_value

MOST_ROWS: Final = 1000
_SEPARATORS: Final = (";", "\t", ",", "|")
_SEP_LINE = re.compile(r"sep=(.)\r?\n", re.IGNORECASE)
_PLACE = re.compile(r"titles\[(\d+)\]\.?(.*?)(?: \(line \d+\))?")
_HEAD = '[plan]\nquestion = "?"\nrepeats = 2\nreference = "factory"\n[[profiles]]\nname = "factory"\n'


def titles_from_sheet(text: str, source: str, machine: Machine) -> list[dict[str, Any]]:
    """The ``[[titles]]`` tables that a spreadsheet's rows make.

    Args:
        text: The file's text.
        source: What to call it in messages.
        machine: Knows the keys, and looks at samples of logs.
    Raises:
        PlanError: With every row and column that can't be used.
    """
    header_row, header, rows, separator = _read(text, source, machine)
    problems: list[Problem] = []
    keys = [canonical(name) for name in header]
    known = title_keys(machine)
    for column, (name, key) in enumerate(zip(header, keys, strict=True), start=1):
        where = f"row {header_row}, column {_letters(column)}"
        if not key and any(len(row) >= column and row[column - 1].strip() for _, row in rows):
            problems.append(Problem(where, "a column with values has no heading", f"call it {_headings()}"))
        elif key and key not in known:
            problems.append(Problem(where, f"no key of a title is called {name!r}", nearest(key, known)))
        elif key and key in keys[: column - 1]:
            problems.append(Problem(where, f"a second column means {key!r}", "leave one of them out"))
    if "name" not in keys and not problems:
        problems.append(
            Problem(f"row {header_row}", "no column is headed 'name'", f"head them {_headings()}")
        )
    if problems:
        raise PlanError(source, problems)
    tables: list[dict[str, Any]] = []
    places: list[int] = []
    for number, row in rows:
        if len(row) > len(header) and any(cell.strip() for cell in row[len(header) :]):
            what = f"it has {len(row)} cells under {len(header)} headings"
            remedy = f"put quotes around a cell that holds {separator!r}"
            problems.append(Problem(f"row {number}", what, remedy))
            continue
        words = [
            Written(name, cell, f"row {number}, column {_letters(at)} ({name.strip()})")
            for at, (name, key, cell) in enumerate(zip(header, keys, row, strict=False), start=1)
            if key
        ]
        try:
            table = title_table(words, machine, comma_is_decimal=True if separator == ";" else None)
        except FieldError as error:
            where = error.where if error.where.startswith("row") else f"row {number}"
            problems.append(Problem(where, error.what, error.remedy))
            continue
        tables.append(table)
        places.append(number)
    if not problems and not tables:
        problems.append(
            Problem("the file", "it has headings and no title under them", "write one title a row")
        )
    problems += _refused(tables, places, header, machine)
    if problems:
        raise PlanError(source, problems)
    return tables


def _headings() -> str:
    return "name, command, seconds, log, columns, or any key of a title in plans/README.md"


def _read(
    text: str, source: str, machine: Machine
) -> tuple[int, list[str], list[tuple[int, list[str]]], str]:
    """Number of the heading's row, headings, further rows with their numbers, separator. Raises PlanError."""
    body, first = text.removeprefix("\ufeff"), 1
    said = _SEP_LINE.match(body)
    if said:
        body, first = body[said.end() :], 2
    if body.startswith("PK\x03\x04"):
        raise PlanError(source, [Problem("the file", "it is a workbook, not text", "save it as CSV")])
    known = set(title_keys(machine))
    separator = said[1] if said else _separator(body, known)
    try:
        found = list(csv.reader(io.StringIO(body, newline=""), delimiter=separator, strict=True))
    except csv.Error as error:
        remedy = "close the quotes, or save it from the spreadsheet once more as CSV"
        raise PlanError(source, [Problem("the file", f"its quotes are broken ({error})", remedy)]) from error
    filled = [(n, row) for n, row in enumerate(found, start=first) if any(cell.strip() for cell in row)]
    if not filled:
        raise PlanError(source, [Problem("the file", "it is empty", f"head its columns {_headings()}")])
    if len(filled) > MOST_ROWS:
        what = f"it has {len(filled)} rows, more than the {MOST_ROWS} of a plan"
        raise PlanError(source, [Problem("the file", what, "make several plans")])
    (number, header), *rows = filled
    while (
        header
        and not header[-1].strip()
        and all(len(row) < len(header) or not row[len(header) - 1].strip() for _, row in rows)
    ):
        header = header[:-1]
    return number, header, rows, separator


def _separator(body: str, known: set[str]) -> str:
    """The one that makes the most known headings of the first line that holds anything."""
    line = next((line for line in body.splitlines() if line.strip()), "")

    def headings(separator: str) -> int:
        cells = next(csv.reader([line], delimiter=separator), [])
        return sum(canonical(cell) in known for cell in cells)

    return max(_SEPARATORS, key=lambda sign: (headings(sign), line.count(sign)))


def _letters(column: int) -> str:
    """A column as a spreadsheet calls it: 1 is A, 27 is AA."""
    text = ""
    while column:
        column, rest = divmod(column - 1, 26)
        text = chr(ord("A") + rest) + text
    return text


def _refused(
    tables: Sequence[dict[str, Any]], rows: Sequence[int], header: Sequence[str], machine: Machine
) -> list[Problem]:
    """What the plan's own rules say of the titles, by row and column."""
    if not tables:
        return []
    text = _HEAD + "".join(
        "[[titles]]\n" + "".join(f"{toml_key(key)} = {toml_value(value)}\n" for key, value in table.items())
        for table in tables
    )
    try:
        parse_plan(text, "titles", machine.kinds)
    except PlanError as error:
        return [_placed(problem, rows, header) for problem in error.problems]
    return []


def _placed(problem: Problem, rows: Sequence[int], header: Sequence[str]) -> Problem:
    place = _PLACE.fullmatch(problem.where)
    if place is None or int(place[1]) >= len(rows):
        return problem
    keys = [canonical(name) for name in header]
    key = re.split(r"[.\[]", place[2].removeprefix("frame_log."))[0]
    where, what = f"row {rows[int(place[1])]}", problem.what
    if key in keys:
        column = keys.index(key)
        where += f", column {_letters(column + 1)} ({header[column].strip()})"
    elif place[2]:
        what = f"{place[2]}: {what}"
    return Problem(where, what, problem.remedy)
