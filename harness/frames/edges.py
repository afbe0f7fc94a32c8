"""Lines above and below the table that are no frames: a units row, dashes, a summary, a missing interval.

An unreadable row inside the table is most likely a long frame. Before the first readable row and after the
last one it is not, if nothing stands where its numbers belong: words, rules, control characters, nothing at
all. Such rows are left out and told; what a logger writes for a number that it can't write (``####``,
``overflow``) is none of them.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from harness.frames.rows import EMPTY, FAULTS, LINE_OF_WORDS, WORDS_ONLY, RawRows, RowNumbers

ABOVE = "above the first frame, without numbers"
BELOW = "below the last frame, without numbers"
#: More lines than this are no heading and no summary (chosen here, no source).
MOST_LINES = 8
_WORDS = re.compile(r"[\W_]*[^\W\d_]")
_FOR_A_NUMBER = re.compile(
    r"\W*(inf|nan|over|err|num\b|value|div|ref\b|null|n/?a\b|lost|unknown)", re.IGNORECASE
)
_RULE = re.compile(r"[-=_|:+~ .\t\x00-\x1f\x7f]+\Z")


def holds_no_number(texts: Sequence[str]) -> bool:
    """Whether words or rules stand in a line where its numbers belong.

    Args:
        texts: What stands there, or the whole line where it has no fields; not empty.
    """
    said = [text.strip(" ") for text in texts if text.strip(" ")]
    return bool(said) and all(
        _RULE.match(text) or (_WORDS.match(text) and not _FOR_A_NUMBER.match(text)) for text in said
    )


class TableEdges:
    """Finds the rows above and below the table in batch after batch of one log.

    Attributes:
        last: Data row of the last row that is inside the table.
    """

    def __init__(self) -> None:
        self.last = 0
        self._began = False
        self._above = 0
        self._below: Counter[str] = Counter()
        self._first_line = ""

    def above(self, rows: RawRows, quantities: Sequence[str]) -> int:
        """Leading rows of this batch that stand above the table."""
        if self._began or not rows.count:
            return 0
        edge = _edge(rows, quantities)
        inside = np.flatnonzero(~edge)
        self._began = True
        count = int(inside[0]) if len(inside) else 0  # nothing but such rows is no table at all
        if count > MOST_LINES:
            return 0
        self._above = count
        if count and not self._first_line:
            self._first_line = rows.sample
        return count

    def count_below(self, rows: RawRows, quantities: Sequence[str], numbers: RowNumbers) -> None:
        """Remember the trailing rows of this batch, which may turn out to stand below the table."""
        if not rows.count:
            return
        if rows.faults is None or not rows.faults[-1]:
            self._below.clear()
            self.last = int(numbers[rows.count - 1])
            return
        inside = np.flatnonzero(~_edge(rows, quantities))
        if len(inside):
            self._below.clear()
            self.last = int(numbers[int(inside[-1])])
        self._below.update(FAULTS[code] for code in rows.faults[inside[-1] + 1 if len(inside) else 0 :])

    def below(self) -> Mapping[str, int]:
        """The rows below the table, by the reason under which they were counted; complete at the end."""
        return {} if self._below.total() > MOST_LINES else self._below

    def note(self, below: int) -> list[str]:
        """What was left out, as a sentence."""
        where = [f"{n} {side}" for n, side in ((self._above, "above"), (below, "below")) if n]
        if not where:
            return []
        sample = f"; first: {self._first_line!r}" if self._first_line else ""
        return [f"lines without numbers left out: {' and '.join(where)} the table{sample}"]


def _edge(rows: RawRows, quantities: Sequence[str]) -> NDArray[np.bool_]:
    """Rows that hold no number in any quantity."""
    if rows.faults is None:
        return np.zeros(rows.count, bool)
    found: NDArray[np.bool_] = np.isin(rows.faults, (WORDS_ONLY, LINE_OF_WORDS))
    empty = rows.faults == EMPTY
    if empty.any():
        for reference in quantities:
            unread = rows.unread.get(reference)
            empty &= np.zeros(rows.count, bool) if unread is None else ~np.isnan(unread)
        found = found | empty
    return found
