"""Frame metrics: pure functions on one array of frame times in ms, each with its formula.

``x`` is the frame times, ``n`` their number, ``x(1) ≤ … ≤ x(n)`` the same in ascending order, and
``T = Σx`` the elapsed time. Frame times are positive and finite; every function says so with ValueError.
:func:`harness.frames.bigrun.summarise` gives the same figures for runs that do not fit into memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from harness.frames.stutter import HALF_WIDTH_FRAMES, MULTIPLE, stutter_places
from harness.metrics import METRICS
from harness.metrics.inputs import Value
from harness.plan.schema import LowDefinition

_LOW_KEYS: dict[LowDefinition, str] = {
    "percentile": "percentile",
    "mean-of-slowest": "mean_of_slowest",
    "time-share": "time_share",
}


@dataclass(frozen=True)
class FrameMetrics(Mapping[str, Value | str]):
    """The frame metrics of one run, as a mapping under the names of their columns.

    Attributes:
        figures: Column -> value, of every metric with a formula of frames; None where there are no frames.
        low_definition: By which ``one_percent_low_fps`` and ``point_one_percent_low_fps`` are.
    """

    figures: Mapping[str, Value]
    low_definition: LowDefinition

    @property
    def frame_count(self) -> int:
        """Frames of the run."""
        return int(self.figures["frame_count"] or 0)

    @property
    def average_fps(self) -> float | None:
        """Frames over elapsed time, 1/s."""
        return self.figures["average_fps"]

    def __getitem__(self, column: str) -> Value | str:
        return self.low_definition if column == "low_definition" else self.figures[column]

    def __iter__(self) -> Iterator[str]:
        yield from self.figures
        yield "low_definition"

    def __len__(self) -> int:
        return len(self.figures) + 1


@dataclass(frozen=True)
class RunStatistics:
    """Sufficient statistics of a run, from which :class:`harness.metrics.inputs.Frames` are worked out.

    Attributes:
        n: Frames.
        total_ms: ``T``.
        percentiles: q -> ms, for every one of :func:`wanted_percentiles`.
        slowest: The slowest ``⌈n/100⌉`` frame times, ascending. They hold all that the lows need: the
            slowest ``k`` frames last at least ``k T/n``, so 1 % of the time takes at most these frames.
        change_ms: Mean absolute change.
        stutter_count: Stuttering frames.
        stutter_ms: Time in them.
        slow_ms: Time in frames slower than a stated rate; None where none is stated.
        low_definition: As in the plan.
    """

    n: int
    total_ms: float
    percentiles: Mapping[float, float]
    slowest: NDArray[np.float64]
    change_ms: float | None
    stutter_count: int
    stutter_ms: float
    slow_ms: float | None
    low_definition: LowDefinition

    @property
    def longest_ms(self) -> float:
        return float(self.slowest[-1])

    def percentile_ms(self, q: float) -> float:
        """Raises KeyError for a run that was too long for memory, and a q that no metric of ours asks for."""
        return self.percentiles[q]

    def low_fps(self, share: float) -> float:
        match self.low_definition:
            case "percentile":
                return 1e3 / self.percentile_ms(100.0 * (1.0 - share))
            case "mean-of-slowest":
                return self.fps_of_slowest(share)
            case "time-share":
                return self.fps_by_time_share(share)

    def fps_of_slowest(self, share: float) -> float:
        """``1000 k / Σ x(n-k+1 … n)`` with ``k = ⌈share n⌉``."""
        count = slowest_count(self.n, share)
        return 1e3 * count / float(np.sum(self.slowest[-count:]))

    def fps_by_time_share(self, share: float) -> float:
        """``1000 / x(j)`` with the largest ``j`` for which ``Σ x(j … n) ≥ share T``."""
        return _time_share(self.slowest, share, self.total_ms)

    def metrics(self) -> FrameMetrics:
        """The figures by levelrig's own formulas."""
        return FrameMetrics(
            {m.name: m.of_frames(self) for m in METRICS.own() if m.of_frames is not None},
            self.low_definition,
        )


def check_frametimes(frametime_ms: NDArray[np.float64]) -> None:
    """Raises ValueError unless this is a non-empty 1-D array of positive finite numbers."""
    if frametime_ms.ndim != 1 or frametime_ms.size == 0:
        raise ValueError("frametime_ms must be a non-empty 1-D array")
    if not (float(frametime_ms.min()) > 0 and math.isfinite(float(frametime_ms.max()))):
        raise ValueError("frametime_ms must hold positive finite numbers only")


def slowest_count(n: int, share: float) -> int:
    """``⌈share n⌉``, safe from the rounding of ``share`` (1 % of 700 is 7, not 8)."""
    return max(1, math.ceil(round(share * n, 9)))


def slow_ms(frametime_ms: NDArray[np.float64], fps: float) -> float:
    """``Σ{x : x > 1000/fps}``: time spent in frames slower than a stated rate, ms."""
    if fps <= 0:
        raise ValueError(f"fps must be positive, got {fps}")
    return float(np.sum(frametime_ms[frametime_ms > 1e3 / fps]))


