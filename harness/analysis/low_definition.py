"""Lows by one definition: rows that were computed by different ones are never pooled as they stand."""

from __future__ import annotations

import pandas as pd

from harness.analysis import words
from harness.numerals import counted

_LOWS = ("one_percent_low", "point_one_percent_low")


def by_one_definition(repeats: pd.DataFrame, definition: str) -> tuple[pd.DataFrame, str | None]:
    """The same repeats with all lows by one definition.

    A row of levelrig's own holds the lows by every definition, so those that stand there by another one are
    replaced. A row of a foreign table may not: its lows then count as not measured, unless all rows agree.

    Args:
        repeats: Columns of :data:`harness.tables.ATTEMPTS`.
        definition: The one that is wanted.
    Returns:
        The table, changed where it must be, and what was done, in a sentence; None where nothing was.
    """
    if "low_definition" not in repeats.columns:
        return repeats, None
    stated = repeats["low_definition"]
    other = stated.notna() & (stated.astype(str) != definition)
    if not other.any():
        return repeats, None
    found = sorted(set(stated.dropna().astype(str)))
    columns = {f"{low}_fps": f"{low}_{definition.replace('-', '_')}_fps" for low in _LOWS}
    known = [name for name in columns.values() if name in repeats.columns]
    if len(found) == 1 and not (other & repeats[known].notna().any(axis=1)).any():
        return repeats, None
    repeats = repeats.copy()
    empty = 0
    for low, source in columns.items():
        if low not in repeats.columns:
            continue
        values = repeats[source] if source in repeats.columns else pd.Series(float("nan"), repeats.index)
        before = repeats[low]
        repeats[low] = before.where(~other, values)
        empty = max(empty, int((other & before.notna() & values.isna()).sum()))
    repeats["low_definition"] = stated.where(~other, definition)
    others = words.listed([name for name in found if name != definition])
    text = f"Some lows were computed by {others}; here all of them are by {definition}"
    if empty:
        text += f", and {counted(empty, 'repeat')} that can't be brought to it count without lows"
    return repeats, f"{text}."
