"""Was the window steady? Judged on what content can't explain. Returns a sentence, or None."""

from __future__ import annotations

import numpy as np

from harness.checks.evidence import AttemptEvidence, Floats
from harness.conditions.settling import against, course_fps, find_compilation, largest_step, mser5
from harness.plan.schema import Checks

_LEAST_S = 8


def unsteady(seen: AttemptEvidence, limits: Checks) -> str | None:
    """Frame rate or clock settled or stepped inside the window, or shaders were still compiled.

    A title's frame rate changes with its scenes, so its course is judged against the other repeats of its
    cell, which have the same scenes; where there are none, the core clock is judged by itself.
    """
    limit = limits.unsteady_level_at_most_pct
    if limit is None:
        return None
    compilation = find_compilation(seen.frametime_ms)
    if compilation is not None:
        return (
            f"shaders were still compiled: {compilation.stutters} long frames in the window's first half, "
            f"{compilation.later} in its second; warm up {compilation.until_s:.0f} s longer"
        )
    course = course_fps(seen.frametime_ms)
    ratios = [
        ratio
        for other in seen.other_courses
        if (ratio := against(course, other, course.size // 3)) is not None
    ]
    if ratios:
        size = min(ratio.size for ratio in ratios)
        return _settling("frame rate", np.median([ratio[:size] for ratio in ratios], axis=0), limit / 100)
    if seen.clock_mhz.size and not seen.other_courses:
        return _settling("core clock", np.log(np.maximum(seen.clock_mhz, 1.0)), limit / 100)
    return None


def _settling(what: str, course: Floats, limit: float) -> str | None:
    """A settling or a step in a course of one value per second (logarithms) that exceeds the limit."""
    if course.size < 4 * _LEAST_S:
        return None
    truncation = mser5(course)
    if truncation.drop:
        rise = float(np.expm1(np.median(course[truncation.drop :]) - np.median(course[: truncation.drop])))
        if abs(rise) > limit:
            return (
                f"the {what} settled by {100 * rise:+.1f} % over the first {truncation.drop} s of the window"
            )
    step = largest_step(course, _LEAST_S)
    if step is not None and abs(step.size) > limit:
        return f"the {what} stepped by {100 * step.size:+.1f} % {step.index} s into the window"
    return None


def outlier(seen: AttemptEvidence, limits: Checks) -> str | None:
    """The average FPS lies far from the other repeats of its cell. Marks only: nothing is dropped for it.

    Distance is measured in robust deviations of the others (1.4826 times the median absolute deviation, at
    least 0.3 % of the level so that a few near-equal repeats do not make every further one an outlier).
    """
    limit, others = limits.outlier_beyond_deviations, np.asarray(seen.other_fps, dtype=np.float64)
    if limit is None or seen.average_fps is None or others.size < 3:
        return None
    level = float(np.median(others))
    deviation = max(1.4826 * float(np.median(np.abs(others - level))), 0.003 * level)
    distance = (seen.average_fps - level) / deviation
    if abs(distance) <= limit:
        return None
    return (
        f"{seen.average_fps:.1f} FPS lies {distance:+.1f} deviations from the other repeats ({level:.1f} FPS)"
    )
