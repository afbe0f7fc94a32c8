"""Frame rates, frame times and scores: the metrics of how fast and how evenly a title runs.

``x`` is the frame times in ms, ``n`` their number and ``T`` their sum. The formulas stand in full, with their
sources, at the functions of :mod:`harness.frames.metrics` that work them out.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from harness.columns import Column
from harness.metrics.definition import ComparedMetric, Metric
from harness.metrics.inputs import Choices, Frames

LOW_DEFINITIONS: Final = {
    "percentile": "1000 / the 99th percentile of frame time in ms (Hyndman and Fan 1996, type 7)",
    "mean-of-slowest": "1000 / the mean of the slowest ceil(n/100) frame times in ms",
    "time-share": "1000 / the frame time in ms above which frames add up to 1 % of the elapsed time",
}


def _low_definition(choices: Choices) -> str:
    low = choices.one_percent_low
    return f"by the plan's choice ({low}): {LOW_DEFINITIONS[low]}. The 0.1 % low likewise."


def _percentile(q: float) -> Callable[[Frames], float]:
    return lambda frames: frames.percentile_ms(q)


#: Speed of any title: average FPS, or the score of a title that has no frames (inverted where a lower score
#: is better). Present only when some title gives nothing but a score.
SPEED: Final = ComparedMetric(
    name="speed", unit="", meaning="average FPS, or the score of a title without frames", label="speed",
    in_table=False, scale="ratio", better="higher", up="faster", down="slower",
    says_up="{p} is faster than {r}",
    says_down="{p} is slower than {r}",
    says_same="{p} is as fast as {r}",
    group="speed", rank=0, role="speed", shown=frozenset({"comparison-table"}),
)  # fmt: skip

AVERAGE_FPS: Final = ComparedMetric(
    name="average_fps", unit="1/s", meaning="frames / elapsed time", label="average FPS",
    of_frames=lambda frames: 1e3 * frames.n / frames.total_ms,
    scale="ratio", better="higher", up="faster", down="slower",
    says_up="{p} is faster than {r}",
    says_down="{p} is slower than {r}",
    says_same="{p} is as fast as {r}",
    group="speed", primary=True, role="speed", role_rank=1, with_interval=True, assumed_scatter=0.010,
    shown=frozenset({
        "comparison-table", "levels-table", "closing-table", "outlook", "drift", "second-look", "scatter",
    }),
    live="{:.1f} FPS",
    definition="frames / elapsed time of the measured window. Not the mean of 1/frame time.",
)  # fmt: skip

ONE_PERCENT_LOW: Final = ComparedMetric(
    name="one_percent_low_fps", unit="1/s", meaning="1 % low by the plan's definition", label="1 % low",
    of_frames=lambda frames: frames.low_fps(0.01), defined_by="one_percent_low",
    scale="ratio", better="higher", up="higher", down="lower",
    says_up="{p} has a higher 1 % low than {r}",
    says_down="{p} has a lower 1 % low than {r}",
    says_same="{p} has the same 1 % low as {r}",
    group="speed", primary=True, role="low", assumed_scatter=0.030,
    shown=frozenset({
        "comparison-table", "comparison-chart", "levels-table", "closing-table", "outlook", "drift",
        "second-look", "scatter",
    }),
    definition=_low_definition, methods=lambda choices: LOW_DEFINITIONS[choices.one_percent_low],
)  # fmt: skip

POINT_ONE_PERCENT_LOW: Final = ComparedMetric(
    name="point_one_percent_low_fps", unit="1/s", meaning="0.1 % low by the plan's definition",
    label="0.1 % low", of_frames=lambda frames: frames.low_fps(0.001), defined_by="one_percent_low",
    scale="ratio", better="higher", up="higher", down="lower",
    says_up="{p} has a higher 0.1 % low than {r}",
    says_down="{p} has a lower 0.1 % low than {r}",
    says_same="{p} has the same 0.1 % low as {r}",
    group="speed", shown=frozenset({"levels-table"}),
)  # fmt: skip

SCORE: Final = ComparedMetric(
    name="score", unit="", meaning="score of a title that gives one number instead of frames", label="score",
    scale="ratio", better="higher", up="higher", down="lower",
    says_up="{p} has a higher score than {r}",
    says_down="{p} has a lower score than {r}",
    says_same="{p} has the same score as {r}",
    group="speed", role="speed", role_rank=2, with_interval=True,
    shown=frozenset({
        "comparison-table", "levels-table", "closing-table", "outlook", "drift", "second-look",
    }),
)  # fmt: skip


def _ms(name: str, q: float, meaning: str) -> Metric:
    return Metric(name=name, unit="ms", meaning=meaning, of_frames=_percentile(q))


def _fps(name: str, meaning: str, of_frames: Callable[[Frames], float]) -> Metric:
    return Metric(name=name, unit="1/s", meaning=meaning, of_frames=of_frames)


FRAME_METRICS: Final[tuple[Metric | Column, ...]] = (
    Metric(
        name="frame_count",
        unit="",
        meaning="frames inside the window",
        kind="integer",
        of_frames=lambda frames: frames.n,
    ),
    AVERAGE_FPS,
    Column("low_definition", "text", "", "definition of the two lows that follow"),
    ONE_PERCENT_LOW,
    POINT_ONE_PERCENT_LOW,
    _fps(
        "one_percent_low_percentile_fps",
        "1000 / 99th percentile of frame time (type 7)",
        lambda frames: 1e3 / frames.percentile_ms(100.0 * (1.0 - 0.01)),
    ),
    _fps(
        "one_percent_low_mean_of_slowest_fps",
        "1000 / mean of the slowest ceil(n/100) frames",
        lambda frames: frames.fps_of_slowest(0.01),
    ),
    _fps(
        "one_percent_low_time_share_fps",
        "1000 / frame time above which frames add up to 1 %",
        lambda frames: frames.fps_by_time_share(0.01),
    ),
    _fps(
        "point_one_percent_low_percentile_fps",
        "the same at 0.1 %",
        lambda frames: 1e3 / frames.percentile_ms(100.0 * (1.0 - 0.001)),
    ),
    _fps(
        "point_one_percent_low_mean_of_slowest_fps",
        "the same at 0.1 %",
        lambda frames: frames.fps_of_slowest(0.001),
    ),
    _fps(
        "point_one_percent_low_time_share_fps",
        "the same at 0.1 %",
        lambda frames: frames.fps_by_time_share(0.001),
    ),
    _ms("frametime_p1_ms", 1.0, "1st percentile of frame time (type 7, as all of these)"),
    _ms("frametime_p5_ms", 5.0, "5th percentile of frame time"),
    _ms("frametime_p25_ms", 25.0, "25th percentile of frame time"),
    _ms("frametime_p50_ms", 50.0, "median frame time"),
    _ms("frametime_p75_ms", 75.0, "75th percentile of frame time"),
    _ms("frametime_p95_ms", 95.0, "95th percentile of frame time"),
    _ms("frametime_p99_ms", 99.0, "99th percentile of frame time"),
    _ms("frametime_p99_9_ms", 99.9, "99.9th percentile of frame time"),
    Metric(
        name="frametime_change_ms",
        unit="ms",
        meaning="mean absolute change of frame time from frame to frame",
        of_frames=lambda frames: frames.change_ms,
    ),
    Metric(
        name="longest_frame_ms",
        unit="ms",
        meaning="longest frame time",
        of_frames=lambda frames: frames.longest_ms,
    ),
    Metric(
        name="stutter_count",
        unit="",
        meaning="stutters: frames that take over the plan's multiple of the median of their neighbourhood",
        kind="integer",
        of_frames=lambda frames: frames.stutter_count,
        defined_by="stutter_multiple",
    ),
    Metric(
        name="stutter_time_pct",
        unit="%",
        meaning="share of the window spent in stutters",
        of_frames=lambda frames: 100.0 * frames.stutter_ms / frames.total_ms,
        defined_by="stutter_multiple",
    ),
    Metric(
        name="average_fps_rse_pct",
        unit="%",
        meaning="relative standard error of average FPS from its own frames",
    ),
    Metric(
        name="slow_time_pct",
        unit="%",
        meaning="share of the window in frames slower than the plan's time_under_fps",
        of_frames=lambda frames: None if frames.slow_ms is None else 100.0 * frames.slow_ms / frames.total_ms,
        defined_by="slow_below_fps",
    ),
    SCORE,
    Metric(
        name="long_frame_count",
        unit="",
        meaning="frames over 3 times their local median and 15 ms longer than it",
        kind="integer",
        at_end=True,
    ),
)
