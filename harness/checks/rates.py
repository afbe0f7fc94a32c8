"""The rates at which displays refresh and limiters cap."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: Common practice, no source; 1/s.
COMMON_RATES = (
    *(24, 25, 30, 40, 48, 50, 60, 72, 75, 85, 90, 100, 120, 144, 160, 165, 170, 175, 180),
    *(200, 240, 280, 300, 360, 480, 500, 540),
)
#: How far a display's or limiter's own rate is from the common one, as a share (59.94 for 60).
RATE_WITHIN = 0.002
#: The same as rounded to 0.001 ms.
EXACTLY_WITHIN = 1e-4


def nearest_rate(frametime_ms: float) -> int | None:
    """The common rate whose interval this frame time is; None for none."""
    rate = min(COMMON_RATES, key=lambda rate: abs(frametime_ms * rate / 1000 - 1))
    return rate if abs(frametime_ms * rate / 1000 - 1) <= RATE_WITHIN else None


def paced(frametime_ms: NDArray[np.float64], within: float) -> NDArray[np.bool_]:
    """Frame times that are the interval of a common rate, within this share of it."""
    found: NDArray[np.bool_] = np.zeros(frametime_ms.shape, bool)
    for rate in COMMON_RATES:
        found |= np.abs(frametime_ms * (rate / 1000) - 1) <= within
    return found
