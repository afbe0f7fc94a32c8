"""Measures a heating and cooling curve of the card, with one of a plan's titles as the load.

Rest, load, rest again, all in the factory state; a plugin fits the card's model for rehearsals to it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from harness.errors import PlanError, Problem, SafetyStop, WorkloadFailed
from harness.plan.cells import expand
from harness.plan.schema import Cell, Plan
from harness.rig import Launch, Rig, Workload
from harness.telemetry.kept import KeptRows
from harness.telemetry.sampler import Sampler

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
        SafetyStop: The core passed the plan's limit, or :data:`DEFAULT_LIMIT_C` without one.
        WorkloadFailed: The title did not start or ended too early.
    """
    sensors = rig.open_sensors()
    sampler = Sampler(
        sensors,
        rig.clock,
        times.period_s,
        sensor_tries=plan.retries.sensor_tries,
        on_event=lambda code, sentence: None,
    )
    kept = KeptRows()
    workload = rig.open_workload(cell)
    limit_c = plan.limits.core_temp_c or DEFAULT_LIMIT_C
    try:
        sampler.start()
        sampler.record_to(kept)
        on_phase("rest", times.rest_s)
        _wait(rig, sampler, limit_c, times.rest_s, None)
        on_phase("load", times.load_s)
        workload.start(Launch(cell=cell, work_folder=folder, output_path=folder / "output.log"))
        _wait_until_ready(rig, sampler, limit_c, times.start_at_most_s, workload)
        _wait(rig, sampler, limit_c, times.load_s, workload)
        workload.stop(_STOP_GRACE_S)
        on_phase("cool", times.cool_s)
        _wait(rig, sampler, limit_c, times.cool_s, None)
    finally:
        workload.stop(_STOP_GRACE_S)
        sampler.stop()
        sampler.stop_recording()
        for sensor in sensors:
            sensor.close()
    return kept.whole()


def _wait(rig: Rig, sampler: Sampler, limit_c: float, seconds: float, workload: Workload | None) -> None:
    end_s = rig.clock.now_s() + seconds
    while (left_s := end_s - rig.clock.now_s()) > 0:
        rig.clock.sleep_s(min(_PULSE_S, left_s))
        _look(sampler, limit_c, workload)


def _wait_until_ready(
    rig: Rig, sampler: Sampler, limit_c: float, at_most_s: float, workload: Workload
) -> None:
    end_s = rig.clock.now_s() + at_most_s
    while not workload.poll().ready:
        _look(sampler, limit_c, workload)
        if rig.clock.now_s() > end_s:
            raise WorkloadFailed(f"not ready after {at_most_s:.0f} s; choose another title with --title")
        rig.clock.sleep_s(_PULSE_S)


def _look(sampler: Sampler, limit_c: float, workload: Workload | None) -> None:
    sample = sampler.latest("core_temp_c")
    if sample is not None and sample.value > limit_c:
        raise SafetyStop(
            f"the core came to {sample.value:.0f} °C, over the limit of {limit_c:.0f} °C, and the load was "
            "ended; improve the cooling before you go on"
        )
    if workload is not None:
        state = workload.poll()
        if state.failure is not None or not state.running:
            why = state.failure or f"exit code {state.exit_code}"
            raise WorkloadFailed(f"the title ended under load ({why}); choose a longer one with --title")


def read_trace(path: Path) -> pa.Table:
    """A stored curve: CSV (# begins a remark) or Parquet, columns of ``harness.tables.TELEMETRY``.

    Raises:
        PlanError: The file can't be read.
    """
    try:
        if path.suffix == ".parquet":
            return pq.read_table(path)
        return pa.Table.from_pandas(pd.read_csv(path, comment="#"), preserve_index=False)
    except (OSError, ValueError, pa.ArrowException) as error:
        problem = Problem("trace", f"can't be read ({error})", "give a CSV or Parquet file of telemetry")
        raise PlanError(str(path), [problem]) from error
