"""The error that a repeat's own frames leave in its mean, apart from the scenes that every repeat shows.

A title's scenes are heavy and light by turns. That is no error: every repeat has the same course. So the
frame times are averaged in short bins, the mean course of the repeats of a cell is taken off, and what is
left says how far a repeat's mean is open; its autocorrelation counts, as neighbouring bins are alike. Without
a second repeat there is no course to take off, and nothing is said.

Source: two-way analysis of variance without interaction; the variance of a mean of first-order autoregressive
values is (1 + r) / (1 - r) times that of independent ones (any text on time series).
"""

from __future__ import annotations

import numpy as np

from harness.analysis.estimate import Array

#: Bins that a window is cut into at most; each 1 s long at least.
_BINS = 60
_LEAST_BINS = 10


def course(t_s: Array, frametime_ms: Array) -> Array:
    """Mean frame time in bins of one run, as logarithms; empty where the window is shorter than ten bins.

    Args:
        t_s: End of each frame from the window's start, s, shape (n,).
        frametime_ms: Its length, shape (n,).
    """
    length_s = float(t_s[-1]) if t_s.size else 0.0
    bins = min(_BINS, int(length_s))
    if bins < _LEAST_BINS:
        return np.empty(0)
    place = np.minimum((np.maximum(t_s, 0) / length_s * bins).astype(int), bins - 1)
    counts = np.bincount(place, minlength=bins)
    if not counts.all():
        return np.empty(0)
    return np.asarray(np.log(np.bincount(place, weights=frametime_ms, minlength=bins) / counts))


def within_variance(courses: Array) -> float:
    """Variance that the frames leave in the mean of one repeat, of its logarithm; NaN for one repeat.

    Args:
        courses: Shape (repeats, bins).
    """
    repeats, bins = courses.shape
    if repeats < 2 or bins < _LEAST_BINS:
        return float("nan")
    left = courses - courses.mean(axis=0) - courses.mean(axis=1, keepdims=True) + courses.mean()
    squares = float((left**2).sum())
    if squares == 0:
        return 0.0
    alike = float((left[:, 1:] * left[:, :-1]).sum()) / squares
    alike = min(max(alike + 1 / bins, 0.0), 0.95)  # residuals of a mean lean to a negative correlation
    return float(squares / ((repeats - 1) * (bins - 1)) / bins * (1 + alike) / (1 - alike))
