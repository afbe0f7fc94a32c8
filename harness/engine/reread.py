"""A plan that maps a frame log otherwise: kept original logs are read again, and nothing is measured again.

A measurement is what was run; how its log is read is not part of it. So where a cell's definition changed in
the mapping alone, each of its attempts that was accepted, or was rejected for its frame log, is read again
from harness.numerals import agreed, counted
from the kept original, by the same code and before the same checks as in the night. One that passes counts
from then on, with a mark; the old reading stays in the journal (event ``revised``) and beside the new table.
"""

from __future__ import annotations

import gzip
import shutil
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import structlog

from harness import inside
from harness.attempt_row import AttemptRow
from harness.checks import AttemptEvidence, judge, summary_evidence, telemetry_evidence
from harness.engine.attempt import Measured
from harness.engine.plugin_metrics import FAILED, plugin_metrics
from harness.engine.power_rhythm import sources_of, summarise
from harness.engine.window_frames import Place, window_frames
from harness.errors import HarnessError, PlanError, Problem, StoreError
from harness.frames.defined import Definitions
from harness.numerals import agreed, counted
from harness.plan.schema import Cell, Plan
from harness.power_sensor.of_window import model_in
from harness.rig import FrameLogSource, Rig
from harness.store.campaign import CampaignStore
from harness.store.records import attempt_id_of

log = structlog.get_logger("levelrig.reread")

#: Kind of the event that keeps where an attempt's log belongs.
PLACE_EVENT: Final = "frame-log-place"
#: Of the evidence, what is kept with it for such a reading.
KNOWN_BEFORE: Final = (
    "planned_s", "measured_s", "running_s", "start_temp_c", "usual_start_temp_c", "first_ambient_temp_c",
    "gpu_programs", "usual_gpu_programs", "profile_messages", "missing_lines", "other_fps", "usual_scatter",
)  # fmt: skip
#: Mark of an attempt whose log was read again.
REREAD: Final = "frame-log-reread"


def reread_frame_logs(
    store: CampaignStore,
    plan: Plan,
    cells: Iterable[Cell],
    rig: Rig,
    *,
    measure_unreadable: bool = False,
) -> list[str]:
    """Read kept logs by the plan's present mapping where that changed; durable on return.

    Cheap where nothing changed.

    Args:
        store: The campaign, open for writing.
        plan: The present plan.
        cells: Its cells.
        rig: Reads the logs.
        measure_unreadable: Whether repeats that counted, and can't be read by the new mapping or are rejected
            so, may be measured again.
    Returns:
        What was done, for a person; empty where nothing was.
    Raises:
        PlanError: Repeats that counted would not count by the new mapping, and nobody asked to measure again.
    """
    now = {cell.cell_id: cell for cell in cells if cell.title.frame_log is not None}
    rows = store.attempts()
    stale = [row for row in rows if _may_be_reread(row, now)]
    if not stale:
        return []
    places = {e["data"]["attempt_id"]: e["data"] for e in store.events() if e["kind"] == PLACE_EVENT}
    taken = {_repeat(row) for row in rows if row.verdict == "accepted" and not _may_be_reread(row, now)}
    counts = dict.fromkeys(("accepted", "rejected", "unreadable"), 0)
    read: list[tuple[str, dict[str, Any], dict[str, Any]]] = []
    lost: list[str] = []
    for row in stale:
        cell, attempt_id = now[row.cell_id], attempt_id_of(row)
        kept = places.get(attempt_id)
        if kept is None or kept["measured_hash"] != cell.measured_hash:
            continue  # something that bears on the measurement changed as well
        if _repeat(row) in taken:
            continue
        try:
            changes, table = _read_again(store, plan, rig, cell, row, kept)
        except (HarnessError, OSError, EOFError, KeyError) as error:
            log.info("not read again", attempt=attempt_id, error=str(error))
            counts["unreadable"] += 1
            if row.verdict == "accepted":
                lost.append(f"{attempt_id}: {error}")
            continue
        read.append((attempt_id, changes, table))
        counts[changes["verdict"]] += 1
        if changes["verdict"] == "accepted":
            taken.add(_repeat(row))
        elif row.verdict == "accepted":
            lost.append(f"{attempt_id}: {changes['reason']}")
    if lost and not measure_unreadable:
        what = f"{counted(len(lost), 'repeat')} that counted would not count by it; the first: {lost[0]}"
        remedy = "fix the mapping, or add --discard-changed to measure them again"
        raise PlanError("frame_log", [Problem("titles: frame_log", what, remedy)])
    for attempt_id, changes, table in read:
        store.revise_attempt(attempt_id, changes, why="read again by the present frame_log", tables=table)
    if not any(counts.values()):
        return []
    told = (
        f"the plan maps frame logs differently than before: {_kept(sum(counts.values()))} read again, "
        f"{counts['accepted']} count now, {counts['rejected']} are rejected"
    )
    if counts["unreadable"]:
        told += f", {counts['unreadable']} can't be read so and stay as they were"
    again = (
        "nothing is measured again for it"
        if counts["accepted"] == sum(counts.values())
        else ("what counts is not measured again")
    )
    return [f"{told}; {again}, and the old readings stay in the journal"]


