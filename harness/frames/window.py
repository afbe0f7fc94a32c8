"""Cuts a frame log to the measured window and says how its clock was tied to the rig's."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from harness import tables
from harness.rig import FrameLog

BEFORE, AFTER, EDGE = "before the window", "after the window", "across the window's edge"


@dataclass(frozen=True)
class WindowedFrames:
    """Frames inside the window.

    Attributes:
        frames: Columns of ``harness.tables.FRAMES`` (then kept ones); ``t_s`` from the window's start.
        cut: Frames cut, by reason; log frames = kept frames + these.
        clock: ``rig`` (the log carries the rig's clock), ``offset`` (a known offset was added; or what
            the offset was found by), or ``log-end`` (the log's last frame was taken to end with the window).
        clock_uncertainty_ms: Standard uncertainty of that alignment; None where it is unknown.
        clock_offset_s: Log time + this = rig time, as it was applied; None for a log without frames.
    """

    frames: pa.Table
    cut: Mapping[str, int]
    clock: str
    clock_uncertainty_ms: float | None
    clock_offset_s: float | None = None


def cut_to_window(
    log: FrameLog,
    *,
    window_start_s: float,
    window_end_s: float,
    clock_offset_s: float | None,
    clock_uncertainty_ms: float | None = None,
    clock_source: str = "offset",
) -> WindowedFrames:
    """Keep the frames that began and ended inside the window.

    A frame that straddles an edge is cut, so that the kept frame times add up to time inside the window.

    Args:
        log: As read.
        window_start_s: Start on the rig's clock, s.
        window_end_s: End on the rig's clock, s.
        clock_offset_s: Log time + this = rig time, s; None where unknown.
        clock_uncertainty_ms: Standard uncertainty of that offset, where known.
        clock_source: What that offset was found by.
    Raises:
        ValueError: The window ends before it begins.
    """
    if not window_end_s > window_start_s:
        raise ValueError(f"the window must end after it begins, got {window_start_s} to {window_end_s} s")
    length_s = window_end_s - window_start_s
    log_t_s = log.frames["t_s"].to_numpy()
    frametime_s = log.frames["frametime_ms"].to_numpy() / 1e3
    uncertainty_ms: float | None
    if log.clock == "rig":
        clock, uncertainty_ms = "rig", 0.0 if clock_uncertainty_ms is None else clock_uncertainty_ms
        offset_s: float | None = 0.0
        t_s = log_t_s - window_start_s
    elif clock_offset_s is not None:
        clock, uncertainty_ms, offset_s = clock_source, clock_uncertainty_ms, clock_offset_s
        t_s = log_t_s + (clock_offset_s - window_start_s)
    else:
        clock, uncertainty_ms = "log-end", None
        offset_s = window_end_s - float(log_t_s[-1]) if len(log_t_s) else None
        t_s = log_t_s - (log_t_s[-1] - length_s) if len(log_t_s) else log_t_s
    slack_s = 1e-9 + 4 * math.ulp(max(abs(window_start_s), abs(window_end_s)))  # rounding of clock readings
    starts_s = t_s - frametime_s
    before = t_s <= slack_s
    after = ~before & (starts_s >= length_s - slack_s)
    edge = ~before & ~after & ((starts_s < -slack_s) | (t_s > length_s + slack_s))
    inside = ~(before | after | edge)
    frames = log.frames.set_column(0, tables.FRAMES.field(0), pa.array(t_s, pa.float64()))
    counts = {BEFORE: before, AFTER: after, EDGE: edge}
    return WindowedFrames(
        frames=frames.filter(pa.array(inside)).combine_chunks(),
        cut={reason: int(np.count_nonzero(mask)) for reason, mask in counts.items() if mask.any()},
        clock=clock,
        clock_uncertainty_ms=uncertainty_ms,
        clock_offset_s=offset_s,
    )
