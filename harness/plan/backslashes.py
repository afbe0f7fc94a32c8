"""Paths whose backslashes a TOML text takes for escapes: the error that says so, and those that give none.

In ``"C:\\games"`` the parser stops at ``\\g``; in ``"C:\\titles"`` it silently reads a tab. Pure.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any, Final

from harness.plan.findings import Findings
from harness.plan.locate import Path

REMEDY: Final = "write the path in single quotes, which leave \\ alone, as in 'C:\\games\\run.exe', or with /"
_STRINGS = re.compile(r"""'[^'\n]*'|("(?:\\.|[^"\\\n])*("|\\?$)?)|#.*""")
_NO_ESCAPE = re.compile(r'\\(?![btnfr"\\]|u[0-9A-Fa-f]{4}|U[0-9A-Fa-f]{8})')
_MISREAD = re.compile(r"[\b\t\n\f\r]")
_NAMES: Final = {"\b": r"\b", "\t": r"\t", "\n": r"\n", "\f": r"\f", "\r": r"\r"}
_DRIVE = re.compile(r"^(?:[A-Za-z]:|\.{1,2}[\b\t\n\f\r])")
#: Keys that hold a path; keys whose list begins with a program; keys that may hold one anywhere.
_PATHS: Final = frozenset({"path", "file", "working_folder", "watch_file", "addresses_file", "root"})
_PROGRAMS: Final = frozenset({"command", "end_command", "apply", "verify", "restore"})
_WORDS: Final = frozenset({"arguments", "environment", "values"})


def stumbles_over(text: str, line: int | None) -> bool:
    """Whether a parser that stopped in that line (None: at the end) met a backslash inside ``"…"``."""
    lines = text.split("\n") if line is None else text.split("\n")[line - 1 : line]
    if line is None:
        lines = [written for written in lines if written.strip()][-1:]
    strings = (match for written in lines for match in _STRINGS.finditer(written) if match[1])
    return any(_misread(match[1], closed=match[2] == '"') for match in strings)


def _misread(string: str, *, closed: bool) -> bool:
    return bool(_NO_ESCAPE.search(string.replace("\\\\", ""))) or (not closed and "\\" in string)


def check_paths(raw: Mapping[str, Any], found: Findings) -> None:
    """Complain of paths that hold a tab or a line's end: ``\\t`` or ``\\n`` was the beginning of a name."""
    for path, text in _candidates(raw, ()):
        sign = _MISREAD.search(text)
        if sign is not None:
            name = _NAMES[sign[0]]
            found.add(path, f'in "…" the {name} of a path is read as one sign, which no path has', REMEDY)


def _candidates(table: Mapping[str, Any], path: Path) -> Iterator[tuple[Path, str]]:
    for key, value in table.items():
        here: Path = (*path, key)
        if isinstance(value, str):
            if key in _PATHS or (path and path[-1] in _WORDS and _DRIVE.match(value)):
                yield here, value
        elif isinstance(value, Mapping):
            yield from _candidates(value, here)
        elif isinstance(value, list):
            for index, item in enumerate(value):
                if isinstance(item, Mapping):
                    yield from _candidates(item, (*here, index))
                elif isinstance(item, str) and (
                    (key in _PROGRAMS and (index == 0 or _DRIVE.match(item)))
                    or (key in _WORDS and _DRIVE.match(item))
                ):
                    yield (*here, index), item
