"""Checks of a frame log. Each returns a sentence, or None."""

from __future__ import annotations

import math

import numpy as np

from harness.checks.evidence import AttemptEvidence
from harness.checks.rates import COMMON_RATES, nearest_rate
from harness.checks.repeats import repeated
from harness.frames.perhaps_rates import could_be_rates
from harness.numerals import beside_limit, counted, out_of
from harness.plan.checks_table import Checks

#: Without a rig to tell how long the title ran, more frames a second than this are a wrong unit, and so many
#: frames that only ever get longer are a counter or a clock (chosen here, no source).
MOST_FPS = 20_000
LEAST_RISING = 100


def log_missing(seen: AttemptEvidence, _: Checks) -> str | None:
    """There is a frame log but no frame inside the window."""
    if not seen.has_frame_log or seen.frametime_ms.size > 1:
        return None
    return f"the frame log has {counted(seen.frametime_ms.size, 'frame')} inside the window"


def log_unit(seen: AttemptEvidence, _: Checks) -> str | None:
    """The frame times are of a wrong unit (by about a power of 1000), or are rates, a counter or a clock."""
    frames = seen.frametime_ms
    if frames.size >= LEAST_RISING and frames[-1] > 2 * frames[0]:
        rising_pct = 100 * float(np.mean(np.diff(frames) > 0))
        if rising_pct > 97:
            return (
                f"{rising_pct:.0f} % of the frame times are longer than the one before: the column is a "
                "counter or a clock; map another interval_column, or this one as presentation_time_column"
            )
    if seen.running_s is None and frames.size >= LEAST_RISING:
        fps = 1000 / float(np.median(frames))
        if fps > MOST_FPS:
            return f"{fps:,.0f} frames a second: their unit is wrong; fix frame_log.unit"
    if not seen.log_span_s or not seen.running_s or seen.log_span_s <= 0:
        return None
    as_rates_s = _span_as_rates_s(seen)
    if _too_long(seen) and as_rates_s is not None:
        return (
            f"the frame times add up to {seen.log_span_s:.0f} s in a run of {seen.running_s:.0f} s, and read "
            f"as frame rates the rows would span {as_rates_s:.0f} s: the interval column holds rates; map a "
            "column of frame times or of times"
        )
    magnitude = math.log10(seen.log_span_s / seen.running_s)
    power = round(magnitude / 3)
    if power == 0 or abs(magnitude - 3 * power) > 0.5:
        return None
    return (
        f"the frame times add up to {seen.log_span_s:.3g} s in a run of {seen.running_s:.0f} s: "
        f"their unit is wrong by about {1000.0**power:g}; fix frame_log.unit"
    )


def _too_long(seen: AttemptEvidence) -> bool:
    return bool(seen.log_span_s and seen.running_s and seen.log_span_s > 1.1 * seen.running_s + 2)


def _span_as_rates_s(seen: AttemptEvidence) -> float | None:
    """What the rows would span if the numbers read as ms were frame rates, where that fits the run, s."""
    unused = sum(seen.rows_left_out.values()) + sum(seen.dropped_rows.values())
    frames = (seen.frame_rows_read or 0) - unused
    if frames < 1 or not seen.running_s or not could_be_rates(seen.frametime_ms):
        return None
    span_s = frames * float(np.mean(1 / seen.frametime_ms))
    return span_s if 0.5 * seen.running_s < span_s <= 1.1 * seen.running_s + 2 else None


def log_too_long(seen: AttemptEvidence, _: Checks) -> str | None:
    """The frames add up to more time than the title ran: rows are doubled."""
    if not _too_long(seen):
        return None
    return f"the frame times add up to {seen.log_span_s:.0f} s in a run of {seen.running_s:.0f} s"


def log_short(seen: AttemptEvidence, limits: Checks) -> str | None:
    """The frames cover too little of the window."""
    limit = limits.frames_cover_at_least_pct
    if limit is None or not seen.frametime_ms.size or not seen.measured_s:
        return None
    share_pct = 100 * float(seen.frametime_ms.sum()) / 1000 / seen.measured_s
    if share_pct >= limit:
        return None
    return f"the frames cover {beside_limit(share_pct, limit)} % of the window (at least {limit:g} %)"


