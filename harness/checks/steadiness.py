"""Was the window steady? Judged on what content can't explain. Returns a sentence, or None."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from harness.checks.evidence import AttemptEvidence, Floats
from harness.checks.passes import find_compilation, still_compiling
from harness.conditions.change_points import against, largest_step, mser5
from harness.frames.metrics import per_second_fps
from harness.numerals import signed
from harness.plan.checks_table import Checks

_LEAST_S = 8
#: Other repeats below which nothing is called far, and the smallest deviation, as a share of the level.
LEAST_OTHERS = 3
_LEAST_SCATTER = 0.003


def unsteady(seen: AttemptEvidence, limits: Checks) -> str | None:
    """Frame rate or clock settled or stepped inside the window, or shaders were still compiling.

    A title's frame rate changes with its scenes, so its course is judged against the other repeats of its
    cell, which have the same scenes; where there are none, the core clock is judged by itself.
    """
    limit = limits.unsteady_level_at_most_pct
    if limit is None:
        return None
    compiling = [one for one in still_compiling(seen.passes) if one.measured]
    if compiling:
        word = "pass" if len(compiling) == 1 else "passes"
        numbers = ", ".join(str(one.number) for one in compiling)
        count = sum(one.long_frames for one in compiling)
        return (
            f"shaders were still compiling in {word} {numbers} of the run, inside the window "
            f"({count} long frames); warm up {len(compiling)} {word} longer"
        )
    compilation = find_compilation(seen.frametime_ms)
    if compilation is not None:
        return (
            f"shaders were still compiling: {compilation.stutters} long frames in the window's first half, "
            f"{compilation.later} in its second; warm up {compilation.until_s:.0f} s longer"
        )
    course = per_second_fps(seen.frametime_ms)
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
            settled = f"settled by {signed(100 * rise, 1)} %"
            return f"the {what} {settled} over the first {truncation.drop} s of the window"
    step = largest_step(course, _LEAST_S)
    if step is not None and abs(step.size) > limit:
        return f"the {what} stepped by {signed(100 * step.size, 1)} % {step.index} s into the window"
    return None


def outlier(seen: AttemptEvidence, limits: Checks) -> str | None:
    """The average FPS lies far from the other repeats of its cell. Marks only: nothing is dropped for it."""
    limit = limits.outlier_beyond_deviations
    if limit is None or seen.average_fps is None:
        return None
    distance = deviations(seen.average_fps, seen.other_fps, seen.usual_scatter)
    if distance is None or abs(distance) <= limit:
        return None
    level = float(np.median(seen.other_fps))
    lies = f"lies {signed(distance, 1)} deviations from the other repeats"
    return f"{seen.average_fps:.1f} FPS {lies} ({level:.1f} FPS)"


def deviations(value: float, others: Sequence[float], usual_scatter: float | None = None) -> float | None:
    """Distance of a repeat from the others of its cell, in robust deviations; None with too few others.

    The deviation is that of the others (1.4826 times the median absolute deviation) or the night's usual one,
    whichever is larger: three or four values lie close together by chance often enough, and every further one
    would then seem far. It is at least 0.3 % of the level.

    Args:
        value: Of the repeat that is judged.
        others: Of the other repeats.
        usual_scatter: Median :func:`scatter` of other cells; None where there are none.
    """
    if len(others) < LEAST_OTHERS:
        return None
    level = float(np.median(others))
    deviation = level * max(scatter(others), usual_scatter or 0.0, _LEAST_SCATTER)
    return (value - level) / deviation


def scatter(values: Sequence[float]) -> float:
    """Robust relative deviation of positive values: 1.4826 times the median absolute deviation / median."""
    found = np.asarray(values, dtype=np.float64)
    level = float(np.median(found))
    return 1.4826 * float(np.median(np.abs(found - level))) / level


def usual_scatter(fps: Mapping[str, Sequence[float]], cell_id: str) -> float | None:
    """Median scatter of the cells other than that one, of those with enough repeats; None without any.

    Args:
        fps: cell_id -> average FPS of its repeats.
        cell_id: The cell that is to be judged.
    """
    found = [scatter(v) for other, v in fps.items() if other != cell_id and len(v) >= LEAST_OTHERS]
    return float(np.median(found)) if found else None
