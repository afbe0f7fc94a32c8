"""Whether a column mapped as the interval could hold frame rates instead. Pure.

A column alone tells no 40 ms from 40 frames a second. Where a clock or the length of the run is known, the
sum decides; elsewhere the shape hints (frame times stray upwards, rates downwards) and a person decides.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from harness.frames.mapping import ColumnMapping

#: Numbers that may be a usual frame rate, 1/s (common practice, no source).
RATES = (20.0, 500.0)
#: One side strays farther than the other where its reach is so many times as long (chosen here, no source).
_LONGER = 1.5
#: Fewer rows have no shape.
_LEAST_ROWS = 100


def strays(values: NDArray[np.float64]) -> int:
    """1: the outlying values lie above, as with frame times; -1: below, as with rates; 0: on both sides."""
    low, middle, high = (float(value) for value in np.percentile(values, (0.5, 50, 99.5)))
    if high - middle > _LONGER * (middle - low):
        return 1
    return -1 if middle - low > _LONGER * (high - middle) else 0


def could_be_rates(values: NDArray[np.float64], *, only_downwards: bool = False) -> bool:
    """Whether the numbers, as they stand in the file, have the size of frame rates and stray as these do.

    Args:
        values: Positive.
        only_downwards: Whether they must stray downwards; else it is enough that they don't stray upwards.
    """
    if values.size < _LEAST_ROWS or not RATES[0] <= float(np.median(values)) <= RATES[1]:
        return False
    return strays(values) < (0 if only_downwards else 1)


def rate_doubt(
    mapping: ColumnMapping, frametime_ms: NDArray[np.float64], *, only_downwards: bool = False
) -> list[str]:
    """The doubt as a sentence; none where a time column or the numbers settle it.

    Args:
        mapping: By which the log was read.
        frametime_ms: What its intervals were read as, positive, ms.
        only_downwards: See :func:`could_be_rates`.
    """
    if mapping.interval_column is None or mapping.time_column is not None:
        return []
    values = frametime_ms * (mapping.interval_scale.units_per_s / 1e3)
    if not could_be_rates(values, only_downwards=only_downwards):
        return []
    as_rates = values.size / float(np.sum(1 / values))
    as_intervals = 1000 / float(np.mean(frametime_ms))
    return [
        f"nothing shows whether column {mapping.interval_column!r} holds frame times ({as_intervals:.1f} "
        f"frames a second on average) or frame rates ({as_rates:.1f}, if each row is one frame); compare "
        "with what you saw, or map a time column"
    ]