def log_not_monotonic(seen: AttemptEvidence, _: Checks) -> str | None:
    """Time runs backwards or stands still between frames."""
    backwards = int(np.count_nonzero(seen.frametime_ms <= 0))
    return (
        f"{counted(backwards, 'frame')} {'ends' if backwards == 1 else 'end'} before or with the frame before"
        if backwards
        else None
    )


def rows_dropped(seen: AttemptEvidence, limits: Checks) -> str | None:
    """Too many rows of the log were unusable; rows that the plan leaves out are none."""
    limit, faults = limits.dropped_rows_at_most_pct, sum(seen.dropped_rows.values())
    own = (seen.frame_rows_read or 0) - sum(seen.rows_left_out.values())
    if limit is None or own <= 0 or 100 * faults / own <= limit:
        return None
    why = ", ".join(f"{count} {reason}" for reason, count in seen.dropped_rows.items() if count)
    return f"{out_of(faults, own, 'row', 'was')} unusable ({why}; limit {limit:g} %)"


def rows_doubtful(seen: AttemptEvidence, limits: Checks) -> str | None:
    """Rows that can't be read, or whose interval and time differ, leave a published figure open."""
    limit = limits.doubtful_rows_move_at_most_pct
    if limit is None:
        return None
    open_ = [
        f"{name} by {beside_limit(pct, limit, 1)} %" for name, pct in seen.doubtful_pct.items() if pct > limit
    ]
    if not open_:
        return None
    return (
        "rows of the frame log that can't be read or contradict each other could move "
        f"{' and '.join(open_)} (limit {limit:g} %): an unreadable row is most likely a long frame"
    )


def frames_repeated(seen: AttemptEvidence, limits: Checks) -> str | None:
    """The same frame times stand in the log more often than chance explains: frozen, or rows doubled."""
    limit = limits.repeated_frames_at_most_pct
    return None if limit is None else repeated(seen.frametime_ms, limit)


def long_pause(seen: AttemptEvidence, limits: Checks) -> str | None:
    """One frame took as long as a pause, a loading screen or a window out of focus."""
    limit = limits.longest_pause_at_most_s
    if limit is None or not seen.frametime_ms.size:
        return None
    longest_s = float(seen.frametime_ms.max()) / 1000
    if longest_s <= limit:
        return None
    at_s = float(seen.frametime_ms[: int(seen.frametime_ms.argmax())].sum()) / 1000
    length = beside_limit(longest_s, limit, 1)
    return f"no frame for {length} s, {at_s:.0f} s into the window (limit {limit:g} s)"


def frame_cap(seen: AttemptEvidence, limits: Checks) -> str | None:
    """Frame times sit on a refresh rate or a cap: the title was held back, so profiles can't differ.

    A frame counts as capped when it lies within 1 % of the interval of a common rate (a cap), or within
    2 % of a multiple of it (vertical sync). The card at full load speaks against a cap.
    """
    limit, frames = limits.frames_at_cap_at_most_pct, seen.frametime_ms
    busy = seen.mean_gpu_load_pct is not None and seen.mean_gpu_load_pct >= 97
    if limit is None or frames.size < 100 or busy:
        return None
    median_ms = float(np.median(frames))
    if (rate := nearest_rate(median_ms)) is not None:
        share_pct = 100 * float(np.mean(np.abs(frames * rate / 1000 - 1) <= 0.01))
        if share_pct > limit:
            return f"{share_pct:.0f} % of the frames come at {rate} a second: frame cap or vertical sync"
    for rate in COMMON_RATES:
        multiples = frames * rate / 1000
        whole = np.round(multiples)
        on_grid = (np.abs(multiples - whole) <= 0.02) & (whole >= 1) & (whole <= 4)
        share_pct = 100 * float(np.mean(on_grid))
        counts = np.bincount(whole[on_grid].astype(np.int64), minlength=5)[1:]
        if share_pct > limit and np.count_nonzero(counts > 0.05 * frames.size) >= 2:
            return f"{share_pct:.0f} % of the frames last whole multiples of 1/{rate} s: vertical sync"
    return None
