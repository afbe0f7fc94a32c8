"""From values as they were seen to a series of mean powers at the times when they were published. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from harness.power_sensor.course import Array
from harness.power_sensor.readings import Recorded

_FEWEST: Final = 8
#: A source is regular where its values stray from even steps by no more than its own reads explain, and this.
_STRAY_S: Final = 0.001
#: Relative standard uncertainty of the rhythm of a source that slips.
_SLIPS: Final = 5e-4
#: Values of a stretch that is taken to be in step; and how far about the usual step the common one may lie.
_IN_STEP: Final = 150
_AROUND: Final = 0.12
#: Steps within this of the usual one tell its length.
_USUAL: Final = 0.1


@dataclass(frozen=True)
class Published:
    """A series of mean powers.

    Attributes:
        times_s: When each appeared, s, 1-D.
        count: Over how many refreshes each averages, same shape; 1 for a source that tells power.
        values_w: Mean power that it tells, W, same shape.
        refresh_s: From one value to the next.
        refresh_u: Relative standard uncertainty of that.
        regular: They appear at even steps, so that their times are known better than each was seen.
        adds_up: They are differences of a counter.
    """

    times_s: Array
    count: NDArray[np.int64]
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
            count=self.count[inside],
            values_w=self.values_w[inside],
        )


def published(recorded: Recorded) -> Published | None:
    """The series; None where too few values came."""
    if len(recorded.value) < _FEWEST:
        return None
    seen_s = (recorded.seen_s + recorded.before_s) / 2
    steps_s = np.diff(seen_s)
    usual_s = _usual_step(steps_s)
    if usual_s <= 0:
        return None
    refresh_s, begin_s, number = _even_steps(seen_s, usual_s)
    off_s = seen_s - begin_s - refresh_s * number
    spread_s = float(1.4826 * np.median(np.abs(off_s - np.median(off_s))))
    gap_s = float(np.median(recorded.seen_s - recorded.before_s))
    regular = spread_s <= max(_STRAY_S, 0.5 * gap_s)
    spacing = float(np.sqrt(np.sum((number - number.mean()) ** 2)))
    if regular:
        times_s = np.asarray(begin_s + refresh_s * number, np.float64)
        uncertainty = max(float(np.std(off_s)), 1e-5) / spacing / refresh_s
    else:
        times_s = seen_s
        refresh_s = _common_step(seen_s, usual_s)
        uncertainty = _SLIPS
    if recorded.kind != "counter":
        ones = np.ones(len(seen_s), np.int64)
        return Published(times_s, ones, recorded.value, refresh_s, uncertainty, regular, False)
    count = np.diff(number).astype(np.int64)
    gained_w = np.diff(recorded.value) / np.diff(times_s)
    return Published(times_s[1:], count, gained_w, refresh_s, uncertainty, regular, True)


def _usual_step(steps_s: Array) -> float:
    """What most steps are; a value that is like the one before makes one of two."""
    about_s = float(np.median(steps_s))
    short_s = steps_s[steps_s < 1.5 * about_s]
    about_s = float(np.median(short_s))
    near_s = steps_s[np.abs(steps_s - about_s) <= _USUAL * about_s]
    return float(np.median(near_s)) if len(near_s) else about_s


def _common_step(seen_s: Array, usual_s: float) -> float:
    """The step on whose multiples most values lie, where some come early or late and it slips now and then.

    The mean resultant length of the times on a circle of that circumference, in stretches short enough for no
    slip in most of them (Rayleigh; Mardia and Jupp, Directional Statistics, 2000, from memory).
    """
    length = min(len(seen_s), _IN_STEP)
    stretches = [seen_s[i : i + length] for i in range(0, len(seen_s) - length + 1, length)]
    fine = 1 / (8 * length)
    steps_s = usual_s * np.arange(1 - _AROUND, 1 + _AROUND, fine)
    together = sum(np.abs(np.exp(2j * np.pi * one[:, None] / steps_s).mean(axis=0)) for one in stretches)
    return float(steps_s[int(np.argmax(together))])


def _even_steps(seen_s: Array, usual_s: float) -> tuple[float, float, NDArray[np.int64]]:
    """Step, begin and number of each value of the even series that fits best."""
    # From value to value first, as a step that is wrong by a little adds up over many:
    number = np.concatenate((np.zeros(1), np.cumsum(np.maximum(1, np.rint(np.diff(seen_s) / usual_s)))))
    step_s, begin_s = np.polyfit(number, seen_s, 1)
    for _ in range(3):
        off_s = seen_s - begin_s - step_s * number
        keep = np.abs(off_s) <= 3 * 1.4826 * np.median(np.abs(off_s - np.median(off_s))) + 1e-4
        if keep.sum() < _FEWEST:
            break
        step_s, begin_s = np.polyfit(number[keep], seen_s[keep], 1)
    return float(step_s), float(begin_s), number.astype(np.int64)
