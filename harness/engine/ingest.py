"""From what an attempt left on disk to its metrics and its judgement."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from harness import inside
from harness.boundary import note_fault, told
from harness.checks import AttemptEvidence, judge, telemetry_evidence
from harness.checks.gaps import reading_gaps_s
from harness.checks.passes import Pass, passes_of
from harness.conditions.settling import course_fps, long_frames
from harness.engine.attempt import Running
from harness.engine.history import History
from harness.engine.messages import Judged
from harness.errors import SeamError, StoreError
from harness.frames.align import align_by_seen, tie_log
from harness.frames.defined import defined_metrics
from harness.frames.doubt import moved_pct
from harness.frames.window import cut_to_window
from harness.frames.within import relative_se_pct
from harness.lines import missing_in_file
from harness.plan.schema import Plan
from harness.reasons import permanent_code
from harness.rig import FrameLog, Rig, Workload
from harness.store.campaign import CampaignStore
from harness.tables import TELEMETRY
from harness.telemetry.summary import summarise_window

T = TypeVar("T")


def save_telemetry(running: Running, store: CampaignStore) -> None:
    """Write the attempt's telemetry table, once; the stream that would survive a crash is then dropped."""
    if running.recording is None or running.telemetry_saved:
        return
    running.telemetry_saved = True
    table = running.telemetry_table()
    if table is not None:
        store.write_table(running.ref, "telemetry", table)
    running.recording.partial.discard()


def keep_evidence(running: Running, store: CampaignStore) -> None:
    """Keep what an attempt left, however it ended: its telemetry and its output."""
    save_telemetry(running, store)
    if running.output_path.is_file():
        store.keep_file(running.ref, running.output_path, running.output_path.name)
        inside.remove(store.folder, running.output_path)


def ingest_and_judge(
    running: Running, plan: Plan, rig: Rig, store: CampaignStore, history: History
) -> Judged:
    """Read the frame log, cut it to the window, compute the metrics, make the checks.

    The metrics are kept in ``running`` whatever the judgement: a rejected attempt is shown with its numbers.
    Each part is read whatever became of the others; one that can't be read rejects the attempt.

    Raises:
        StoreError: What was read can't be kept.
    """
    save_telemetry(running, store)
    workload = running.workload
    assert workload is not None, "nothing was launched"
    evidence = _known(running, history)
    parts = _Parts()
    evidence |= parts.read("frame-log", lambda: _frames(running, plan, rig, store, workload)) or {}
    running.metrics["score"] = parts.read("score", workload.score)
    frame_count = running.metrics.get("frame_count")
    evidence |= parts.read("telemetry", lambda: _telemetry(running, history, frame_count)) or {}
    if parts.unread is not None:
        return parts.unread
    judgement = judge(AttemptEvidence(**evidence), plan.checks)
    for fault in judgement.faults:
        note_fault("a check", fault)
    history.add_foreign_gpu_processes(evidence.get("foreign_gpu_processes"))
    if judgement.accepted and not running.lost_hold and "frametime_ms" in evidence:
        history.add_course(running.cell.cell_id, course_fps(evidence["frametime_ms"]))
    for text in judgement.marks:
        running.mark(text)
    if running.lost_hold:  # no plan can take this for a mark
        return Judged(False, "profile-lost", f"read back at the window's end: {running.lost_hold}")
    return Judged(judgement.accepted, judgement.reason_code, judgement.reason)


class _Parts:
    """Reads the parts of an attempt.

    Attributes:
        unread: The rejection by the first part that could not be read; None while all could.
    """

    def __init__(self) -> None:
        self.unread: Judged | None = None

    def read(self, code: str, part: Callable[[], T]) -> T | None:
        """What that part gives; None where it can't be read, which rejects the attempt by ``code``."""
        try:
            return part()
        except StoreError:
            raise
        except Exception as error:
            note_fault(f"the {code} of an attempt", error)
            permanent = isinstance(error, SeamError) and error.permanent
            found = Judged(False, permanent_code(code) if permanent else code, told(error))
            self.unread = self.unread or found
            return None


def _known(running: Running, history: History) -> dict[str, Any]:
    """Evidence that needs no log."""
    title = running.cell.title
    # One that ignores the request to end writes on until it is ended.
    ended_s, launch_s = running.ended_s or running.window_end_s, running.launch_s
    return {
        "planned_s": title.measure_s,
        "measured_s": running.measured_s,
        "running_s": None if ended_s is None or launch_s is None else ended_s - launch_s,
        "start_temp_c": running.start_temp_c,
        "usual_start_temp_c": history.usual_start_temp_c,
        "first_ambient_temp_c": history.first_ambient_temp_c,
        "usual_foreign_gpu_processes": history.usual_foreign_gpu_processes,
        "profile_messages": tuple(running.not_in_force),
        "missing_lines": missing_in_file(running.output_path, title.expect_lines),
        "other_fps": history.other_fps(running.cell.cell_id),
        "usual_scatter": history.usual_scatter(running.cell.cell_id),
        "other_courses": history.other_courses(running.cell.cell_id),
    }