def per_second_fps(frametime_ms: NDArray[np.float64], start_s: float = 0.0) -> NDArray[np.float64]:
    """Frames in each whole second of the run, 1/s; a frame counts to the seconds it spans, in parts.

    With ``F(t)`` the number of frames done by ``t``, linear within a frame: ``F(s+1) - F(s)``.

    Args:
        frametime_ms: In order, without pauses.
        start_s: Start of the first frame; seconds are counted from 0 of the same axis.
    Returns:
        One value for each second that lies wholly within the frames; with ``start_s = 0`` the first is
        second 0. Empty where there are no frames.
    """
    if not len(frametime_ms):
        return np.empty(0)
    check_frametimes(frametime_ms)
    ends_s = start_s + np.cumsum(frametime_ms) / 1e3
    edges_s = np.concatenate(([start_s], ends_s))
    seconds = np.arange(math.ceil(start_s - 1e-9), math.floor(edges_s[-1] + 1e-9) + 1)
    done = np.interp(seconds, edges_s, np.arange(len(edges_s)))
    return np.diff(done)


def frame_metrics(
    frametime_ms: NDArray[np.float64],
    *,
    low_definition: LowDefinition = "percentile",
    stutter_multiple: float = MULTIPLE,
    stutter_half_width: int = HALF_WIDTH_FRAMES,
    slow_below_fps: float | None = None,
) -> FrameMetrics:
    """All frame metrics of one window, by the formulas of :mod:`harness.metrics.frame_rate`.

    Args:
        frametime_ms: 1-D, ms, in order; may be empty (then ``frame_count`` is 0 and the rest None).
        low_definition: Definition of ``one_percent_low_fps`` and ``point_one_percent_low_fps``; all three
            are given under names of their own as well.
        stutter_multiple: See :mod:`harness.frames.stutter`.
        stutter_half_width: See there.
        slow_below_fps: Rate for ``slow_time_pct``; None leaves it None.
    """
    if not frametime_ms.size:
        names = [metric.name for metric in METRICS.own() if metric.of_frames is not None]
        return FrameMetrics({**dict.fromkeys(names), "frame_count": 0}, low_definition)
    return run_statistics(
        frametime_ms,
        low_definition=low_definition,
        stutter_multiple=stutter_multiple,
        stutter_half_width=stutter_half_width,
        slow_below_fps=slow_below_fps,
    ).metrics()


def run_statistics(
    frametime_ms: NDArray[np.float64],
    *,
    low_definition: LowDefinition = "percentile",
    stutter_multiple: float = MULTIPLE,
    stutter_half_width: int = HALF_WIDTH_FRAMES,
    slow_below_fps: float | None = None,
) -> RunStatistics:
    """What the formulas take, of a run that lies in memory; any percentile. Arguments as above, not empty."""
    check_frametimes(frametime_ms)
    ordered = np.sort(frametime_ms)
    stutters = frametime_ms[stutter_places(frametime_ms, stutter_multiple, stutter_half_width)]
    changes = np.abs(np.diff(frametime_ms))
    return RunStatistics(
        n=len(frametime_ms),
        total_ms=float(np.sum(frametime_ms)),
        percentiles=_OfSorted(ordered),
        slowest=ordered[-slowest_count(len(ordered), 0.01) :],
        change_ms=float(np.mean(changes)) if len(changes) else None,
        stutter_count=len(stutters),
        stutter_ms=float(np.sum(stutters)),
        slow_ms=None if slow_below_fps is None else slow_ms(frametime_ms, slow_below_fps),
        low_definition=low_definition,
    )


class _OfSorted(dict[float, float]):
    """Percentiles of a sorted run, worked out when asked for."""

    def __init__(self, ordered: NDArray[np.float64]) -> None:
        super().__init__()
        self._ordered = ordered

    def __missing__(self, q: float) -> float:
        return self.setdefault(q, percentile_of_sorted(self._ordered, q))


def low_columns(definition: LowDefinition) -> dict[str, str]:
    """Column of each low -> the column that holds it by this definition."""
    prefixes = ("one_percent_low", "point_one_percent_low")
    return {f"{prefix}_fps": f"{prefix}_{_LOW_KEYS[definition]}_fps" for prefix in prefixes}


class _Asked(dict[float, float]):
    """Percentiles of nothing, that remembers which were asked for."""

    def __missing__(self, q: float) -> float:
        return self.setdefault(q, 1.0)


@cache
def wanted_percentiles() -> Sequence[float]:
    """Every q that some metric of levelrig's own asks for."""
    asked = _Asked()
    RunStatistics(1, 1.0, asked, np.ones(1), None, 0, 0.0, None, "percentile").metrics()
    return sorted(asked)


def percentile_of_sorted(ordered: NDArray[np.float64], q: float) -> float:
    """q-th percentile (0 to 100) of an ascending array; Hyndman-Fan type 7.

    With ``h = (n-1) q/100``: ``x(⌊h⌋+1) + (h-⌊h⌋) (x(⌊h⌋+2) - x(⌊h⌋+1))``.
    Source: Hyndman and Fan, The American Statistician 50(4):361-365, 1996.
    """
    low, fraction = percentile_rank(len(ordered), q)
    high = min(low + 1, len(ordered) - 1)
    return interpolate(float(ordered[low]), float(ordered[high]), fraction)


def percentile_rank(n: int, q: float) -> tuple[int, float]:
    """Place (from 0) of the type-7 percentile's lower order statistic, and the share of the upper one."""
    position = (n - 1) * (q / 100.0)
    low = min(math.floor(position), n - 1)
    return low, position - low


def interpolate(low: float, high: float, fraction: float) -> float:
    """Between two order statistics; never outside them."""
    return min(max(low + (high - low) * fraction, low), high)


def _time_share(ordered: NDArray[np.float64], share: float, total_ms: float) -> float:
    sums = np.cumsum(ordered[::-1])
    wanted_ms = share * total_ms * (1 - 1e-12)  # the sums' own rounding must not call for one frame more
    place = min(int(np.searchsorted(sums, wanted_ms)), len(ordered) - 1)
    return 1e3 / float(ordered[-1 - place])
