"""What capturing the frames of a plan's titles needs of this machine."""

from __future__ import annotations

import sys
from collections.abc import Iterator

from harness.capture import LOGS, READER
from harness.capture.build import hindrance
from harness.capture.switch import FOLDER_VARIABLE, SHARED_VARIABLES
from harness.hookspecs import Need
from harness.plan.cells import expand
from harness.plan.schema import Cell, Plan


def needs(plan: Plan) -> Iterator[Need]:
    """A compiler or a library that was built; variables that the title leaves to the capture; 64 bit."""
    places = {title.name: index for index, title in enumerate(plan.titles)}
    found: dict[Need, None] = {}
    for cell in expand(plan):
        if cell.title.frame_log is not None and cell.title.frame_log.reader == READER:
            found |= dict.fromkeys(_of_title(cell, places[cell.title.name]))
    yield from found


def _of_title(cell: Cell, index: int) -> Iterator[Need]:
    place = ("titles", index, "frames")
    if cell.title.frame_log is not None and cell.title.frame_log.path == LOGS["capture-window"]:
        if sys.platform != "linux":
            yield Need(place, "missing", "windows are watched through X, on Linux alone", "use a frame log")
        return
    wrong = hindrance()
    if wrong is not None:
        yield Need(place, "missing", *wrong)
    environment = cell.workload_options.get("environment")
    for name in (FOLDER_VARIABLE, *SHARED_VARIABLES):
        if isinstance(environment, dict) and name in environment:
            yield Need(
                ("titles", index, "environment"),
                "missing",
                f"the title's environment sets {name}, which the capture needs",
                f"set {name} in the environment that levelrig is started in, where it stays in force beside "
                "the capture's own"
                if name != FOLDER_VARIABLE
                else "leave it out",
                of_plan=True,
            )
