"""Measures a heating and cooling curve of the card, with one of a plan's titles as the load.

Rest, load, rest again, all in the factory state; a plugin fits the card's model for rehearsals to it.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pyarrow as pa

from harness import userfiles
from harness.boundary import behind_boundary
from harness.errors import PlanError, Problem, SafetyStop, WorkloadFailed
from harness.parquet import read_parquet
from harness.plan.cells import expand
from harness.plan.schema import Cell, Plan
from harness.rig import Launch, Rig, Workload
from harness.telemetry.ceilings import Ceilings, limits_of
from harness.telemetry.rows import KeptRows
from harness.telemetry.sampler import FIRST_READING_S, Sampler

_PULSE_S = 0.25
_STOP_GRACE_S = 5.0
#: Core temperature that ends the measurement where the plan states no limit of its own.
DEFAULT_LIMIT_C = 90.0


@dataclass(frozen=True)
class CurveTimes:
    """Lengths of the phases of a heating and cooling curve."""

    rest_s: float = 20.0
    load_s: float = 180.0
    cool_s: float = 180.0
    start_at_most_s: float = 120.0
    period_s: float = 0.1


def load_of(plan: Plan, title: str | None) -> Cell:
    """The cell that serves as the load: the title's first setting under the reference profile.

    Raises:
        PlanError: There is no such title.
    """
    cells = [c for c in expand(plan) if c.profile.name == plan.plan.reference]
    for cell in cells:
        if title in (None, cell.title.name):
            return cell
    names = ", ".join(dict.fromkeys(c.title.name for c in cells))
    raise PlanError("--title", [Problem("title", f"the plan has no {title!r}", f"choose one of {names}")])


def measure_curve(
    rig: Rig,
    plan: Plan,
    cell: Cell,
    folder: Path,
    times: CurveTimes = CurveTimes(),
    on_phase: Callable[[str, float], None] = lambda name, seconds: None,
) -> pa.Table:
    """Measure the curve. The card is left in the state that it is in; nothing is applied.

    Args:
        rig: The rig.
        plan: For its limits and its sampling.
        cell: The load; see :func:`load_of`.
        folder: Empty folder for the title's files.
        times: Lengths of the phases.
        on_phase: Told each phase's name and length when it begins.

    Returns:
        Telemetry from the first rest to the last; columns of ``harness.tables.TELEMETRY``.

    Raises:
        PlanError: A limited quantity, or the core's temperature, is not read here. Nothing was started.
        SafetyStop: A limit of the plan was passed (:data:`DEFAULT_LIMIT_C` where it states none for the
            core), or its quantity was not read any more under load.
        WorkloadFailed: The title did not start or ended too early.
    """
    sampler = Sampler(
        behind_boundary(rig).open_sensors(),
        rig.clock,
        times.period_s,
        sensor_tries=plan.retries.sensor_tries,
        on_event=lambda code, sentence: None,
    )
    kept = KeptRows()
    workload = behind_boundary(rig).open_workload(cell)
    ceilings = Ceilings({"core_temp_c": DEFAULT_LIMIT_C} | limits_of(plan.limits), sampler)
    try:
        sampler.start()
        _require_readings(rig, ceilings)
        sampler.record_to(kept)
        on_phase("rest", times.rest_s)
        _wait(rig, ceilings, times.rest_s, None)
        on_phase("load", times.load_s)
        workload.start(Launch(cell=cell, work_folder=folder, output_path=folder / "output.log"))
        _wait_until_ready(rig, ceilings, times.start_at_most_s, workload)
        _wait(rig, ceilings, times.load_s, workload)
        workload.stop(_STOP_GRACE_S)
        on_phase("cool", times.cool_s)
        _wait(rig, ceilings, times.cool_s, None)
    finally:
        workload.stop(_STOP_GRACE_S)
        sampler.stop_recording()
        sampler.close()
    return kept.whole()


def _require_readings(rig: Rig, ceilings: Ceilings) -> None:
    """Wait for the first readings of what is limited; refuse where one does not come."""
    end_s = rig.clock.now_s() + FIRST_READING_S
    while ceilings.unread() and rig.clock.now_s() < end_s:
        rig.clock.sleep_s(_PULSE_S)
    remedy = "add or fix its sensor; under load it must be watched"
    problems = [Problem(f"limits.{name}", why, remedy) for name, why in ceilings.unread().items()]
    if problems:
        raise PlanError("--characterise", problems)


def _wait(rig: Rig, ceilings: Ceilings, seconds: float, workload: Workload | None) -> None:
    end_s = rig.clock.now_s() + seconds
    while (left_s := end_s - rig.clock.now_s()) > 0:
        rig.clock.sleep_s(min(_PULSE_S, left_s))
        _look(ceilings, workload)


def _wait_until_ready(rig: Rig, ceilings: Ceilings, at_most_s: float, workload: Workload) -> None:
    end_s = rig.clock.now_s() + at_most_s
    while not workload.poll().ready:
        _look(ceilings, workload)
        if rig.clock.now_s() > end_s:
            raise WorkloadFailed(f"not ready after {at_most_s:.0f} s; choose another title with --title")
        rig.clock.sleep_s(_PULSE_S)


def _look(ceilings: Ceilings, workload: Workload | None) -> None:
    trouble = ceilings.exceeded() or (ceilings.lost() if workload is not None else None)
    if trouble is not None:
        raise SafetyStop(f"{trouble}; the load was ended: improve the cooling or fix the sensor first")
    if workload is not None:
        state = workload.poll()
        if state.failure is not None or not state.running:
            why = state.failure or f"exit code {state.exit_code}"
            raise WorkloadFailed(f"the title ended under load ({why}); choose a longer one with --title")


#: Columns that a model is fitted to.
_CURVE = ("t_s", "power_w", "core_temp_c", "core_clock_mhz", "fan_pct", "gpu_load_pct", "power_limit_w")
#: Hours of telemetry.
LARGEST_CURVE_BYTES = 64 << 20


def read_trace(path: Path) -> pa.Table:
    """A stored curve: CSV (# begins a remark) or Parquet, columns of ``harness.tables.TELEMETRY``.

    Raises:
        PlanError: The file can't be read.
        UserFileError: It is no regular file of a bounded size.
    """
    content = userfiles.read_bytes(path, "curve", at_most_bytes=LARGEST_CURVE_BYTES)
    try:
        if path.suffix == ".parquet" or content.startswith(b"PAR1"):
            return _numbers_in(path, read_parquet(pa.BufferReader(content)))
        text = userfiles.text_of(content, path)
        table = pa.Table.from_pandas(pd.read_csv(io.StringIO(text), comment="#"), preserve_index=False)
        return _numbers_in(path, table)
    except (OSError, ValueError, pa.ArrowException, OverflowError, MemoryError) as error:
        problem = Problem("trace", f"can't be read ({error})", "give a CSV or Parquet file of telemetry")
        raise PlanError(str(path), [problem]) from error


def _numbers_in(path: Path, table: pa.Table) -> pa.Table:
    """The table, if the columns that a model is fitted to hold numbers. Raises PlanError."""
    problems = [
        Problem(f"column {column.name}", "it holds something that is no number", "fix or remove its rows")
        for column in table.schema
        if column.name in _CURVE
        and not (
            pa.types.is_integer(column.type)
            or pa.types.is_floating(column.type)
            or pa.types.is_null(column.type)
        )
    ]
    if problems:
        raise PlanError(str(path), problems)
    return table