def _frames(
    running: Running, plan: Plan, rig: Rig, store: CampaignStore, workload: Workload
) -> dict[str, Any]:
    """Metrics and evidence of the frame log; table, original log and account are stored.

    Empty for a title without one.

    Raises:
        FrameLogError: It can't be read.
    """
    assert running.window_start_s is not None
    assert running.window_end_s is not None
    source = workload.frame_log()
    if source is None:
        return {}
    if source.path.is_file():
        store.keep_file(running.ref, source.path, f"frame-log{source.path.suffix}")
    frame_log = rig.read_frame_log(source)
    for note in frame_log.notes:
        running.mark(f"frame-log-note: {note}")
    tied = None
    untied = frame_log.clock == "log" and source.clock_offset_s is None
    if untied and source.clock_markers:
        tied = align_by_seen(source.clock_markers)
    elif untied and running.launch_s is not None:
        tied = tie_log(
            frame_log,
            running.telemetry_table(),
            window_start_s=running.window_start_s,
            launched_s=running.launch_s,
            ended_s=rig.clock.now_s(),
        )
    window = cut_to_window(
        frame_log,
        window_start_s=running.window_start_s,
        window_end_s=running.window_end_s,
        clock_offset_s=source.clock_offset_s if tied is None else tied.offset_s,
        clock_uncertainty_ms=None if tied is None else tied.uncertainty_ms,
        clock_source="offset" if tied is None else tied.method,
    )
    store.write_table(running.ref, "frames", window.frames)
    frametime_ms: NDArray[np.float64] = window.frames["frametime_ms"].to_numpy()
    passes = _passes(running, frame_log, window.clock_offset_s)
    dropped, left_out = dict(frame_log.dropped), dict(frame_log.left_out)
    running.metrics |= defined_metrics(frametime_ms, plan.plan)
    running.metrics |= {
        "average_fps_rse_pct": relative_se_pct(frametime_ms),
        "long_frame_count": int(long_frames(frametime_ms).sum()),
        "frame_rows_read": frame_log.rows_read,
        "frame_rows_dropped": sum(dropped.values()) + sum(left_out.values()),
        "frame_clock": window.clock,
        "frame_clock_uncertainty_ms": window.clock_uncertainty_ms,
        "frame_clock_offset_s": window.clock_offset_s,
    }
    store.note(
        "frame-account",
        f"{running.ref.attempt_id}: {frame_log.rows_read} rows read, {frametime_ms.size} inside the window",
        attempt_id=running.ref.attempt_id,
        dropped=dropped,
        left_out=left_out,
        cut=dict(window.cut),
        notes=list(frame_log.notes),
        passes=[dataclasses.asdict(one) for one in passes],
    )
    doubtful: dict[str, float] = {}
    if frame_log.worst is not None:
        worst = cut_to_window(
            dataclasses.replace(frame_log, frames=frame_log.worst),
            window_start_s=running.window_start_s,
            window_end_s=running.window_end_s,
            clock_offset_s=window.clock_offset_s,
        )
        doubtful = moved_pct(frametime_ms, worst.frames["frametime_ms"].to_numpy(), plan.plan.one_percent_low)
        for name, pct in doubtful.items():
            running.mark(f"frame-log-note: doubtful rows could move {name} by {pct:.2g} %")
    return {
        "frametime_ms": frametime_ms,
        "has_frame_log": True,
        "log_span_s": float(frame_log.frames["frametime_ms"].to_numpy().sum()) / 1000.0,
        "frame_rows_read": frame_log.rows_read,
        "dropped_rows": dropped,
        "rows_left_out": left_out,
        "doubtful_pct": doubtful,
        "passes": passes,
        "average_fps": running.metrics["average_fps"],
    }


def _passes(running: Running, log: FrameLog, offset_s: float | None) -> tuple[Pass, ...]:
    """The title's passes, in so far as they were seen and the log covers them."""
    if offset_s is None or running.window_start_s is None or not running.measured_s:
        return ()
    t_s: NDArray[np.float64] = log.frames["t_s"].to_numpy() + (offset_s - running.window_start_s)
    starts_s = [start_s - running.window_start_s for start_s in running.pass_starts_s]
    return passes_of(t_s, log.frames["frametime_ms"].to_numpy(), starts_s, running.measured_s)


def _telemetry(running: Running, history: History, frame_count: int | None) -> dict[str, Any]:
    """Metrics and evidence of the telemetry; empty where nothing was recorded."""
    measured_s = running.measured_s
    table = running.telemetry_table()
    if not measured_s or (table is None and not running.core):
        return {}
    if table is None:
        table = TELEMETRY.empty_table()
    found = summarise_window(table, 0.0, measured_s, frame_count=frame_count)
    for text in found.pop("marks"):
        running.mark(text)
    running.metrics |= found
    return telemetry_evidence(table, measured_s, history.memory_total_mib) | {
        "reading_gaps_s": reading_gaps_s(table, measured_s, running.fresh_for_s),
        "core_quantities": running.core,
        "telemetry_gap_s": found["telemetry_gap_s"],
        "foreign_cpu_load_pct": found["mean_foreign_cpu_load_pct"],
        "mean_gpu_load_pct": found["mean_gpu_load_pct"],
        "ambient_temp_c": found["mean_ambient_temp_c"],
    }
