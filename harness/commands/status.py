"""``status``: where a campaign stands, what is left, when it ends."""

from __future__ import annotations

import argparse
import dataclasses
import statistics
import time
from collections import Counter
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import psutil

from harness.commands import add_command, print_json
from harness.commands.signals import card_state
from harness.frames.notes import note_lines
from harness.store.campaign import CampaignStore
from harness.store.campaign_state import Standing
from harness.store.causes import CellSetAside, grouped
from harness.terminal import console, count_line, doing_line, print_table, readings_line

#: Without a sign of life for this long, a run whose process is gone is taken to have ended, seconds.
_SILENT_S = 60.0


def register(commands: Any) -> None:
    """Add the command of this module."""
    status = add_command(
        commands,
        "status",
        _status,
        example="levelrig status campaigns/first-night",
        reports=True,
    )
    status.add_argument("folder", type=Path, help="campaign folder")


def _status(arguments: argparse.Namespace) -> int:
    store = CampaignStore.read(arguments.folder)
    try:
        found = summarise(store, datetime.now(UTC))
    finally:
        store.close()
    now = None
    if found["running"]:
        from harness.watch.rate import RunningRate
        from harness.watch.state import read_now

        now = read_now(arguments.folder, datetime.now(UTC), RunningRate(), time.monotonic())
    found["now"] = {k: v for k, v in now.items() if k != "history"} if now else None
    if now:  # the run itself knows more (the nights that it waits for): its end is the one that all tell
        ends = now.get("ends_utc")
        found["ends_utc"] = None if ends is None else datetime.fromisoformat(ends)
        found["ends_in_s"] = now.get("ends_in_s")
    if arguments.json:
        print_json(found)
        return 0
    out = console()
    out.print(f"{arguments.folder}: {found['state']}", markup=False)
    if found["unrestored"]:
        out.print(
            f"The card was not put back when the last run ended ({found['unrestored']}). {card_state()} "
            "`levelrig restore` puts it back, and says how it stands.",
            markup=False,
        )
    extra = [
        f"{found[name]} of them {what}"
        for name, what in (("sentinels", "to watch drift"), ("remeasurements", "re-measurements of outliers"))
        if found[name]
    ]
    counts = found["accepted"], found["wanted"], found["ends_in_s"]
    out.print(count_line(*counts, running=found["running"]))
    out.print("; ".join([*extra, f"{found['left']} left to measure"]))
    if found["now"]:
        for line in now_lines(found["now"], out.width):
            out.print(line, markup=False)
    out.print()
    print_table(
        out,
        "",
        ["cell", "accepted", "wanted", "attempts", "state"],
        [
            [c["cell_id"], str(c["accepted"]), str(c["wanted"]), str(c["attempts"]), c["state"]]
            for c in found["cells"]
        ],
    )
    for entry in found["set_aside"]:
        out.print(f"unstable: {entry}", markup=False)
    for line in grouped([CellSetAside(**cell) for cell in found["cells_set_aside"]]):
        out.print(f"set aside until its cause is fixed: {line}", markup=False, soft_wrap=True)
    for line in found["frame_log_notes"]:
        out.print(f"note: {line}", markup=False, soft_wrap=True)
    if found["shared_cause"]:
        out.print(f"paused: {found['shared_cause']}", markup=False, soft_wrap=True)
    return 0


def now_lines(now: Mapping[str, Any], width: int) -> list[str]:
    """What the running attempt does and its latest readings, from the file that the run keeps fresh."""
    doing = doing_line(now)
    fps = now.get("running_fps")
    readings = readings_line({**now["readings"], **({} if fps is None else {"running_fps": fps})}, width)
    return [doing, readings] if readings else [doing]


def summarise(store: CampaignStore, now_utc: datetime) -> dict[str, Any]:
    """The state of a campaign as JSON values.

    Args:
        store: Open for reading.
        now_utc: Present wall-clock time.
    """
    session = store.sessions()[-1]
    alive = psutil.pid_exists(session.pid) and (now_utc - session.heartbeat_utc).total_seconds() < _SILENT_S
    running = session.closed_utc is None and alive
    standing = store.standing().after(None if running else session.outcome)
    attempts = store.attempt_rows()
    durations_s = [row["duration_s"] for row in attempts if row.get("duration_s")]
    left = len(standing.remaining)
    ends_in_s = left * statistics.median(durations_s) if running and durations_s else None
    if running:
        state = f"running (process {session.pid})"
    elif left:
        state = "stopped; the same run command goes on"
    elif standing.cells_set_aside:
        state = "ended, some cells set aside; the same run command tries them again"
    else:
        state = (
            "complete" if standing.accepted_count == standing.wanted_count else "ended, some repeats missing"
        )
    return {
        "campaign_id": store.campaign_id,
        "state": state,
        "running": running,
        "accepted": standing.accepted_count,
        "wanted": standing.wanted_count,
        "left": left,
        "sentinels": sum(repeat.slot.sentinel for repeat in standing.repeats),
        "remeasurements": sum(repeat.slot.remeasurement for repeat in standing.repeats),
        "ends_in_s": ends_in_s,
        "ends_utc": None if ends_in_s is None else now_utc + timedelta(seconds=ends_in_s),
        "verdicts": dict(Counter(row["verdict"] for row in attempts)),
        "unrestored": store.unrestored(),
        "set_aside": [entry.reason for entry in standing.set_aside],
        "cells_set_aside": [dataclasses.asdict(cell) for cell in standing.cells_set_aside],
        "shared_cause": None if standing.shared_cause is None else standing.shared_cause.sentence(),
        "frame_log_notes": note_lines(attempts),
        "cells": _cells(standing),
    }


def _cells(standing: Standing) -> list[dict[str, Any]]:
    """Each cell's planned repeats; a cell of which only sentinels are wanted is none."""
    cells: dict[str, dict[str, Any]] = {}
    for repeat in standing.repeats:
        if repeat.slot.sentinel or repeat.slot.remeasurement:
            continue
        counts = {"accepted": 0, "wanted": 0, "attempts": 0, "open": 0, "aside": 0, "blocked": 0}
        cell = cells.setdefault(repeat.slot.cell_id, {"cell_id": repeat.slot.cell_id, **counts})
        cell["wanted"] += 1
        cell["accepted"] += repeat.accepted
        cell["attempts"] += repeat.attempts
        cell["open"] += repeat.open
        cell["aside"] += repeat.set_aside
        cell["blocked"] += repeat.blocked
    for cell in cells.values():
        still_open, aside, blocked = cell.pop("open"), cell.pop("aside"), cell.pop("blocked")
        if cell["accepted"] == cell["wanted"]:
            cell["state"] = "complete"
        elif aside:
            cell["state"] = "set aside as unstable"
        elif blocked:
            cell["state"] = "set aside until its cause is fixed"
        else:
            cell["state"] = f"{still_open} to measure" if still_open else "no tries left"
    return list(cells.values())
