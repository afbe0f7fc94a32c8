"""What a log as a whole may not be: two times that contradict each other, frame numbers, a clock too coarse.

Each raises FrameLogError with what to do; all are asked once the log has been read.
"""

from __future__ import annotations

import math
from pathlib import Path

from harness.errors import FrameLogError
from harness.frames.agreement import LEAST_ROWS, Agreement
from harness.frames.mapping import ColumnMapping
from harness.numerals import counted

#: Rows whose times rise by exactly 1 that are no chance (chosen here, no source).
LEAST_COUNTED = 100
#: Relative difference of interval and time, over the whole log, above which it is refused.
CONTRADICTION = 0.01
#: Times the mean frame time from which an interval may be the number of frames (chosen here, no source).
LONG_FOR_A_NUMBER = 3.0
#: Share of the mean frame time that a time column must tell apart.
FINEST_SHARE = 0.01


def refuse_contradictions(path: Path, mapping: ColumnMapping, agreement: Agreement) -> None:
    """Intervals and times must be the same time, taken together."""
    if agreement.compared < LEAST_ROWS:
        return
    ratio, interval, time = agreement.ratio, mapping.interval_column, mapping.time_column
    if not agreement.one_quantity and abs(ratio - 1) > CONTRADICTION:
        raise FrameLogError(
            f"{path}: the intervals in column {interval!r} add up to "
            f"{agreement.interval_sum_ms[agreement.ends] / 1e3:.6g} s, but column {time!r} advances by "
            f"{agreement.step_sum_ms / 1e3:.6g} s over the same rows: unit, time_unit or ticks_per_s is "
            "wrong, or the interval is not the whole frame's, or several processes share the log (set "
            "filter_column)"
        )
    if agreement.untimed_ms > CONTRADICTION * agreement.interval_sum_ms[agreement.ends]:
        raise FrameLogError(
            f"{path}: {counted(agreement.untimed_rows, 'row')} at the end without a time in column {time!r} "
            f"add {agreement.untimed_ms / 1e3:.6g} s: they look like totals below the table; "
            "remove them, or mark them as comments"
        )


def refuse_frame_numbers(path: Path, mapping: ColumnMapping, counts_rows: bool, frames: int) -> None:
    """A time column must not count rows."""
    if mapping.interval_column is None and counts_rows and frames >= LEAST_COUNTED:
        raise FrameLogError(
            f"{path}: column {mapping.time_column!r} rises by exactly 1 in each of "
            f"{frames} rows: these are frame numbers and no times; map the column of times",
            permanent=True,
        )


def refuse_total(path: Path, mapping: ColumnMapping, last_ms: float, total_ms: float, frames: int) -> None:
    """The last interval must not be the sum or the number of those before it.

    Args:
        last_ms: The last interval.
        total_ms: All of them, the last one included.
        frames: How many.
    """
    if frames <= LEAST_COUNTED or mapping.interval_column is None:
        return
    before_ms = total_ms - last_ms
    last = last_ms * mapping.interval_scale.units_per_s / 1e3  # as it stands in the file
    number = last_ms > LONG_FOR_A_NUMBER * before_ms / (frames - 1) and abs(last - (frames - 1)) < 1e-6
    if number or abs(last_ms / before_ms - 1) < CONTRADICTION:
        raise FrameLogError(
            f"{path}: the last row holds {last:.6g}, which is the {'number' if number else 'sum'} of the "
            f"{frames - 1} rows above it: a total and no frame; remove that row, or mark it as a comment"
        )


def refuse_coarse_times(
    path: Path, mapping: ColumnMapping, origin: float | None, span: float | None, frames: int
) -> None:
    """Times must not be so large that a binary floating-point number can't tell frames apart."""
    if mapping.interval_column is not None or frames == 0:
        return
    if not isinstance(origin, float) or span is None:
        return
    step = math.ulp(max(abs(origin), abs(origin + span)))
    if step > FINEST_SHARE * abs(span) / frames:
        raise FrameLogError(
            f"{path}: column {mapping.time_column!r} holds times near {origin:.6g} that are known only to "
            f"{1e3 * step / mapping.time_scale.units_per_s:.3g} ms; write whole numbers below 2**63, or "
            "times since the start of the log"
        )
