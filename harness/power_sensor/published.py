"""From values as they were seen to a series of mean powers at the times when they were published. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from harness.power_sensor.course import Array
from harness.power_sensor.readings import Recorded

_FEWEST: Final = 8
#: Times that lie this much of a refresh off a regular series are not taken for regular.
_REGULAR: Final = 0.2


@dataclass(frozen=True)
class Published:
    """A series of mean powers.

    Attributes:
        times_s: When each appeared, s, 1-D.
        number: How many refreshes after the first, same shape.
        values_w: Mean power that it tells, W, same shape.
        refresh_s: From one to the next.
        refresh_u: Relative standard uncertainty of that.
        regular: They appear at even steps, so that their times are known better than each was seen.
        adds_up: They are differences of a counter.
    """

    times_s: Array
    number: NDArray[np.int64]
    values_w: Array
    refresh_s: float
    refresh_u: float
    regular: bool
    adds_up: bool

    def only(self, inside: NDArray[np.bool_]) -> Published:
        """Some of them."""
        return replace(
            self,
            times_s=self.times_s[inside],
            number=self.number[inside],
            values_w=self.values_w[inside],
        )


def published(recorded: Recorded) -> Published | None:
    """The series; None where too few values came."""
    if len(recorded.value) < _FEWEST:
        return None
    seen_s = (recorded.seen_s + recorded.before_s) / 2
    steps_s = np.diff(seen_s)
    about_s = float(np.median(steps_s))
    # A value that is like the one before is not seen as new: such steps are whole multiples.
    short_s = steps_s[steps_s < 1.5 * about_s]
    about_s = float(np.median(short_s))
    if about_s <= 0:
        return None
    number = np.concatenate((np.zeros(1), np.cumsum(np.maximum(1, np.rint(steps_s / about_s))))).astype(int)
    refresh_s, begin_s = np.polyfit(number, seen_s, 1)
    off_s = seen_s - begin_s - refresh_s * number
    for _ in range(3):
        keep = np.abs(off_s) <= 3 * 1.4826 * np.median(np.abs(off_s - np.median(off_s))) + 1e-4
        if keep.sum() >= _FEWEST:
            refresh_s, begin_s = np.polyfit(number[keep], seen_s[keep], 1)
            off_s = seen_s - begin_s - refresh_s * number
    spread_s = float(1.4826 * np.median(np.abs(off_s - np.median(off_s))))
    regular = spread_s < _REGULAR * refresh_s
    times_s = begin_s + refresh_s * number if regular else seen_s
    spacing = float(np.sqrt(np.sum((number - number.mean()) ** 2)))
    uncertainty = max(float(np.std(off_s)), 1e-5) / spacing / refresh_s
    if recorded.kind != "counter":
        return Published(times_s, number, recorded.value, float(refresh_s), uncertainty, regular, False)
    single = np.diff(number) == 1
    gained_w = np.diff(recorded.value) / np.diff(times_s)
    return Published(
        times_s[1:][single],
        number[1:][single],
        gained_w[single],
        float(refresh_s),
        uncertainty,
        regular,
        True,
    )
