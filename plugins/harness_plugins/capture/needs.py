"""What capturing the frames of a plan's titles needs of this machine."""

from __future__ import annotations

import functools
import sys
from collections.abc import Callable, Iterator

from harness.capture import LOGS, READER
from harness.capture.build import CannotBuild, hindrance, library
from harness.capture.switch import FOLDER_VARIABLE, SHARED_VARIABLES
from harness.hookspecs import Need
from harness.plan.cells import expand
from harness.plan.schema import Cell, Plan


def needs(plan: Plan) -> Iterator[Need]:
    """A library, built now where it is not there; variables that the title leaves to the capture."""
    places = {title.name: index for index, title in enumerate(plan.titles)}
    found: dict[Need, None] = {}
    wrong = functools.cache(_wrong)
    for cell in expand(plan):
        if cell.title.frame_log is not None and cell.title.frame_log.reader == READER:
            found |= dict.fromkeys(_of_title(cell, places[cell.title.name], wrong))
    yield from found


def _wrong() -> tuple[str, str] | None:
    """Why there is no library and none can be built, and what to do."""
    wrong = hindrance()
    if wrong is None:
        try:
            library()
        except CannotBuild as error:
            wrong = error.what, error.remedy
    return wrong


def _of_title(cell: Cell, index: int, wrong: Callable[[], tuple[str, str] | None]) -> Iterator[Need]:
    place = ("titles", index, "frames")
    if cell.title.frame_log is not None and cell.title.frame_log.path == LOGS["capture-window"]:
        if sys.platform != "linux":
            yield Need(place, "missing", "windows are watched through X, on Linux alone", "use a frame log")
        return
    hindered = wrong()
    if hindered is not None:
        yield Need(place, "missing", *hindered)
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
