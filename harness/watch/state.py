"""What the live page shows, from the journal and the beacon. Reads only."""

from __future__ import annotations

import json
import os
import sys
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import psutil
from pydantic import ValidationError

from harness import inside
from harness.attempt_row import AttemptRow
from harness.boundary.crossing import note_fault
from harness.engine.requests import CONTROL_BYTES, CONTROL_NAME
from harness.errors import HarnessError, StoreError
from harness.metrics import METRICS
from harness.numerals import times
from harness.plan.schema import Plan
from harness.store.campaign import CampaignStore
from harness.store.campaign_state import RepeatStanding, Standing
from harness.watch import so_far
from harness.watch.beacon import BEACON_BYTES, BEACON_NAME
from harness.watch.rate import RunningRate

_LOG_NAME = "log.jsonl"
_LOG_BYTES = 32_768
_LOG_LINES = 60
#: A beacon older than this says nothing of the present.
FRESH_S = 15.0


@dataclass
class Watcher:
    """Reads a campaign folder again and again, as little as possible.

    The journal is read when the beacon tells of another attempt, and every ``journal_every_s`` besides.
    """

    folder: Path
    journal_every_s: float = 15.0
    _grid: dict[str, Any] = field(default_factory=dict)
    _key: tuple[Any, ...] = ()
    _read_s: float = float("-inf")
    _answer: dict[str, Any] | None = None
    _answered: int = -1

    def grid(self, now_s: float, live: Mapping[str, Any] | None) -> dict[str, Any]:
        """Cells, counts and log; the same object as before where nothing was read.

        Args:
            now_s: Monotonic seconds.
            live: The beacon, see :func:`read_live`.
        Raises:
            StoreError: There is no campaign, or it can't be read.
        """
        names = ("cell_id", "repeat_index", "attempt_index", "accepted", "wanted", "phase")
        key = tuple(live.get(n) for n in names) if live else ()
        if not self._grid or key != self._key or now_s - self._read_s >= self.journal_every_s:
            self._grid = read_grid(self.folder)
            self._key, self._read_s = key, now_s
            self._look_at_answer(live)
        return self._grid

    def _look_at_answer(self, live: Mapping[str, Any] | None) -> None:
        """Put the answer so far into the grid; the last one while none may be worked out."""
        accepted = self._grid["accepted"]
        if accepted != self._answered and so_far.may_load(live.get("phase") if live else None):
            self._answer, self._answered = answer_so_far(self.folder), accepted
        self._grid["so_far"] = self._answer


def answer_so_far(folder: Path) -> dict[str, Any] | None:
    """:func:`harness.watch.so_far.so_far` of a campaign's folder; None where it can't be worked out."""
    with CampaignStore.read(folder) as store:
        plan_text, attempts = store.plan_text(), store.attempts()
    try:
        return so_far.so_far(attempts, Plan.kept(plan_text))
    except (ValueError, KeyError, ArithmeticError) as error:
        note_fault("the answer so far", error)
        return None


def read_live(folder: Path, now_utc: datetime) -> dict[str, Any] | None:
    """The beacon's content with its age in ``age_s``; None where there is none or it is too old.

    ``ends_utc`` is the instant at which the night ends, as the run foretold it when it wrote;
    ``ends_in_s`` is the time from now to that instant. Whoever tells an end tells this one.
    """
    try:
        content = json.loads(inside.read_bytes(folder, folder / BEACON_NAME, BEACON_BYTES))
        # What no page can be told (NaN, halves of characters) makes it no beacon of ours.
        json.dumps(content, allow_nan=False, ensure_ascii=False).encode()
        written_utc = datetime.fromisoformat(content["written_utc"])
        age_s = (now_utc - written_utc).total_seconds()
        ends_in_s = content.get("ends_in_s")
        ends = None if ends_in_s is None else written_utc + timedelta(seconds=float(ends_in_s))
        ours = isinstance(content.get("history", []), list)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
        return None
    if not ours or age_s > FRESH_S:
        return None
    return {
        **content,
        "age_s": round(max(age_s, 0.0), 1),
        "request": pending_request(folder),
        "ends_utc": None if ends is None else ends.isoformat(timespec="seconds"),
        "ends_in_s": None if ends is None else max(0.0, round((ends - now_utc).total_seconds(), 1)),
    }


def read_now(folder: Path, now_utc: datetime, rate: RunningRate, now_s: float) -> dict[str, Any] | None:
    """:func:`read_live` with the running title's frame rate, 1/s, in ``running_fps`` for the log it writes.

    ``running_fps`` is None where the frame rate is not known, and missing where there is no log to look at.
    """
    live = read_live(folder, now_utc)
    frame_log = live.pop("frame_log", None) if live else None
    if live and frame_log:
        try:
            live["running_fps"] = rate.look(frame_log, now_s, _stranger(folder))
        except (HarnessError, OSError, ValueError, TypeError, KeyError, AttributeError):
            live["running_fps"] = None  # a beacon that levelrig did not write
    return live


def _stranger(folder: Path) -> int | None:
    """Who wrote the beacon, where that is another user than this one. Windows does not tell."""
    if sys.platform == "win32":
        return None
    owner_id = inside.stat_of(folder, folder / BEACON_NAME).st_uid
    return None if owner_id == os.geteuid() else owner_id


def pending_request(folder: Path) -> str | None:
    """The request that the campaign has not taken yet; None where there is none."""
    try:
        content = json.loads(inside.read_bytes(folder, folder / CONTROL_NAME, CONTROL_BYTES))
    except (OSError, ValueError, RecursionError):
        return None
    request = content.get("request") if isinstance(content, dict) else None
    return request if isinstance(request, str) else None


