"""A frame log, as read, cut to an attempt's window: its figures, and the evidence for the checks. Pure."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from harness.checks import AttemptEvidence
from harness.checks.passes import Pass, passes_of
from harness.frames.align import align_by_markers, tie_log
from harness.frames.defined import Definitions, defined_metrics
from harness.frames.doubt import moved_pct, relative_se_pct
from harness.frames.metrics import FrameMetrics
from harness.frames.stutter import long_frames
from harness.frames.window import cut_to_window
from harness.rig import ClockMarker, FrameLog


@dataclass(frozen=True)
class Place:
    """Where on the rig's clock an attempt's frame log belongs; kept, so that the log can be read again.

    Attributes:
        file: Name of the kept original.
        suffix: Of the original, for its reader.
        window_start_s: Start of the measured window.
        window_end_s: Its end.
        measured_s: Its length.
        launch_s: When the title was started; None where it was not.
        ended_s: When it was known to have ended.
        clock_offset_s: Log time + this = the rig's clock; None where unknown.
        clock_markers: What else ties the clocks.
        pass_starts_s: When passes of the title began.
    """

    file: str
    suffix: str
    window_start_s: float
    window_end_s: float
    measured_s: float | None
    launch_s: float | None
    ended_s: float
    clock_offset_s: float | None = None
    clock_markers: tuple[ClockMarker, ...] = ()
    pass_starts_s: tuple[float, ...] = ()

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Place:
        """From what ``dataclasses.asdict`` gave."""
        markers = tuple(ClockMarker(*marker) for marker in data["clock_markers"])
        return cls(**{**data, "clock_markers": markers, "pass_starts_s": tuple(data["pass_starts_s"])})


@dataclass(frozen=True)
class WindowFrames:
    """What a frame log gave.

    Attributes:
        table: Frames inside the window.
        frametime_ms: Their times, shape (n,).
        figures: Their metrics, by the plan's definitions.
        columns: These definitions, and what the reading of the log tells, for the attempt's row.
        log_span_s: Sum of all frame times of the log, before any cut.
        rows_read: Rows of the log.
        dropped, left_out: Rows that could not be used, and that the plan leaves out, by reason.
        cut: Frames outside the window, by reason.
        doubtful_pct: How far doubtful rows could move the figures.
        passes: The title's passes that the log covers.
        notes: What the reader noted and how far doubtful rows could move the figures, a sentence each.
    """

    table: pa.Table
    frametime_ms: NDArray[np.float64]
    figures: FrameMetrics
    columns: Mapping[str, float | int | str | None]
    log_span_s: float
    rows_read: int
    dropped: Mapping[str, int]
    left_out: Mapping[str, int]
    cut: Mapping[str, int]
    doubtful_pct: Mapping[str, float]
    passes: Sequence[Pass]
    notes: tuple[str, ...]

    def evidence(self, known: AttemptEvidence) -> AttemptEvidence:
        """What is known of the attempt, with what its frame log tells."""
        return dataclasses.replace(
            known,
            frametime_ms=self.frametime_ms,
            has_frame_log=True,
            log_span_s=self.log_span_s,
            frame_rows_read=self.rows_read,
            dropped_rows=self.dropped,
            rows_left_out=self.left_out,
            doubtful_pct=self.doubtful_pct,
            passes=self.passes,
            average_fps=self.figures.average_fps,
        )

    @property
    def account(self) -> dict[str, object]:
        """What became of the log's rows, for the journal."""
        return {
            "dropped": self.dropped,
            "left_out": self.left_out,
            "cut": self.cut,
            "notes": list(self.notes),
            "passes": [dataclasses.asdict(one) for one in self.passes],
        }

    @property
    def marks(self) -> list[str]:
        """The notes as marks of the attempt."""
        return [f"frame-log-note: {note}" for note in self.notes]


def window_frames(log: FrameLog, place: Place, telemetry: pa.Table | None, by: Definitions) -> WindowFrames:
    """Tie the log's clock, cut the log to the window, work out its figures.

    Args:
        log: As read.
        place: Where it belongs.
        telemetry: Layout :data:`harness.tables.TELEMETRY`, ``t_s`` from the window's start.
        by: The plan's definitions of frame metrics.
    """
    tied = None
    if log.clock == "log" and place.clock_offset_s is None:
        if place.clock_markers:
            tied = align_by_markers(place.clock_markers)
        elif place.launch_s is not None:
            tied = tie_log(
                log,
                telemetry,
                window_start_s=place.window_start_s,
                launched_s=place.launch_s,
                ended_s=place.ended_s,
            )
    window = cut_to_window(
        log,
        window_start_s=place.window_start_s,
        window_end_s=place.window_end_s,
        clock_offset_s=place.clock_offset_s if tied is None else tied.offset_s,
        clock_uncertainty_ms=None if tied is None else tied.uncertainty_ms,
        clock_source="offset" if tied is None else tied.method,
    )
    frametime_ms: NDArray[np.float64] = window.frames["frametime_ms"].to_numpy()
    doubtful: dict[str, float] = {}
    if log.worst is not None:
        worst = cut_to_window(
            dataclasses.replace(log, frames=log.worst),
            window_start_s=place.window_start_s,
            window_end_s=place.window_end_s,
            clock_offset_s=window.clock_offset_s,
        )
        doubtful = moved_pct(frametime_ms, worst.frames["frametime_ms"].to_numpy(), by.one_percent_low)
    dropped, left_out = dict(log.dropped), dict(log.left_out)
    return WindowFrames(
        table=window.frames,
        frametime_ms=frametime_ms,
        figures=defined_metrics(frametime_ms, by),
        columns={
            **by.columns,
            "average_fps_rse_pct": relative_se_pct(frametime_ms),
            "long_frame_count": int(long_frames(frametime_ms).sum()),
            "frame_rows_read": log.rows_read,
            "frame_rows_dropped": sum(dropped.values()) + sum(left_out.values()),
            "frame_clock": window.clock,
            "frame_clock_uncertainty_ms": window.clock_uncertainty_ms,
            "frame_clock_offset_s": window.clock_offset_s,
        },
        log_span_s=float(log.frames["frametime_ms"].to_numpy().sum()) / 1000.0,
        rows_read=log.rows_read,
        dropped=dropped,
        left_out=left_out,
        cut=dict(window.cut),
        doubtful_pct=doubtful,
        passes=_passes(log, place, window.clock_offset_s),
        notes=(
            *log.notes,
            *(f"doubtful rows could move {name} by {pct:.2g} %" for name, pct in doubtful.items()),
        ),
    )


def _passes(log: FrameLog, place: Place, offset_s: float | None) -> Sequence[Pass]:
    """The title's passes, in so far as they were seen and the log covers them."""
    if offset_s is None or not place.measured_s:
        return ()
    t_s: NDArray[np.float64] = log.frames["t_s"].to_numpy() + (offset_s - place.window_start_s)
    starts_s = [start_s - place.window_start_s for start_s in place.pass_starts_s]
    return passes_of(t_s, log.frames["frametime_ms"].to_numpy(), starts_s, place.measured_s)
