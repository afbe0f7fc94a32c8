"""Frame metrics as a plan defines them: one place for those that measure and those that work out again."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from harness.frames.metrics import FrameMetrics, frame_metrics
from harness.plan.schema import PlanHead


def defined_metrics(frametime_ms: NDArray[np.float64], head: PlanHead) -> FrameMetrics:
    """All frame metrics of one window by the plan's definitions.

    Args:
        frametime_ms: 1-D, ms, in order; may be empty.
        head: The plan's ``one_percent_low``, ``stutter_multiple`` and ``slow_below_fps`` count.
    """
    return frame_metrics(
        frametime_ms,
        low_definition=head.one_percent_low,
        stutter_multiple=head.stutter_multiple,
        slow_below_fps=head.slow_below_fps,
    )


def definitions(head: PlanHead) -> dict[str, float | None]:
    """The definitions that stand beside the metrics, under the names of their columns."""
    return {"stutter_multiple": head.stutter_multiple, "slow_below_fps": head.slow_below_fps}
