"""A title's passes of the same scenes, told apart: which of them were still compiling shaders? Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from harness.conditions.change_points import Array, thinned_out
from harness.frames.stutter import long_frames

#: How far a pass may reach over the window's edge, s: starts are seen this late at most.
_EDGE_S = 0.5


@dataclass(frozen=True)
class Pass:
    """One whole pass that the frame log covers.

    Attributes:
        number: From 1, counted from the title's start.
        seconds: Its length.
        average_fps: Frames / length.
        long_frames: Long frames in it, as :func:`harness.frames.stutter.long_frames` tells them.
        measured: It lies inside the window.
    """

    number: int
    seconds: float
    average_fps: float
    long_frames: int
    measured: bool


def passes_of(
    t_s: Array, frametime_ms: Array, starts_s: Sequence[float], measured_s: float
) -> tuple[Pass, ...]:
    """Whole passes of a run.

    Args:
        t_s: Ends of all frames of the log, s from the window's start, rising.
        frametime_ms: Their frame times.
        starts_s: Starts of the passes, from the first, on the same clock.
        measured_s: Length of the window.
    """
    if t_s.size < 2:
        return ()
    long = long_frames(frametime_ms)
    begins_s, ends_s = float(t_s[0]) - float(frametime_ms[0]) / 1000, float(t_s[-1])
    found = []
    for number, (start_s, end_s) in enumerate(pairwise(starts_s), start=1):
        if start_s < begins_s - _EDGE_S or end_s > ends_s + _EDGE_S:
            continue
        if end_s <= start_s:  # several ended between two looks: when each of them did is not known
            continue
        part = slice(*np.searchsorted(t_s, [start_s, end_s]).tolist())
        measured = start_s >= -_EDGE_S and end_s <= measured_s + _EDGE_S
        length_s, frames = end_s - start_s, part.stop - part.start
        found.append(Pass(number, length_s, frames / length_s, int(long[part].sum()), measured))
    return tuple(found)


def still_compiling(passes: Sequence[Pass]) -> tuple[Pass, ...]:
    """The leading passes, each with far more long frames than the steady ones at the end; empty without any.

    A burst in the middle of a run is no compilation: that is over once it is over.
    """
    for first_steady in range(len(passes) - 1, 0, -1):
        if _busier(passes[first_steady - 1], passes[first_steady:]):
            leading = tuple(passes[:first_steady])
            return leading if all(_busier(one, passes[first_steady:]) for one in leading) else ()
    return ()


def _busier(one: Pass, steady: Sequence[Pass]) -> bool:
    seconds = sum(other.seconds for other in steady)
    return thinned_out(
        one.long_frames, sum(other.long_frames for other in steady), one.seconds / (one.seconds + seconds)
    )


@dataclass(frozen=True)
class Compilation:
    """Shader compilation inside a window: stutters that thin out.

    Attributes:
        until_s: Time by which nine in ten of the early stutters had come, from the window's start.
        stutters: Stutters in the first half.
        later: Stutters in the second half.
    """

    until_s: float
    stutters: int
    later: int


def find_compilation(frametime_ms: Array) -> Compilation | None:
    """Tell a window in which shaders were still being compiled: far more long frames in its first half."""
    if frametime_ms.size < 200:
        return None
    ends_s = np.cumsum(frametime_ms) / 1000
    at_s = ends_s[long_frames(frametime_ms)]
    early = at_s[at_s < ends_s[-1] / 2]
    later = at_s.size - early.size
    if not thinned_out(early.size, later, 0.5):
        return None
    return Compilation(float(np.quantile(early, 0.9)), int(early.size), int(later))
