"""Long traces made short without hiding anything: smallest and largest value of each bucket are kept."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Envelope:
    """A trace in equal buckets of its horizontal axis.

    Attributes:
        x: Bucket centres, 1-D; buckets without a sample are left out.
        low: Smallest value in each bucket.
        high: Largest value in each bucket.
        mean: Mean value in each bucket.
        samples: Samples that went in.
    """

    x: Floats
    low: Floats
    high: Floats
    mean: Floats
    samples: int


def envelope(x: Floats, y: Floats, buckets: int, x_range: tuple[float, float] | None = None) -> Envelope:
    """Reduce a trace to at most ``buckets`` buckets, extremes kept.

    Args:
        x: 1-D, rising, any unit.
        y: 1-D, as long as ``x``; NaN is a missing sample and is left out.
        buckets: At least 1; about one for each pixel of the drawing's width.
        x_range: Range that the buckets span; None for the trace's own.
    Raises:
        ValueError: Shapes differ, or ``buckets`` is below 1.
    """
    if x.shape != y.shape or x.ndim != 1:
        raise ValueError(f"x and y must be 1-D and equally long, got {x.shape} and {y.shape}")
    if buckets < 1:
        raise ValueError(f"buckets must be at least 1, got {buckets}")
    keep = np.isfinite(x) & np.isfinite(y)
    x, y = x[keep], y[keep]
    if x.size == 0:
        empty = np.empty(0)
        return Envelope(empty, empty, empty, empty, 0)
    start, end = x_range or (float(x[0]), float(x[-1]))
    width = float(end - start) / buckets or 1.0
    place = np.clip(((x - start) / width).astype(np.int64), 0, buckets - 1)
    firsts = np.flatnonzero(np.r_[True, np.diff(place) != 0])
    counts = np.diff(np.r_[firsts, x.size])
    return Envelope(
        x=np.asarray(start + (place[firsts] + 0.5) * width, dtype=np.float64),
        low=np.minimum.reduceat(y, firsts),
        high=np.maximum.reduceat(y, firsts),
        mean=np.add.reduceat(y, firsts) / counts,
        samples=int(x.size),
    )


def exceedance(values: Floats, points: int = 240) -> tuple[Floats, Floats]:
    """Share of values that are larger than each of a set of levels, in %; equal values are not larger.

    The levels are the values at ``points`` ranks spaced evenly in the logarithm of the share, so the rare
    end keeps its detail; smallest and largest value are among them.

    Args:
        values: 1-D, finite.
    Returns:
        Levels (ascending, in the unit of ``values``) and the share above each in %.
    """
    if values.size == 0:
        return np.empty(0), np.empty(0)
    ordered = np.sort(values)
    n = ordered.size
    ranks = np.unique(np.r_[0, np.geomspace(1, n, points).astype(np.int64) - 1, n - 1])
    levels = np.unique(ordered[n - 1 - ranks])
    return levels, 100.0 * (n - np.searchsorted(ordered, levels, side="right")) / n
