"""How far one repeat's own frames leave its average open."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

BATCHES = 20


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
