"""Which text of the plan a run goes by: the user's file, or, while a night goes on, the folder's copy.

A start by hand takes the file; a further start by the supervisor or the system (``--goes-on``, hidden)
takes the folder's copy, and the difference is told.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from harness import inside, userfiles
from harness.errors import PlanError, Problem, UserFileError
from harness.numerals import counted
from harness.store.export import PLAN_NAME

_SHOWN_LINES: Final = 6


@dataclass(frozen=True)
class ChosenPlan:
    """The plan that a run goes by.

    Attributes:
        path: File that it is read from.
        text: Its text; None: read it from the path.
        notices: What a person should hear of the choice.
    """

    path: Path
    text: str | None = None
    notices: tuple[str, ...] = ()


def choose_plan(named: Path, folder: Path, *, goes_on: bool) -> ChosenPlan:
    """The plan for this start.

    A start by hand goes by the file that it names. One by the supervisor or after a reboot goes by the copy
    in the folder, so that a file that is being edited does not end the night; how they differ is told.

    Args:
        named: The plan file on the command line.
        folder: The campaign folder.
        goes_on: The start is the supervisor's or the system's.
    """
    copy = folder / PLAN_NAME
    if not goes_on or not inside.is_there(folder, copy):
        return ChosenPlan(named)
    try:
        text = userfiles.text_of(inside.read_bytes(folder, copy, userfiles.SMALL_BYTES), copy)
    except (UserFileError, OSError) as error:
        what = error.what if isinstance(error, UserFileError) else str(error)
        remedy = "see `levelrig verify`, or run the plan by hand"
        raise PlanError(str(copy), [Problem("file", what, remedy)]) from error
    try:
        now = userfiles.read_text(named, "plan")
    except UserFileError:
        return ChosenPlan(copy, text, (f"{named} can't be read any more; the night goes on by {copy}",))
    if now == text:
        return ChosenPlan(copy, text)
    return ChosenPlan(copy, text, (_difference(named, text, now),))


def _difference(named: Path, before: str, now: str) -> str:
    lines = [
        line
        for line in difflib.unified_diff(before.splitlines(), now.splitlines(), lineterm="", n=0)
        if line[:1] in "+-" and not line.startswith(("---", "+++"))
    ]
    shown = "\n".join(f"  {line[:100]}" for line in lines[:_SHOWN_LINES])
    more = len(lines) - _SHOWN_LINES
    rest = f"\n  and {counted(more, 'more line')}" if more > 0 else ""
    return (
        f"{named} was edited since the night began; this night goes on by the plan that it began with, the "
        f"next start by hand takes the new one:\n{shown}{rest}"
    )
