"""``{name}`` in a title's and a companion's words: what stands for it."""

from __future__ import annotations

import re
import sys
from collections.abc import Mapping
from pathlib import Path

from harness.plan.schema import Cell
from harness.programs import plan_folders

#: Placeholders that the harness fills in; a title's ``values`` add the plan's own.
BUILT_IN: Mapping[str, str] = {
    "work_folder": "empty folder of this attempt",
    "python": "the Python that runs levelrig",
    "title": "the title's name",
    "setting": "the setting's name",
    "profile": "the profile's name",
    "measure_s": "length of the measured window; 0 where the title ends by itself",
    "thread_count": "threads that the profile asks for; 0 where it asks for none",
    "plan_folder": "folder of the plan's file",
}
#: In the words of a companion that is started after its title: the title's process.
PROCESS_ID = "process_id"
_PLACEHOLDER = re.compile(r"\{([a-z_][a-z0-9_]*)\}")

Value = str | int | float | bool


def fill(text: str, values: Mapping[str, Value]) -> str:
    """Put values in for ``{name}``; other braces stay as they are, so that JSON passes. Raises KeyError."""
    return _PLACEHOLDER.sub(lambda match: str(values[match[1]]), text)


def names_in(text: str) -> list[str]:
    """The names that stand in braces."""
    return _PLACEHOLDER.findall(text)


def values_of(cell: Cell, work_folder: Path, thread_count: int | None = None) -> dict[str, Value]:
    """What stands for :data:`BUILT_IN` in one launch, and for the ``values`` of the cell's title."""
    own = cell.workload_options.get("values")
    return {
        "work_folder": str(work_folder.absolute()),
        "python": sys.executable,
        "title": cell.title.name,
        "setting": cell.setting.name,
        "profile": cell.profile.name,
        "measure_s": cell.setting.measure_s or cell.title.measure_s or 0,
        "thread_count": thread_count or 0,
        "plan_folder": str(plan_folders(cell.title.base)[0]),
        **(own if isinstance(own, dict) else {}),
    }
