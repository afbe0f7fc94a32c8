"""Which presents make the line of frames: those of the largest swapchain that presents at the time. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

#: A window counts so many of its mean frame times before its first and after its last present.
EDGE_FRAMES: Final = 2
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
#: A window with less than this share of the busiest one's presents counts only where no other presents: one
#: that is large and almost never drawn is no title.
RARE_SHARE: Final = 0.01


@dataclass(frozen=True)
class Line:
    """The presents that count as frames.

    Attributes:
        chosen: Of each present, whether it is in the line.
        windows: Windows that have some in it.
        others: Windows that have none.
    """

    chosen: Mask
    windows: int
    others: int


def line_of_frames(group: Ints, time_ns: Ints, pixels: Ints) -> Line:
    """Choose the presents of the largest window, and of the next largest where that one does not present.

    A window counts from its first present to its last. The largest is that of most pixels, on the mean of its
    presents; of equals the one with more presents.

    Args:
        group: Of each present, the number of its window; 1-D, 0 or more.
        time_ns: When it was presented, ns.
        pixels: Of its swapchain; 0 where unknown.
    """
    chosen = np.zeros(len(group), bool)
    if not len(group):
        return Line(chosen, 0, 0)
    counts = np.bincount(group)
    mean_pixels = np.bincount(group, weights=pixels) / np.maximum(counts, 1)
    rare = counts < RARE_SHARE * counts.max()
    by_group = np.argsort(group, kind="stable")
    ends = np.cumsum(counts)
    covered = np.zeros((0, 2), np.int64)  # apart from each other, in order
    windows = 0
    for number in sorted(np.flatnonzero(counts), key=lambda g: (rare[g], -mean_pixels[g], -counts[g], g)):
        rows = by_group[ends[number] - counts[number] : ends[number]]
        times = time_ns[rows]
        inside = _inside(times, covered)
        chosen[rows[~inside]] = True
        windows += int(not inside.all())
        first, last = int(times.min()), int(times.max())
        margin = EDGE_FRAMES * (last - first) // max(1, len(rows) - 1)
        covered = _with(covered, first - margin, last + margin)
    return Line(chosen, windows, int(np.count_nonzero(counts)) - windows)


def _inside(times: Ints, spans: Ints) -> Mask:
    """Which times lie in a span."""
    if not len(spans):
        return np.zeros(len(times), bool)
    place = np.searchsorted(spans[:, 0], times, side="right") - 1
    inside: Mask = (place >= 0) & (times <= spans[place, 1])
    return inside


def _with(spans: Ints, first: int, last: int) -> Ints:
    """The spans with one more; those that touch it become one."""
    touching = (spans[:, 0] <= last) & (spans[:, 1] >= first)
    if touching.any():
        first, last = min(first, int(spans[touching, 0].min())), max(last, int(spans[touching, 1].max()))
    kept = np.vstack([spans[~touching], np.array([[first, last]], np.int64)])
    return kept[np.argsort(kept[:, 0])]
