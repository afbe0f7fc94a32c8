"""How a text log is laid out: delimiter, decimal sign, headings, what stands above the table. Pure.

Headings decide nothing here either: a table is what has rows of equal width whose fields are numbers in the
same columns again and again; the line of headings is the last one above it that is as wide.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections import Counter
from dataclasses import dataclass
from typing import Any

from harness.frames.mapping import SPACES
from harness.numerals import counted

DELIMITERS = {
    ",": "comma",
    ";": "semicolon",
    "\t": "tab",
    "|": "bar",
    " ": "space",
    SPACES: "blanks that align",
}
_AS_KEY = {"\t": "tab", " ": "space"}  # signs that can't be seen are named
_MARKS = ("#", "//", "%", "!")
_NUMBER = re.compile(r"[+-]?(([0-9]+(\.[0-9]*)?|\.[0-9]+)(e[+-]?[0-9]+)?|inf|infinity|nan)\Z", re.IGNORECASE)
_TWO_NUMBERS = re.compile(r"[0-9]\s*[\t;|]\s*[0-9]")  # what another delimiter would part
_JUDGED_LINES = 2000
_HEAD_LINES = 30
_STAMP = re.compile(
    r"([0-9]{4}-[0-9]{2}-[0-9]{2}[Tt ])?[0-9]{1,2}:[0-9]{2}:[0-9]{2}([.,][0-9]+)?"
    r"\s*([Zz]|[+-][0-9]{2}:?([0-9]{2})?|[AaPp]\.?[Mm]\.?)?\Z"
)
_GROUPS = re.compile(r"[+-]?[0-9]{1,3}([,.' ][0-9]{3})+([.,][0-9]*)?\Z")
_WORD = re.compile(r"(?!(nan|inf|null|none|na|n/a)\b)[^\W\d]|[%#\[(]", re.IGNORECASE)
_FITS = 0.6  # share of its columns of numbers that must be numbers for a line to be one of the table


@dataclass(frozen=True)
class TextTable:
    """A text log taken apart.

    Attributes:
        names: Headings; empty where there are none.
        rows: Fields of the rows of the table, each as long as ``names``.
        decimal: Its decimal sign.
        options: Mapping keys that make the reader see the same table.
        said: What was found, a sentence each.
        other_lines: Lines below the headings that are no rows of the table, blank ones and comments aside.
    """

    names: list[str]
    rows: list[list[str]]
    decimal: str
    options: dict[str, Any]
    said: list[str]
    other_lines: int


def number_in(text: str, decimal: str = ".") -> float:
    """The number that a field holds, NaN where it holds none. ASCII digits only."""
    text = text.strip()
    if decimal == ",":
        if "." in text:
            return math.nan
        text = text.replace(",", ".")
    return float(text) if _NUMBER.match(text) else math.nan


def is_value(text: str, decimal: str) -> bool:
    """Whether a field holds a number, with signs between its thousands or without, or a time of day."""
    text = text.strip()
    if _NUMBER.match(text.replace(decimal, ".") if decimal == "," and "." not in text else text):
        return True
    return bool(_STAMP.match(text) or _GROUPS.match(text))


def thousands_sign(fields: list[list[str]], decimal: str, delimiter: str) -> str | None:
    """The sign between thousands in columns of numbers; None where there is none."""
    for sign in (",", ".", "'", " "):
        if sign in (decimal, delimiter):
            continue
        groups = re.compile(
            rf"[+-]?[0-9]{{1,3}}({re.escape(sign)}[0-9]{{3}})+({re.escape(decimal)}[0-9]*)?\Z"
        )
        for column in fields:
            found = [bool(groups.match(word.strip())) for word in column]
            if sum(found) and all(
                hit or not word.strip() or not math.isnan(number_in(word, decimal))
                for hit, word in zip(found, column, strict=True)
            ):
                return sign
    return None


def take_apart(lines: list[str]) -> TextTable | None:
    """The table in these lines; None where no delimiter gives rows of numbers."""
    best = max(
        (_score(lines, delimiter, decimal), -rank, decimal == ".", delimiter, decimal)
        for rank, delimiter in enumerate(DELIMITERS)
        for decimal in (".", ",")
        if delimiter != decimal
    )
    if best[0] <= 0:
        return None
    delimiter, decimal = best[3], best[4]
    fields = [split(line, delimiter) for line in lines]
    width = _usual_width(fields)
    if delimiter == "," and width == 2 and _are_fractions(fields):
        delimiter, decimal, width = ";", ",", 1  # one column with a decimal comma; it has no delimiter
        fields = [split(line, delimiter) for line in lines]
    fits = _rows_of_the_table(fields, width, decimal)
    start = _last_headings(fields, fits, width)
    body = next((i for i, fit in enumerate(fits) if i >= start and fit and _goes_on(fits, fields, i)), None)
    if body is None:
        return None
    open_end = delimiter != SPACES and not any(
        row[-1].strip() for row, fit in zip(fields, fits, strict=True) if fit
    )
    options: dict[str, Any] = {} if delimiter == "," else {"delimiter": _AS_KEY.get(delimiter, delimiter)}
    if decimal != ".":
        options["decimal"] = decimal
    said = [f"delimiter {DELIMITERS[delimiter]}, decimal sign {decimal!r}, {width} columns"]
    names = _headings(lines, fields, body, width, open_end, options, said)
    mark = options.get("comment")
    rows = [row for row, fit in zip(fields[body:], fits[body:], strict=True) if fit]
    sign = thousands_sign(
        [list(column) for column in zip(*rows[:_JUDGED_LINES], strict=True)], decimal, delimiter
    )
    if sign is not None:
        options["thousands"] = sign
        said.append(f"{sign!r} stands between thousands")
    others = sum(
        not fit and bool(line.strip()) and not (mark and line.startswith(mark))
        for line, fit in zip(lines[body:], fits[body:], strict=True)
    )
    return TextTable(names, rows, decimal, options, said, others)


def split(line: str, delimiter: str) -> list[str]:
    """Fields of a line; none where it can't be split."""
    if delimiter == SPACES:
        return line.split()
    try:
        return next(csv.reader(io.StringIO(line), delimiter=delimiter), [])
    except csv.Error:
        return []


