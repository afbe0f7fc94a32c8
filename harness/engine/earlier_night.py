"""What a run that goes on remembers of the night before it: how the card cools and heats, how titles ran.

Both are learned while attempts run and kept in memory only; here they are learned again from the files of the
latest repeats. They are hints: where a file is missing nothing is lost but the first forecasts.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
import pyarrow as pa

from harness import inside
from harness.attempt_row import AttemptRow
from harness.boundary import note_fault
from harness.conditions.thermal import ThermalModel, WaitCurve
from harness.engine.gatekeeper import watched_gate
from harness.engine.history import History
from harness.frames.metrics import per_second_fps
from harness.parquet import read_parquet
from harness.plan.schema import Cell, Plan, rules_in_force
from harness.stages import TEMPERATURE
from harness.stages.gate import Gate, GateReadings
from harness.store.campaign import CampaignStore
from harness.store.opening import ATTEMPTS_FOLDER
from harness.store.records import folder_of

#: Repeats that are learned from again, the latest; a few tenths of a second each at most.
_LATEST = 24
#: Time between two readings that a gate is shown, s.
_STEP_S = 1.0


def recall(
    store: CampaignStore, plan: Plan, cells: Mapping[str, Cell], thermal: ThermalModel, history: History
) -> None:
    """Learn from the latest accepted repeats of the folder, in their order.

    Args:
        store: The campaign, with what was measured so far.
        plan: The plan.
        cells: Its cells.
        thermal: Learns their waits.
        history: Gets the courses of their frame rates.
    """
    rows = store.attempts()
    heated = [None, *(row.cell_id for row in rows)]
    usable = [
        (row, before)
        for row, before in zip(rows, heated, strict=False)
        if row.verdict == "accepted"
        and row.cell_id in cells
        and cells[row.cell_id].definition_hash == row.definition_hash
    ]
    for row, before in usable[-_LATEST:]:
        try:
            _learn(store, row, before, cells[row.cell_id], plan, thermal, history)
        except Exception as error:  # a damaged table costs a hint
            note_fault(f"learning from {row.cell_id} repeat {row.repeat_index}", error)


def _learn(
    store: CampaignStore,
    row: AttemptRow,
    before: str | None,
    cell: Cell,
    plan: Plan,
    thermal: ThermalModel,
    history: History,
) -> None:
    folder = store.folder / ATTEMPTS_FOLDER / row.cell_id / folder_of(row)
    telemetry = _read(folder / "telemetry.parquet")
    if telemetry is not None and row["temperature_quantity"]:
        for stage, rule in rules_in_force(plan.conditions, cell.title):
            gate, watch = watched_gate(stage, rule, cell.cell_id, before, history, thermal)
            if watch is not None:
                readings = _readings(telemetry, stage.word, stage.looks_at(rule), row)
                _replay(gate, watch, readings, row.number(f"{stage.key}_s"))
    frames = _read(folder / "frames.parquet")
    if frames is not None:
        history.add_course(cell.cell_id, per_second_fps(frames["frametime_ms"].to_numpy()))


def _read(path: Path) -> pa.Table | None:
    try:
        with inside.opened(path.parent, path) as file:
            return read_parquet(file)
    except (OSError, pa.ArrowException):
        return None


def _readings(
    telemetry: pa.Table, phase: str, looks_at: tuple[str, ...], row: AttemptRow
) -> Iterator[tuple[float, GateReadings]]:
    """(seconds into the wait, what the gate saw), about once a second."""
    inside = np.asarray([one == phase for one in telemetry["phase"].to_pylist()], dtype=bool)
    part = telemetry.filter(pa.array(inside))
    named = [name for name in looks_at if name != TEMPERATURE]
    names = (row["temperature_quantity"], "ambient_temp_c", "core_clock_mhz", *named)
    columns = [part[name].to_pylist() if name in part.column_names else [] for name in names]
    t_s = part["t_s"].to_pylist()
    last_s = -np.inf
    for place, now_s in enumerate(t_s):
        if now_s >= last_s + _STEP_S:
            last_s = now_s
            temp_c, ambient_c, clock_mhz, *rest = (column[place] if column else None for column in columns)
            values = {name: value for name, value in zip(named, rest, strict=True) if value is not None}
            yield now_s - t_s[0], GateReadings(temp_c, ambient_c, clock_mhz, values=values)


def _replay(
    gate: Gate, watch: WaitCurve, readings: Iterator[tuple[float, GateReadings]], waited_s: float | None
) -> None:
    """Show a gate what it saw; it learns when it opens, else here, by the time that it took."""
    seen = False
    for t_s, reading in readings:
        seen = True
        state = gate.update(t_s, reading)
        if state.open or state.timed_out:
            return
    if seen and waited_s:
        watch.finish(waited_s)
