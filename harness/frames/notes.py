"""What the reader noted of frame logs, gathered from the marks of attempts: a line for each kind of note."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any, Final

from harness.numerals import out_of

#: Code of the mark that carries a note of the reader.
NOTE_CODE: Final = "frame-log-note"
_NUMBERS = re.compile(r"\d[\d.,e+-]*|'[^']*'|\([^)]*\)")


def note_lines(rows: Iterable[Mapping[Any, Any]]) -> list[str]:
    """A line for each title and kind of note, with how many attempts have it and what the first one says.

    Args:
        rows: Of ``harness.tables.ATTEMPTS``; ``title``, ``repeat_index`` and ``marks`` count; the
            journal's rows may lack the last.
    """
    found: dict[tuple[str, str], list[str]] = {}
    counts: dict[str, int] = {}
    for row in rows:
        title = str(row["title"])
        counts[title] = counts.get(title, 0) + 1
        marks = row.get("marks")  # a lost program's attempt has none
        kinds: dict[str, str] = {}
        for mark in () if marks is None else marks:
            code, _, note = str(mark).partition(": ")
            if code == NOTE_CODE:
                kinds.setdefault(_NUMBERS.sub("", note), note)
        for kind, note in kinds.items():
            found.setdefault((title, kind), []).append(note)
    return [
        f"{title}: frame log of {out_of(len(notes), counts[title], 'attempt')}: {notes[0]}"
        + (" (the first of them)" if len(set(notes)) > 1 else "")
        for (title, _), notes in found.items()
    ]