def read_grid(folder: Path) -> dict[str, Any]:
    """Everything that changes from attempt to attempt, as JSON values. Raises StoreError."""
    with CampaignStore.read(folder) as store:
        session = store.sessions()[-1]
        running = session.closed_utc is None and psutil.pid_exists(session.pid)
        standing = store.standing().after(None if running else session.outcome)
        plan_text = store.plan_text()
        attempts = store.attempts()
    head = _plan_names(plan_text)
    rows = _rows(standing, _figures(attempts))
    return {
        "campaign_id": store.campaign_id,
        "name": head["name"] or folder.name,
        "question": head["question"],
        "labels": head["labels"],
        "profiles": [p for p in head["profiles"] if any(p in row["cells"] for row in rows)],
        "running": running,
        "complete": standing.complete,
        "outcome": session.outcome,
        "report": inside.is_file(folder, folder / "report" / "index.html"),
        "accepted": standing.accepted_count,
        "wanted": standing.wanted_count,
        "rejected": sum(row.verdict != "accepted" for row in attempts),
        "set_aside": [entry.reason for entry in standing.set_aside],
        "crashes": _crashes(standing),
        "rows": rows,
        "log": read_log(folder),
    }


def _figures(attempts: Sequence[AttemptRow]) -> dict[str, list[str]]:
    """Cell -> means over its accepted repeats so far, as the metrics' definitions tell them."""
    found: dict[str, list[str]] = {}
    for cell_id in dict.fromkeys(row.cell_id for row in attempts if row.counts):
        mine = [row for row in attempts if row.counts and row.cell_id == cell_id]
        for metric in METRICS.compared():
            values = [value for row in mine if (value := row.number(metric.name)) is not None]
            if metric.live and values:
                found.setdefault(cell_id, []).append(metric.live.format(sum(values) / len(values)))
    return found


def _crashes(standing: Standing) -> list[str]:
    """Crashes that set nothing aside so far, a line each."""
    covered = {(entry.title, entry.profile) for entry in standing.set_aside}
    whole = {entry.profile for entry in standing.set_aside if entry.title is None}
    found = [
        f"{title} crashed {times(count)} under profile {profile}"
        for (title, profile), count in standing.crash_counts.items()
        if (title, profile) not in covered and profile not in whole
    ]
    return found + [
        f"the machine crashed or rebooted {times(count)} under profile {profile}"
        for profile, count in standing.machine_crashes.items()
        if profile not in whole
    ]


def _rows(standing: Standing, figures: Mapping[str, list[str]]) -> list[dict[str, Any]]:
    """One row per title and setting, in the order of the night."""
    rows: dict[str, dict[str, Any]] = {}
    for repeat in standing.repeats:
        if repeat.slot.sentinel or repeat.slot.remeasurement:
            continue
        place, _, profile = repeat.slot.cell_id.rpartition(".")
        row = rows.setdefault(place, {"place": place, "cells": {}})
        cell = row["cells"].setdefault(
            profile,
            {
                "cell_id": repeat.slot.cell_id,
                "repeats": [],
                "figures": figures.get(repeat.slot.cell_id, []),
            },
        )
        cell["repeats"].append(
            {"index": repeat.slot.repeat_index, "state": _state(repeat), "attempts": repeat.attempts}
        )
    for row in rows.values():
        for cell in row["cells"].values():
            cell["repeats"].sort(key=lambda r: r["index"])
    return list(rows.values())


def _state(repeat: RepeatStanding) -> str:
    if repeat.accepted:
        return "accepted"
    if repeat.set_aside or repeat.blocked:
        return "set aside"
    return "given up" if repeat.exhausted else "open"


def _plan_names(text: str) -> dict[str, Any]:
    try:
        plan = Plan.kept(text)
    except (tomllib.TOMLDecodeError, ValidationError) as error:
        raise StoreError(
            f"the plan in the journal can't be read ({error}); `levelrig verify` tells more"
        ) from error
    labels = {p.name: p.label for p in plan.profiles if p.label}
    labels |= {t.name: t.label for t in plan.titles if t.label}
    return {
        "name": plan.plan.name,
        "question": plan.plan.question,
        "labels": labels,
        "profiles": [p.name for p in plan.profiles],
    }


def read_log(folder: Path) -> list[dict[str, str]]:
    """The last lines of the campaign's log: ``time``, ``level``, ``text``. Broken lines are left out."""
    try:
        with inside.opened(folder, folder / _LOG_NAME) as file:
            file.seek(0, 2)
            start = max(0, file.tell() - _LOG_BYTES)
            file.seek(start)
            lines = file.read().decode("utf-8", errors="replace").splitlines()
    except OSError:
        return []
    found = []
    for line in lines[1 if start else 0 :][-_LOG_LINES:]:
        try:
            entry = json.loads(line)
        except (ValueError, RecursionError):
            continue
        if isinstance(entry, dict):
            rest = {k: v for k, v in entry.items() if k not in ("event", "level", "timestamp")}
            text = str(entry.get("event", ""))
            extra = "  ".join(f"{k}={v}" for k, v in rest.items() if v is not None)
            found.append(
                {
                    "time": str(entry.get("timestamp", ""))[:19].encode(errors="replace").decode(),
                    "level": str(entry.get("level", "info")).encode(errors="replace").decode(),
                    "text": f"{text}  {extra}".rstrip()[:500].encode(errors="replace").decode(),
                }
            )
    return found


def utc_now() -> datetime:
    """Wall clock, UTC."""
    return datetime.now(UTC)
