"""The key ``frames`` of a title or setting: short for a frame log that levelrig records itself. Pure.

It is a key of the workload ``command``, and of any other whose model has it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final, Literal, get_args

from harness.plan.findings import Findings
from harness.plan.locate import Path

#: How frames are captured; see :mod:`harness.capture`.
Way = Literal["capture", "capture-display", "capture-window"]
READER: Final = "capture"
#: The file that each way records into.
LOGS: Final[Mapping[Way, str]] = {
    "capture": "presents.csv",
    "capture-display": "displays.csv",
    "capture-window": "window-updates.csv",
}
#: What the time of a frame is in each, for the account and the report.
TIMES: Final[Mapping[Way, str]] = {
    "capture": "call time: when the title handed each frame over, not when it was displayed",
    "capture-display": "display time: when the device said that each frame was displayed",
    "capture-window": "update time: when the window system reported new content in the title's window",
}


def with_frame_log(table: Any) -> Any:
    """The raw table of a title or setting with the frame log that its ``frames`` stands for."""
    way = _way_in(table)
    if way is None or table.get("frame_log") is not None:
        return table
    return {**table, "frame_log": {"path": LOGS[way], "reader": READER}}


def check_frames(table: Mapping[str, Any], path: Path, found: Findings) -> None:
    """Frames come from one place."""
    if _way_in(table) is not None and table.get("frame_log") is not None:
        what = "frames come from one place: from the frame_log, or from a capture"
        found.add((*path, "frames"), what, "leave frames out, or frame_log")


def _way_in(table: Any) -> Way | None:
    """What ``frames`` says, among the table's own keys or those set apart for its workload."""
    if not isinstance(table, dict):
        return None
    options = table.get("options")
    said = table.get("frames", options.get("frames") if isinstance(options, dict) else None)
    return next((way for way in get_args(Way) if way == said), None)


def way_of(path: str) -> Way | None:
    """The way that records into a file of that name."""
    return next((way for way, name in LOGS.items() if name == path), None)
