"""Frame metrics as a plan defines them: one place for those that measure and those that work out again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from harness.frames.metrics import FrameMetrics, frame_metrics
from harness.plan.report_table import Smoothness
from harness.plan.schema import LowDefinition, Plan

#: Column that says by what a metric went -> key of the plan's ``[smoothness]`` that states it.
SMOOTHNESS_KEYS: Final[Mapping[str, str]] = {
    "stutter_multiple": "stutter_against_neighbours",
    "slow_below_fps": "time_under_fps",
}


@dataclass(frozen=True)
class Definitions:
    """What a plan chooses of the frame metrics' definitions; attributes are the columns that tell of them."""

    one_percent_low: LowDefinition
    stutter_multiple: float
    slow_below_fps: float | None

    @classmethod
    def of(cls, plan: Plan) -> Definitions:
        """Those of a plan."""
        stated = {column: getattr(plan.smoothness, key) for column, key in SMOOTHNESS_KEYS.items()}
        return cls(plan.plan.one_percent_low, **stated)

    @property
    def columns(self) -> dict[str, float | None]:
        """Those that stand beside the metrics, under the names of their columns."""
        return {column: getattr(self, column) for column in SMOOTHNESS_KEYS}


def default_of(column: str) -> object:
    """What holds where a plan does not state it."""
    return Smoothness.model_fields[SMOOTHNESS_KEYS[column]].default


def defined_metrics(frametime_ms: NDArray[np.float64], by: Definitions) -> FrameMetrics:
    """All frame metrics of one window by the plan's definitions.

    Args:
        frametime_ms: 1-D, ms, in order; may be empty.
        by: The definitions.
    """
    return frame_metrics(
        frametime_ms,
        low_definition=by.one_percent_low,
        stutter_multiple=by.stutter_multiple,
        slow_below_fps=by.slow_below_fps,
    )
