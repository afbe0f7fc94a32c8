"""Table ``[checks]`` of a plan: the thresholds of the rules that accept or reject an attempt."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

from pydantic import (
    BeforeValidator,
    Field,
)

from harness.plan.parts import Bound, Part, Threshold

CheckCode = Literal[
    "driver-reset",
    "driver-error",
    "memory-exhausted",
    "expected-line",
    "profile-not-in-force",
    "window-short",
    "frame-log-unit",
    "frame-log-missing",
    "frame-log-too-long",
    "frame-log-not-monotonic",
    "frame-log-dropped-rows",
    "frame-log-doubtful-rows",
    "frame-log-repeated",
    "frame-log-short",
    "long-pause",
    "frame-cap",
    "foreign-cpu-load",
    "foreign-gpu-load",
    "limit-reasons",
    "start-temperature",
    "ambient-temperature",
    "telemetry-gap",
    "readings-missing",
    "power-disputed",
    "power-on-rhythm",
    "unsteady",
    "outlier",
]


def _without_former_codes(codes: Any) -> Any:
    """``title-failed`` was a check that nothing could ever trip; plans of earlier campaigns may name it."""
    return [code for code in codes if code != "title-failed"] if isinstance(codes, list) else codes


class Checks(Part):
    """Table ``[checks]``: thresholds of the rules that accept or reject an attempt; false switches one off.

    Each rule has the short name of :data:`harness.checks.CHECKS`; ``mark_only`` lists those that only mark.
    """

    APART: ClassVar[str] = "*"

    mark_only: Annotated[list[CheckCode], BeforeValidator(_without_former_codes)] = Field(
        default=["start-temperature", "ambient-temperature", "frame-cap"],
        description="short names of checks that mark an attempt instead of rejecting it",
    )
    foreign_cpu_load_at_most_pct: Threshold = Field(default=10, ge=0)
    idle_gpu_load_at_most_pct: Threshold = Field(default=25, ge=0, description="before the title starts")
    foreign_gpu_load_at_most_pct: Threshold = Field(
        default=10, ge=0, description="load of the card by other programs, beyond what is usual tonight"
    )
    extra_gpu_processes_at_most: Threshold = Field(
        default=0, ge=0, description="programs never seen tonight, where their load is not told"
    )
    alarming_limits_at_most_pct: Threshold = Field(
        default=1, ge=0, le=100, description="share of the window under a thermal or power-brake limit"
    )
    start_temp_within_k: Threshold = Field(default=3, gt=0, description="of the night's usual start")
    ambient_temp_within_k: Threshold = Field(default=3, gt=0, description="of the night's first ambient")
    telemetry_gap_at_most_s: Threshold = Field(default=2, gt=0)
    window_at_least_pct: Threshold = Field(default=90, gt=0, le=100)
    frames_cover_at_least_pct: Threshold = Field(default=95, gt=0, le=100, description="of the window")
    dropped_rows_at_most_pct: Threshold = Field(default=1, ge=0, le=100, description="of the frame log")
    doubtful_rows_move_at_most_pct: Threshold = Field(
        default=1,
        ge=0,
        description="average FPS or 1 % low, by unreadable or contradicting rows",
    )
    repeated_frames_at_most_pct: Threshold = Field(default=5, ge=0, le=100, description="frozen or doubled")
    longest_pause_at_most_s: Threshold = Field(default=5, gt=0)
    frames_at_cap_at_most_pct: Threshold = Field(default=80, gt=0, le=100)
    memory_use_at_most_pct: Threshold = Field(default=98, gt=0, le=100, description="main memory, card's")
    unsteady: Literal["mark", "reject", "extend"] = Field(
        default="mark",
        description="what becomes of an attempt whose frame rate was not steady; extend: reject it and warm "
        "up longer at the next try, by one window each time",
    )
    unsteady_level_at_most_pct: Threshold = Field(
        default=5, gt=0, description="settling or lasting step of the frame rate that counts as unsteady"
    )
    outlier_beyond_deviations: Threshold = Field(
        default=6, gt=0, description="from the other repeats of its cell; marks, never rejects"
    )
    remeasurements_at_most: Bound = Field(
        default=4, ge=1, description="outliers measured once more at the night's end, farthest first"
    )
