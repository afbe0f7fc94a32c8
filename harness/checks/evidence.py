"""What an attempt's checks look at: plain values and arrays, None or empty where there is nothing to see."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from harness.checks.passes import Pass
from harness.stages import STAGES
from harness.telemetry.foreign import Programs
from harness.telemetry.summary import TelemetrySummary

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class AttemptEvidence:
    """Evidence of one attempt. Every field may be left at its default: that check then stays silent.

    Attributes:
        frametime_ms: Frame times inside the window, in order; empty for a title without frames.
        has_frame_log: The title has a frame log, so frames must be there.
        planned_s: Length of the window that the plan wants; None where the title ends by itself.
        measured_s: Length of the window that was measured.
        running_s: Time from launch to end of the title.
        log_span_s: Sum of all frame times of the log, before any cut.
        frame_rows_read: Rows of the frame log.
        dropped_rows: Rows that could not be used, by reason.
        rows_left_out: Rows left out because the plan asks for it or because they are no frames, by reason.
        doubtful_pct: How far each published figure is open, in %, where rows of the log could not be read or
            contradict each other; as ``{"1 % low": 2.5}``.
        telemetry_gap_s: Time without telemetry inside the window.
        reading_gaps_s: Quantity that was ever read -> time inside the window without a fresh reading of it.
        core_quantities: Groups of quantities (:mod:`harness.checks.core`); one of each must be read.
        foreign_cpu_load_pct: Mean over the window.
        idle_gpu_load_pct: Mean load of the card just before the launch.
        gpu_programs: Other programs on the card in the window, with their load; None where nothing sees them.
        usual_gpu_programs: Of the attempts before; None at the first.
        mean_gpu_load_pct: Mean load of the card over the window.
        limit_reasons: Bit masks sampled inside the window.
        start_temp_c: Temperature just before the launch.
        usual_start_temp_c: Median of the attempts before; None at the first.
        ambient_temp_c: Mean over the window.
        first_ambient_temp_c: Of the first attempt of the night.
        profile_messages: What shows that the profile is not in force.
        driver_reset: What shows a reset of the driver or loss of the card, in a sentence.
        driver_error: What shows that the driver reported a critical error of the card, in a sentence.
        power_dispute: What the card's sources of power disagree on, in a sentence.
        power_on_rhythm: That the frame rate sits on the rhythm of the card's sensor, in a sentence.
        memory_use_pct: Highest use of each memory, as ``{"main memory": 81.0}``.
        missing_lines: Patterns of ``expect_lines`` that the output did not show.
        average_fps: Of this attempt.
        other_fps: Of the accepted repeats of the same cell.
        usual_scatter: Of the repeats of other cells, as a share of their level; None if unknown.
        passes: The title's passes that the frame log covers, in order.
        other_courses: Frame rate per second (:func:`harness.frames.metrics.per_second_fps`) of those.
        clock_mhz: Mean core clock in each second of the window.
    """

    frametime_ms: Floats = field(default_factory=lambda: np.empty(0))
    has_frame_log: bool = False
    planned_s: float | None = None
    measured_s: float | None = None
    running_s: float | None = None
    log_span_s: float | None = None
    frame_rows_read: int | None = None
    dropped_rows: Mapping[str, int] = field(default_factory=dict)
    rows_left_out: Mapping[str, int] = field(default_factory=dict)
    doubtful_pct: Mapping[str, float] = field(default_factory=dict)
    telemetry_gap_s: float | None = None
    reading_gaps_s: Mapping[str, float] = field(default_factory=dict)
    core_quantities: Sequence[tuple[str, ...]] = ()
    foreign_cpu_load_pct: float | None = None
    idle_gpu_load_pct: float | None = None
    gpu_programs: Programs | None = None
    usual_gpu_programs: Programs | None = None
    mean_gpu_load_pct: float | None = None
    limit_reasons: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    start_temp_c: float | None = None
    usual_start_temp_c: float | None = None
    ambient_temp_c: float | None = None
    first_ambient_temp_c: float | None = None
    profile_messages: Sequence[str] = ()
    driver_reset: str | None = None
    driver_error: str | None = None
    power_dispute: str | None = None
    power_on_rhythm: str | None = None
    memory_use_pct: Mapping[str, float] = field(default_factory=dict)
    missing_lines: Sequence[str] = ()
    average_fps: float | None = None
    other_fps: Sequence[float] = ()
    usual_scatter: float | None = None
    passes: Sequence[Pass] = ()
    other_courses: Sequence[Floats] = ()
    clock_mhz: Floats = field(default_factory=lambda: np.empty(0))


def telemetry_evidence(
    known: AttemptEvidence,
    telemetry: pa.Table,
    measured_s: float,
    memory_total_mib: Mapping[str, float | None] | None = None,
) -> AttemptEvidence:
    """What is known of an attempt, with what its telemetry tells.

    Args:
        known: The evidence so far.
        telemetry: Layout :data:`harness.tables.TELEMETRY`; the window is 0 to ``measured_s``.
        measured_s: Length of the window.
        memory_total_mib: Quantity (``memory_used_mib``, ``gpu_memory_used_mib``) -> size of that memory.
    """
    t_s = _column(telemetry, "t_s")
    inside = (t_s >= 0) & (t_s <= measured_s)
    masks = _present(_column(telemetry, "limit_reasons")[inside])
    return replace(
        known,
        limit_reasons=masks.astype(np.int64),
        idle_gpu_load_pct=_idle_load_pct(telemetry, t_s),
        clock_mhz=_clock_by_second(telemetry, t_s, inside),
        driver_reset=_driver_reset(telemetry) or known.driver_reset,
        driver_error=_driver_error(telemetry) or known.driver_error,
        memory_use_pct=_memory_use_pct(telemetry, inside, memory_total_mib or {}),
    )


def summary_evidence(known: AttemptEvidence, summary: TelemetrySummary) -> AttemptEvidence:
    """What is known of an attempt, with what the summary of its telemetry tells."""
    return replace(
        known,
        telemetry_gap_s=summary.telemetry_gap_s,
        power_dispute=summary.dispute,
        foreign_cpu_load_pct=summary.figures["mean_foreign_cpu_load_pct"],
        mean_gpu_load_pct=summary.figures["mean_gpu_load_pct"],
        ambient_temp_c=summary.figures["mean_ambient_temp_c"],
    )


def _idle_load_pct(telemetry: pa.Table, t_s: Floats) -> float | None:
    """Mean load of the card in the last seconds before the launch."""
    if "phase" in telemetry.column_names:
        phases = telemetry.column("phase").cast(pa.string()).to_pylist()
        before = {stage.word for stage in STAGES.at("before-launch")}
        waits = np.array([phase in before for phase in phases], dtype=bool)
        if waits.any():
            last_s = t_s[waits].max()
            idle = _present(_column(telemetry, "gpu_load_pct")[waits & (t_s >= last_s - 3.0)])
            if idle.size:
                return float(idle.mean())
    return None


def _clock_by_second(telemetry: pa.Table, t_s: Floats, inside: NDArray[np.bool_]) -> Floats:
    clock_mhz = _column(telemetry, "core_clock_mhz")
    read = inside & np.isfinite(clock_mhz)
    if not read.any():
        return np.empty(0)
    second = t_s[read].astype(np.int64)
    counts = np.bincount(second)
    by_second: Floats = np.bincount(second, clock_mhz[read])[counts > 0] / counts[counts > 0]
    return by_second


def _driver_reset(telemetry: pa.Table) -> str | None:
    counter = _present(_column(telemetry, "energy_j"))
    if counter.size and bool(np.any(np.diff(counter) < -1.0)):
        return "the card's energy counter went back: the driver was reset"
    return None


def _driver_error(telemetry: pa.Table) -> str | None:
    errors = _present(_column(telemetry, "driver_errors"))
    if not errors.size or errors[-1] <= errors[0]:
        return None
    count, codes = int(errors[-1] - errors[0]), _present(_column(telemetry, "driver_error_code"))
    times = "a critical error" if count == 1 else f"{count} critical errors"
    number = f" (its number {codes[-1]:.0f})" if codes.size else ""
    return f"the driver reported {times} of the card{number}"


def _memory_use_pct(
    telemetry: pa.Table, inside: NDArray[np.bool_], memory_total_mib: Mapping[str, float | None]
) -> dict[str, float]:
    use = {}
    for quantity, total in memory_total_mib.items():
        values = _present(_column(telemetry, quantity)[inside])
        if total and values.size:
            name = "main memory" if quantity == "memory_used_mib" else "the card's memory"
            use[name] = 100 * float(values.max()) / total
    return use


def _column(table: pa.Table, name: str) -> Floats:
    if name not in table.column_names:
        return np.full(table.num_rows, np.nan)
    column = table.column(name).cast(pa.float64(), safe=False)
    return np.asarray(column.to_numpy(zero_copy_only=False), dtype=np.float64)


def _present(values: Floats) -> Floats:
    return values[np.isfinite(values)]