def _kept(count: int) -> str:
    return f"{counted(count, 'kept log')} {agreed('was', count)}"


def _may_be_reread(row: AttemptRow, now: Mapping[str, Cell]) -> bool:
    cell = now.get(row.cell_id)
    by_log = row.verdict == "rejected" and str(row.reason_code).startswith("frame-log")
    return (
        cell is not None
        and row.definition_hash != cell.definition_hash
        and (row.verdict == "accepted" or by_log)
    )


def _repeat(row: AttemptRow) -> tuple[str, int, bool, bool]:
    return (row.cell_id, row.repeat_index, row.sentinel, row.second_look)


def _read_again(
    store: CampaignStore,
    plan: Plan,
    rig: Rig,
    cell: Cell,
    row: AttemptRow,
    kept: Mapping[str, Any],
) -> tuple[dict[str, Any], dict[str, Any]]:
    """New columns of the attempt's row, and its new tables."""
    attempt_id, place = attempt_id_of(row), Place.from_json(kept["place"])
    try:
        telemetry = store.kept_table(attempt_id, "telemetry")
    except StoreError:
        telemetry = None
    with tempfile.TemporaryDirectory(prefix="levelrig-") as folder:
        original = Path(folder) / f"frame-log{place.suffix}"
        kept_file = store.kept_file(attempt_id, place.file)
        with (
            inside.opened(store.folder, kept_file) as stored,
            gzip.open(stored) as packed,
            original.open("wb") as file,
        ):
            shutil.copyfileobj(packed, file)
        assert cell.title.frame_log is not None
        source = FrameLogSource(original, cell.title.frame_log, place.clock_offset_s, place.clock_markers)
        found = window_frames(rig.read_frame_log(source), place, telemetry, Definitions.of(plan))
    measured = Measured(frames=found, score=row.number("score"))
    known = {name: value for name, value in kept["known"].items() if name in KNOWN_BEFORE}
    evidence = found.evidence(AttemptEvidence(**known))
    if telemetry is not None and place.measured_s:
        model = model_in(store.rig_facts())
        power = summarise(telemetry, place.measured_s, found, model, sources_of(telemetry))
        measured.telemetry = power.summary
        seen = telemetry_evidence(evidence, telemetry, place.measured_s)
        evidence = replace(summary_evidence(seen, power.summary), power_on_rhythm=power.on_rhythm)
    measured.added, faults = plugin_metrics(
        found.frametime_ms, telemetry, place.measured_s, measured.columns(), Definitions.of(plan)
    )
    judgement = judge(evidence, plan.checks)
    marks = [mark for mark in row.marks if not mark.startswith(("frame-log", "power-", FAILED))]
    marks += [*found.marks, *faults, *(mark for mark in judgement.marks if mark not in marks)]
    marks.append(f"{REREAD}: by the frame_log of a later plan")
    changes = {
        **measured.columns(),
        "definition_hash": cell.definition_hash,
        "verdict": "accepted" if judgement.accepted else "rejected",
        "reason_code": judgement.reason_code,
        "reason": judgement.reason,
        "marks": marks,
    }
    return {name: _plain(value) for name, value in changes.items()}, {"frames": found.table}


def _plain(value: Any) -> Any:
    return value.item() if isinstance(value, np.generic) else value
