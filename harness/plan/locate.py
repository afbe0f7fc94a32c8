"""Finds the line of a table or key in a TOML text, so that a complaint can name it.

The standard library's parser keeps no positions. This reads table headers and keys at the start of lines,
which covers a plan as people write it; inside an inline table the line of the table is given.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

Path = tuple[str | int, ...]

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(
    r"""^\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*="""
)
_LONGEST = 1_000
_MULTILINE = ('"""', "'''")


class LineIndex:
    """Lines (from 1) of the tables and keys of a TOML text."""

    def __init__(self, text: str) -> None:
        self._lines: dict[Path, int] = {}
        counts: dict[Path, int] = {}
        table: Path = ()
        inside: str | None = None
        for number, line in enumerate(text.split("\n"), start=1):
            if inside is not None:
                if line.count(inside) % 2:
                    inside = None
                continue
            head = line[:_LONGEST]  # no header or key is longer, and a search takes its time
            header = _HEADER.match(head)
            if header:
                table = _resolve(_split(header[2]), counts, opens=header[1] == "[[")
                self._lines.setdefault(table, number)
                continue
            key = _KEY.match(head)
            if key:
                self._lines.setdefault((*table, *_split(key[1])), number)
            inside = next((mark for mark in _MULTILINE if line.count(mark) % 2), None)

    def line_of(self, path: Sequence[str | int]) -> int | None:
        """Line of that table or key, or of the nearest one around it; None where nothing is known."""
        for end in range(len(path), 0, -1):
            line = self._lines.get(tuple(path[:end]))
            if line is not None:
                return line
        return None


def _split(dotted: str) -> list[str]:
    return [part.strip().strip("\"'") for part in dotted.split(".")]


def _resolve(names: Sequence[str], counts: dict[Path, int], *, opens: bool) -> Path:
    path: Path = ()
    for depth, name in enumerate(names):
        path = (*path, name)
        if opens and depth == len(names) - 1:
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path


def path_text(path: Sequence[str | int]) -> str:
    """``titles[2].settings[0].resolution`` for a path; indices from 0, as in the file's order."""
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text or "the plan"
