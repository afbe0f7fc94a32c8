"""How far a log's figures are open: by rows that can't be read or contradict each other, and by chance."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from harness.frames.metrics import FrameMetrics, frame_metrics
from harness.metrics import METRICS
from harness.plan.schema import LowDefinition

#: Batches of frames whose means are compared.
BATCHES = 20
#: Less is not worth a word, in %.
_WORTH_A_WORD_PCT = 0.005


def moved_pct(
    frametime_ms: NDArray[np.float64], worst_ms: NDArray[np.float64], low_definition: LowDefinition
) -> dict[str, float]:
    """How far each published figure differs between the frames as read and as bad as they may be, in %.

    Args:
        frametime_ms: As read, ms.
        worst_ms: The same frames where every doubtful row is as bad as it may have been, ms.
        low_definition: Definition of the 1 % low.
    Returns:
        Name of the figure -> %; only those that differ.
    """
    if not frametime_ms.size or not worst_ms.size:
        return {}
    return difference_pct(
        frame_metrics(frametime_ms, low_definition=low_definition),
        frame_metrics(worst_ms, low_definition=low_definition),
    )


def difference_pct(read: FrameMetrics, worst: FrameMetrics) -> dict[str, float]:
    """The same for metrics: of those that answer the question, which must not hang on a doubtful row."""
    found = {}
    for metric in METRICS.compared():
        ours, theirs = read.figures.get(metric.name), worst.figures.get(metric.name)
        if metric.primary and ours and theirs:
            pct = 100 * abs(theirs / ours - 1)
            if pct > _WORTH_A_WORD_PCT:
                found[metric.label] = pct
    return found


def relative_se_pct(frametime_ms: NDArray[np.float64], batches: int = BATCHES) -> float | None:
    """Relative standard error of the mean frame time (and so of average FPS), in %, by batch means.

    Frames that follow each other are alike, so the frames' own scatter over the root of their count would be
    far too small. Means of long batches are nearly independent.

    Args:
        frametime_ms: 1-D, ms, in order.
        batches: Each must be long against the memory of the series.
    Returns:
        None for fewer than two frames a batch.
    Source: Law & Carson, *Operations Research* 27:1011-1025, 1979.
    """
    size = frametime_ms.size // batches
    if size < 2:
        return None
    means = frametime_ms[: size * batches].reshape(batches, size).mean(axis=1)
    return 100 * float(means.std(ddof=1) / math.sqrt(batches) / means.mean())