def _are_fractions(fields: list[list[str]]) -> bool:
    """Whether rows of two whole numbers are one number with a decimal comma: 16,0671."""
    pairs = [row for row in fields if len(row) == 2 and row[0].strip().isdecimal()]
    parts = [part.strip() for _, part in pairs]
    if len(parts) < 3 or not all(part.isascii() and part.isdecimal() for part in parts):
        return False
    if max(map(len, parts)) == 1:
        return len(set(parts)) >= 8  # last digits, of which all occur; flags and levels are few
    return sum(len(part) > 1 and part.startswith("0") for part in parts) >= 0.02 * len(parts)


def _score(lines: list[str], delimiter: str, decimal: str) -> float:
    """How well rows of equal width and many numbers come out: share of such rows, by numbers in a row."""
    rows = [split(line, delimiter) for line in lines[-_JUDGED_LINES:] if line.strip()]
    width = _usual_width(rows)
    usual = [row for row in rows if len(row) == width]
    numbers = sum(is_value(f, decimal) for row in usual for f in row)
    numbers -= 2 * sum(bool(_TWO_NUMBERS.search(f)) for row in usual for f in row)
    return numbers / max(1, len(rows)) * len(usual) / max(1, len(rows))


def _usual_width(rows: list[list[str]]) -> int:
    widths = Counter(len(row) for row in rows[-_JUDGED_LINES:] if row)
    return widths.most_common(1)[0][0] if widths else 0


def _rows_of_the_table(fields: list[list[str]], width: int, decimal: str) -> list[bool]:
    """Which lines are as wide as the table and hold numbers where its lines usually do."""
    wide = [row for row in fields[-_JUDGED_LINES:] if len(row) == width]
    usual = [
        place
        for place in range(width)
        if sum(is_value(row[place], decimal) for row in wide) >= 0.5 * len(wide)
    ]

    def fits(row: list[str]) -> bool:
        if len(row) != width:
            return False
        found = sum(is_value(row[place], decimal) for place in usual)
        return found > 0 and found >= _FITS * len(usual) - 1e-9

    return [fits(row) for row in fields]


def _last_headings(fields: list[list[str]], fits: list[bool], width: int) -> int:
    """The line after the last line of words among the first ones; lines of numbers above are remarks."""
    start = 0
    seen: list[list[str]] = []
    for i, row in enumerate(fields[:_HEAD_LINES]):
        words = [field.strip() for field in row]
        if len(row) != width or words in seen or not all(_WORD.match(word) for word in words if word):
            continue
        if any(words) and not any(_NUMBER.match(word) for word in words) and sum(fits[:i]) < sum(fits[i:]):
            seen.append(words)
            start = i + 1
    return start


def _goes_on(fits: list[bool], fields: list[list[str]], at: int) -> bool:
    """Whether the table goes on from here: headings and remarks that look like a row stand alone."""
    following = [
        fit for fit, row in zip(fits[at + 1 : at + 12], fields[at + 1 : at + 12], strict=True) if row
    ]
    return not following or sum(following) >= 0.7 * len(following)


def _headings(
    lines: list[str],
    fields: list[list[str]],
    body: int,
    width: int,
    open_end: bool,
    options: dict[str, Any],
    said: list[str],
) -> list[str]:
    """The headings; sets header, skip_rows and comment."""
    above = [i for i in range(body) if lines[i].strip()]
    header = above[-1] if above else None
    if header is not None and len(fields[header]) != width - (open_end and len(fields[header]) < width):
        header = None
    marked_below = next(
        (mark for mark in _MARKS if any(line.startswith(mark) for line in lines[body:])), None
    )
    names = [""] * width
    if header is not None:
        found = [name.strip() for name in fields[header]]
        names = found + [""] * (width - len(found))
    marked = next((mark for mark in _MARKS if above and lines[above[-1]].startswith(mark)), None)
    a_column = header is not None and names[0] == marked  # a heading that is nothing but the sign
    remarks = marked is not None and len(above) > 1 and all(lines[i].startswith(marked) for i in above)
    if remarks and not a_column:  # the last one may be headings, or a remark that happens to be as wide
        header = None
    if header is None or (marked_below is not None and marked == marked_below and not a_column):
        header, names = None, [""] * width
        options["header"] = False
        said.append("no line of headings to read; columns are named by their place")
    rest = [i for i in above if header is None or i < header]
    mark = next((m for m in _MARKS if rest and all(lines[i].startswith(m) for i in rest)), marked_below)
    if mark is not None and not (header is not None and lines[header].startswith(mark)):
        options["comment"] = mark
        said.append(f"lines that begin with {mark!r} are comments")
        rest = [i for i in rest if not lines[i].startswith(mark)]
    if rest:
        options["skip_rows"] = rest[-1] + 1
        said.append(f"{counted(options['skip_rows'], 'line')} before the table")
    return names
