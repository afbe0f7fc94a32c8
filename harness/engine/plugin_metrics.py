"""The metrics that plugins bring, worked out for one attempt once its own figures stand."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from harness.boundary import note_fault, patience, told
from harness.boundary.patience import within
from harness.clock import SystemClock
from harness.errors import SeamError
from harness.frames.defined import Definitions
from harness.frames.metrics import run_statistics
from harness.metrics import METRICS
from harness.metrics.evaluation import evaluate
from harness.metrics.inputs import Value
from harness.telemetry.summary import Window

#: Mark of an attempt in which a plugin's metric could not be worked out.
FAILED = "metric-failed"


@dataclass(frozen=True)
class MeasuredRepeat:
    """:class:`harness.metrics.inputs.Repeat` of one attempt."""

    duration_s: float
    frametime_ms: NDArray[np.float64]
    telemetry: Window | None
    score: float | None
    values: Mapping[str, Value]


def plugin_metrics(
    frametime_ms: NDArray[np.float64],
    telemetry: pa.Table | None,
    measured_s: float | None,
    own: Mapping[str, object],
    by: Definitions,
) -> tuple[dict[str, Value], list[str]]:
    """Values of the metrics that plugins bring, and marks of those that failed.

    Args:
        frametime_ms: Frame times inside the window, ms; empty for a title without frames.
        telemetry: Layout :data:`harness.tables.TELEMETRY`; None where nothing was recorded.
        measured_s: Length of the window; without one there are no values.
        own: Columns of the attempt as levelrig's own formulas give them.
        by: The plan's definitions of frame metrics.
    """
    added = METRICS.added()
    if not added or not measured_s:
        return {}, []
    numbers = {name: value for name, value in own.items() if isinstance(value, int | float | None)}
    count, fps, score = len(frametime_ms) or None, numbers.get("average_fps"), numbers.get("score")
    window = None if telemetry is None else Window(telemetry, 0.0, measured_s, count, fps)
    frames_ms = frametime_ms.view()
    frames_ms.flags.writeable = False  # what a formula is given is evidence
    found = evaluate(
        added,
        call=_patiently,
        frames=run_statistics(
            frametime_ms,
            low_definition=by.one_percent_low,
            stutter_multiple=by.stutter_multiple,
            slow_below_fps=by.slow_below_fps,
        )
        if frametime_ms.size
        else None,
        telemetry=window,
        repeat=MeasuredRepeat(measured_s, frames_ms, window, score, numbers),
    )
    for name, fault in found.faults.items():
        note_fault(f"the formula of metric {name}", fault)
    return found.values, [f"{FAILED}: {name}: {told(fault)}" for name, fault in found.faults.items()]


def _patiently(formula: Callable[[], Value]) -> Value:
    """A formula's value. Raises SeamError where it does not return in time."""
    return within(SystemClock(), "its formula", patience.FORMULA_LIMIT_S, SeamError, formula)
