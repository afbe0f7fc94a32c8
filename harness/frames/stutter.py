"""Stutter and long frames: frames that are long beside their neighbours.

Frame ``i`` stutters when ``frametime_ms[i] > multiple × median(frametime_ms[i-h … i+h])``: its own time
against the median of itself and the ``h`` frames on either side (at the ends of the series, of those that
exist). A local median follows changes of scene, which a median over the whole run would call stutter.
No standard fixes multiple or width; both are stated with the result (common practice, no source).

A *long frame* (:func:`long_frames`) is what nobody overlooks, such as a shader being compiled: the rule is
coarser, has no setting, and never changes what counts as stutter.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

MULTIPLE = 2.0
HALF_WIDTH_FRAMES = 30
_FEW = 0.01  # so few frames are looked at one by one without a closer choice
_GATHER_ELEMENTS = 1 << 22


def stutter_mask(
    frametime_ms: NDArray[np.float64],
    multiple: float = MULTIPLE,
    half_width: int = HALF_WIDTH_FRAMES,
) -> NDArray[np.bool_]:
    """Which frames stutter, by the module's definition, exactly.

    Args:
        frametime_ms: 1-D, positive, ms.
        multiple: Above 1.
        half_width: Frames on either side, at least 1.
    """
    mask = np.zeros(len(frametime_ms), bool)
    mask[stutter_places(frametime_ms, multiple, half_width)] = True
    return mask


def stutter_places(
    frametime_ms: NDArray[np.float64],
    multiple: float = MULTIPLE,
    half_width: int = HALF_WIDTH_FRAMES,
    ahead: int = 0,
    behind: int = 0,
) -> NDArray[np.int64]:
    """Places of the stuttering frames, ascending.

    A median needs to be looked at only where a frame exceeds ``multiple`` times the least frame time
    around it, which few do.

    Args:
        ahead: Leading frames that are there only as neighbours and are not judged themselves.
        behind: Trailing ones.
    """
    if multiple <= 1 or half_width < 1:
        raise ValueError(f"multiple must exceed 1 and half_width be at least 1, got {multiple}, {half_width}")
    count = len(frametime_ms)
    first, last = ahead, count - behind
    if last <= first:
        return np.empty(0, np.int64)
    candidates = _candidates(frametime_ms, multiple, half_width)
    candidates = candidates[(candidates >= first) & (candidates < last)]
    inner = candidates[(candidates >= half_width) & (candidates < count - half_width)]
    outer = candidates[(candidates < half_width) | (candidates >= count - half_width)]
    found = [_inner_stutters(frametime_ms, inner, multiple, half_width)]
    at_ends = [
        place
        for place in outer
        if frametime_ms[place] > multiple * local_median_ms(frametime_ms, int(place), half_width)
    ]
    found.append(np.array(at_ends, np.int64))
    return np.sort(np.concatenate(found))


def local_median_ms(
    frametime_ms: NDArray[np.float64], place: int, half_width: int = HALF_WIDTH_FRAMES
) -> float:
    """Median of the frame at ``place`` and the ``half_width`` frames on either side that exist, ms."""
    return float(np.median(frametime_ms[max(0, place - half_width) : place + half_width + 1]))


def _candidates(frametime_ms: NDArray[np.float64], multiple: float, half_width: int) -> NDArray[np.int64]:
    """Frames above ``multiple`` times the least frame time of all, or of the blocks around them."""
    far = np.flatnonzero(frametime_ms > multiple * frametime_ms.min())
    if len(far) <= _FEW * len(frametime_ms):
        return far
    block = half_width
    whole = len(frametime_ms) // block * block
    if whole < block * 3:
        return np.flatnonzero(frametime_ms > multiple * frametime_ms.min())
    rows = frametime_ms[:whole].reshape(-1, block)
    least = rows.min(axis=1)
    rest_least = float(frametime_ms[whole:].min()) if whole < len(frametime_ms) else np.inf
    around = least.copy()
    np.minimum(around[1:], least[:-1], out=around[1:])
    np.minimum(around[:-1], least[1:], out=around[:-1])
    around[-1] = min(around[-1], rest_least)
    suspect_blocks = np.flatnonzero(rows.max(axis=1) > multiple * around)
    suspects = rows[suspect_blocks] > multiple * around[suspect_blocks, None]
    block_of, place_of = np.nonzero(suspects)
    found = suspect_blocks[block_of] * block + place_of
    tail = np.arange(whole, len(frametime_ms))
    tail = tail[frametime_ms[whole:] > multiple * min(float(least[-2:].min()), rest_least)]
    return np.concatenate((found, tail))


def _inner_stutters(
    frametime_ms: NDArray[np.float64], places: NDArray[np.int64], multiple: float, half_width: int
) -> NDArray[np.int64]:
    """Those of ``places`` (full neighbourhoods) that stutter.

    ``multiple × median < x`` holds exactly when more than half of the neighbourhood satisfies
    ``multiple × value < x``, so counting replaces sorting.
    """
    if not len(places):
        return places
    neighbourhoods = np.lib.stride_tricks.sliding_window_view(frametime_ms, 2 * half_width + 1)
    step = max(1, _GATHER_ELEMENTS // (2 * half_width + 1))
    kept = []
    for begin in range(0, len(places), step):
        some = places[begin : begin + step]
        below = multiple * neighbourhoods[some - half_width] < frametime_ms[some, None]
        kept.append(some[np.count_nonzero(below, axis=1) > half_width])
    return np.concatenate(kept)


def long_frames(frametime_ms: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Frames over three times their local median (common practice, no source) and 15 ms longer than it."""
    long = np.zeros(frametime_ms.size, dtype=np.bool_)
    for place in stutter_places(frametime_ms, 3.0):
        long[place] = frametime_ms[place] > local_median_ms(frametime_ms, int(place)) + 15
    return long
