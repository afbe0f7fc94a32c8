"""Slips of people who know no TOML: what to write instead, seen in the line at which the parser stopped."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

_UNITS: Final = "s|ms|min|h|W|MHz|mV|K|C|°C|%"
#: What a line looks like, and what to write. The first that fits is said.
_SLIPS: Final = (
    ("[\u201c\u201d\u201e\u2018\u2019\u00ab\u00bb]", 'write straight quotes, as in "text"'),
    (r"=\s*[+-]?\d+,\d+\s*(#.*)?$", "write a point in numbers, as in 3.5"),
    (r"=\s*(True|False|TRUE|FALSE|[Yy]es|[Nn]o|on|off)\b", "write true or false, in small letters"),
    (r"^[^\"'#]*=[^\"'#]*\S\s*(//|;|--)", "a remark begins with #"),
    (r"^\s*[\w-]+\s*:\s", "write = between a key and its value"),
    (rf"=\s*\d+(\.\d+)?\s*({_UNITS})\s*(#.*)?$", "leave the unit out: it is the end of the key's name"),
    (r"=\s*[A-Za-z/~.][^\"'=]*$", 'write text in quotes, as in "text"'),
    (r"[\"']\s+[\"']", "write a comma between the entries of a list"),
    (r"=\s*([\"'])(?:(?!\1).)*$", "a text ends with the quote with which it began: close it"),
)
_TABLE: Final = re.compile(r"^\s*\[+\s*([\w-]+)")
#: Tables that a plan holds once for each entry.
_LISTED: Final = frozenset(("titles", "profiles", "sensors"))


def slip(text: str, line: int | None, message: str) -> str | None:
    """What to write instead; None where no usual slip is seen.

    Args:
        text: The whole TOML text.
        line: Line at which it could not be read, from 1; None for its end.
        message: What the parser said.
    """
    lines = text.splitlines()
    at = "" if line is None or not 1 <= line <= len(lines) else lines[line - 1]
    if message.startswith("Cannot "):
        return _stands_twice(lines, at, line)
    return next((remedy for pattern, remedy in _SLIPS if re.search(pattern, at)), None)


def _stands_twice(lines: Sequence[str], at: str, line: int | None) -> str | None:
    """Of a table or key that was there before."""
    table = _TABLE.match(at)
    if table is None:
        key = at.partition("=")[0].strip()
        return f"{key} stands twice in its table: keep one of them" if key else None
    if table[1] in _LISTED:
        return f"write [[{table[1]}]], in two pairs of brackets, above each entry"
    again = re.compile(rf"\s*\[\s*{re.escape(table[1])}\s*\]")
    first = next((n for n, other in enumerate(lines, 1) if n != line and again.match(other)), None)
    return None if first is None else f"[{table[1]}] stands in line {first} already: put its keys there"
