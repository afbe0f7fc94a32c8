"""Means of evenly spaced looks that end at any moment, from one running sum. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from harness.power_sensor.course import Array, WorkTable

_STEP_S = 2e-4
#: Looks' middles are rounded to this share of a look, at best to the step above.
_OF_A_LOOK = 0.08


def comb_means(
    table: WorkTable, rhythm_s: float, look_s: float
) -> Callable[[Array, NDArray[np.int64]], Array]:
    """A function of (middles of the newest looks, s; numbers of looks) that gives the means.

    Args:
        table: Of the load.
        rhythm_s: From look to look.
        look_s: Length of one.
    """
    per_rhythm = max(1, math.ceil(rhythm_s / max(_STEP_S, _OF_A_LOOK * look_s)))
    step_s = rhythm_s / per_rhythm
    begin_s, end_s = table.begin_s, table.end_s
    rows = int((end_s - begin_s) / rhythm_s) + 1
    at_s = np.asarray(begin_s + np.arange(rows * per_rhythm) * step_s, np.float64)
    total = np.cumsum(table.share(at_s, look_s).reshape(rows, per_rhythm), axis=0).ravel()

    def means(newest_s: Array, count: NDArray[np.int64]) -> Array:
        index = np.clip(np.rint((newest_s - begin_s) / step_s).astype(np.int64), 0, len(total) - 1)
        before = np.maximum(index - count * per_rhythm, -1)
        return np.asarray((total[index] - np.where(before >= 0, total[before], 0.0)) / count, np.float64)

    return means
