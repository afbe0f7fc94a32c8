"""Has a series settled, and when? Warm-up truncation, change points, events that thin out. Pure.

Sources: MSER-5, K. P. White, Simulation 69(6), 323-334, 1997. PELT, R. Killick, P. Fearnhead, I. A. Eckley,
J. Am. Stat. Assoc. 107, 1590-1598, 2012.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtrc

Array = NDArray[np.float64]

_BATCH = 5
_LEAST_OVERLAP = 20
_APART = 3


@dataclass(frozen=True)
class Truncation:
    """Result of MSER-5.

    Attributes:
        drop: Values to drop at the start.
        settled: False where the best point lies at the end of the searched half: no steady part was seen.
    """

    drop: int
    settled: bool


def mser5(values: Array) -> Truncation:
    """Warm-up length of a series by MSER-5.

    Averages batches of 5 and drops d batches so that sum((z_i - mean)^2) / (m - d)^2 over the rest is
    smallest; searches the first half only.

    Raises:
        ValueError: Fewer than 4 batches.
    """
    count = values.size // _BATCH
    if count < 4:
        raise ValueError(f"MSER-5 needs at least {4 * _BATCH} values, got {values.size}")
    means = values[: count * _BATCH].reshape(count, _BATCH).mean(axis=1)
    last = count // 2
    scores = [
        float(((rest := means[d:]) - rest.mean()) @ (rest - rest.mean())) / rest.size**2
        for d in range(last + 1)
    ]
    best = int(np.argmin(scores))
    return Truncation(best * _BATCH, best < last)


def change_points(values: Array, penalty: float, least: int = 2) -> list[int]:
    """Indices at which the mean of a series changes, by PELT with squared error; the end is left out.

    Args:
        values: Shape (n,).
        penalty: Price of one more change, in units of the squared error.
        least: Shortest segment. A start that is beaten at some end is given up only where the segment behind
            that end may be so short; without that wait the optimum would not be exact.
    """
    size = values.size
    if size < 2 * least:
        return []
    centred = values - values.mean()  # sums of squares lose less to rounding
    sums = np.concatenate(([0.0], np.cumsum(centred)))
    squares = np.concatenate(([0.0], np.cumsum(centred**2)))
    best, came_from = np.zeros(size + 1), np.zeros(size + 1, dtype=np.intp)
    best[0] = -penalty
    given_up_at = np.full(size + 1, size + 1)
    starts = np.array([0])
    for end in range(least, size + 1):
        if end >= 2 * least:
            starts = np.append(starts, end - least)
        starts = starts[given_up_at[starts] > end]
        spreads = squares[end] - squares[starts] - (sums[end] - sums[starts]) ** 2 / (end - starts)
        reached = best[starts] + spreads
        chosen = int(np.argmin(reached))
        best[end], came_from[end] = reached[chosen] + penalty, starts[chosen]
        beaten = starts[reached > best[end]]
        given_up_at[beaten] = np.minimum(given_up_at[beaten], end + least)
    found: list[int] = []
    index = int(came_from[size])
    while index > 0:
        found.append(index)
        index = int(came_from[index])
    return found[::-1]


@dataclass(frozen=True)
class Step:
    """A lasting change of level: index where it lies, and its size as a fraction of the level before."""

    index: int
    size: float


def largest_step(log_values: Array, least: int) -> Step | None:
    """Largest lasting step of a series of logarithms; None where it has none.

    The price of a change is 2 sigma^2 ln n (the usual Bayesian criterion, with its factor) times the
    shortest segment, as if values were correlated over that length; sigma is told from differences, which a
    step hardly touches, or from what a running median leaves, whichever is wider.
    """
    differences = np.diff(log_values)
    if log_values.size < 2 * least:
        return None
    spread = 1.4826 * float(np.median(np.abs(differences))) / math.sqrt(2)
    residual = log_values - _running_median(log_values, least)
    wide = max(spread, float(np.sqrt(np.mean(residual**2))), 1e-6)
    cuts = [
        0,
        *change_points(log_values, 2 * wide**2 * math.log(log_values.size) * least, least),
        log_values.size,
    ]
    levels = [float(np.median(log_values[a:b])) for a, b in pairwise(cuts)]
    steps = [Step(cuts[i + 1], math.expm1(levels[i + 1] - levels[i])) for i in range(len(levels) - 1)]
    return max(steps, key=lambda step: abs(step.size), default=None)


def _running_median(values: Array, width: int) -> Array:
    padded = np.pad(values, width // 2, mode="edge")
    views = np.lib.stride_tricks.sliding_window_view(padded, width // 2 * 2 + 1)
    medians: Array = np.median(views, axis=1)
    return medians


def against(course: Array, other: Array, longest_lag: int) -> Array | None:
    """Logarithm of a course over another of the same content, shifted so that the content lines up.

    Windows begin at different places of a title's scenes; the lag is taken at which the ratio changes least
    over a few seconds (a single step, which is looked for, hardly counts there; scenes that do not line up
    count often). Where the other course is flat there is nothing to line up. None where no lag stands out
    clearly (under 0.7 of the median over all lags): the content is another, or never the same twice.
    """
    ours, theirs = np.log(np.maximum(course, 1e-3)), np.log(np.maximum(other, 1e-3))
    if min(ours.size, theirs.size) < _LEAST_OVERLAP:
        return None
    if _robust_spread(theirs) <= 2 * _robust_spread(np.diff(theirs)) / math.sqrt(2):
        size = min(ours.size, theirs.size)
        flat: Array = ours[:size] - theirs[:size]
        return flat
    ratios: list[Array] = []
    for lag in range(-longest_lag, longest_lag + 1):
        a, b = ours[max(0, lag) :], theirs[max(0, -lag) :]
        size = min(a.size, b.size)
        if size >= max(0.6 * ours.size, _LEAST_OVERLAP):
            ratios.append(a[:size] - b[:size])
    spreads = [float(np.sqrt(np.mean((ratio[_APART:] - ratio[:-_APART]) ** 2))) for ratio in ratios]
    best = int(np.argmin(spreads))
    return ratios[best] if spreads[best] < 0.7 * float(np.median(spreads)) else None


def _robust_spread(values: Array) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def thinned_out(early: int, later: int, early_share: float) -> bool:
    """Whether events became rarer: equal rates are rejected by an exact binomial test at 0.1 %.

    Args:
        early: Events in the early part; fewer than eight say nothing.
        later: Events in the rest.
        early_share: Share of the early part in the whole time.
    """
    if early < 8:
        return False
    return bool(bdtrc(early - 1, early + later, early_share) <= 0.001)  # chance of so many or more
