"""What the sources said on each rung of the ladder, against what the model lets expect. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from harness.power_sensor.course import Array, Course
from harness.power_sensor.model import PowerSensorModel, Rung, SourceModel
from harness.power_sensor.program import Stretch
from harness.power_sensor.readings import Recorded
from harness.power_sensor.rhythm import rhythm_error

#: Of each rung's begin, left out: sources are late, and the load finds its pace.
_SETTLE_S = 0.25
#: What a source tells begins and ends somewhere in the rung: lengths that are tried, as shares of it.
_WINDOWS = (1.0, 0.85, 0.72)
_FEWEST_VALUES, _FEWEST_LOADS = 3, 4
#: Without so many values free of the rhythm, over so wide a range of duties, nothing is called an error.
_FEWEST_FREE, _LEAST_DUTIES = 6, 0.1
#: A rung counts as free of the rhythm where the model lets no source be off by more, as a share of the swing.
_FREE = 0.01


def measured_rungs(
    model: PowerSensorModel,
    stretches: Sequence[Stretch],
    began_s: float,
    course: Course,
    recorded: Sequence[Recorded],
) -> tuple[Rung, ...]:
    """One rung a stretch with a rate: what was achieved, said and to be expected.

    Args:
        model: Of the card, from the first program.
        stretches: Of the second program.
        began_s: Its begin on the rig's clock.
        course: Its loads as they were.
        recorded: What the sources said meanwhile.
    """
    found: list[Rung] = []
    seen: list[dict[str, _Mean]] = []
    sources = {one.name: one for one in model.sources}
    for stretch in stretches:
        if stretch.rate_hz == 0:
            continue
        from_s, until_s = began_s + stretch.begin_s + _SETTLE_S, began_s + stretch.end_s
        loads = course.within(from_s, until_s)
        if loads is None or len(loads.begin_s) < _FEWEST_LOADS:
            continue
        means = {
            one.name: mean
            for one in recorded
            if one.name in sources
            and (mean := _mean_of(one, sources[one.name], course, from_s, until_s)) is not None
        }
        steps_s = np.diff(loads.begin_s)
        duty = float(course.share(float(loads.begin_s[0]), float(loads.begin_s[-1])))
        share = min(1.0, max(0.01, duty))
        expected = [
            rhythm_error(model, frametimes_ms=steps_s * 1e3, duty=share, window_s=length_s)
            for length_s in (part * (until_s - from_s) for part in _WINDOWS)
        ]
        seen.append(means)
        found.append(
            Rung(
                kind="locked" if stretch.name == "locked" else "ladder",
                asked_hz=stretch.rate_hz,
                rate_hz=float(1 / steps_s.mean()),
                jitter=float(np.std(steps_s) / steps_s.mean()),
                duty=duty,
                seconds=until_s - from_s,
                mean_w={name: mean.power_w for name, mean in means.items()},
                bound={name: max(each[name].swing_bound for each in expected) for name in sources},
            )
        )
    return _with_errors(found, seen)


class _Mean(NamedTuple):
    """Mean power that a source told, and the share under load in the very time that it tells of."""

    power_w: float
    duty: float


def _mean_of(
    one: Recorded, source: SourceModel, course: Course, from_s: float, until_s: float
) -> _Mean | None:
    """What a source told of a stretch of time; None where that is too little."""
    # What a value averages must lie in the stretch.
    half_s = max(source.span_s, source.refresh_s) / 2
    mine = one.within(from_s + source.delay_s + half_s, until_s + source.delay_s - half_s)
    if len(mine.value) < _FEWEST_VALUES:
        return None
    at_s = (mine.seen_s + mine.before_s) / 2 - source.delay_s
    if one.kind == "counter":
        power_w = float((mine.value[-1] - mine.value[0]) / (at_s[-1] - at_s[0]))
        return _Mean(power_w, float(course.share(float(at_s[0]) + half_s, float(at_s[-1]) + half_s)))
    duty = float(course.share(float(at_s[0]) - half_s, float(at_s[-1]) + half_s))
    return _Mean(float(mine.value.mean()), duty)


def _with_errors(rungs: Sequence[Rung], seen: Sequence[Mapping[str, _Mean]]) -> tuple[Rung, ...]:
    """The same with each source's error against the line of power over duty that free rungs agree on."""
    free = [
        mean
        for rung, means in zip(rungs, seen, strict=True)
        for name, mean in means.items()
        if rung.bound.get(name, 1.0) < _FREE
    ]
    if len(free) < _FEWEST_FREE or float(np.ptp([mean.duty for mean in free])) < _LEAST_DUTIES:
        return tuple(rungs)
    swing_w, off_w = _line(np.asarray([m.duty for m in free]), np.asarray([m.power_w for m in free]))
    if swing_w <= 0:
        return tuple(rungs)
    return tuple(
        rung.model_copy(
            update={"error": {n: (m.power_w - off_w - swing_w * m.duty) / swing_w for n, m in means.items()}}
        )
        for rung, means in zip(rungs, seen, strict=True)
    )


def _line(duties: Array, means: Array) -> tuple[float, float]:
    """Slope and level of a line through most of the points (far ones left out three times)."""
    keep = np.ones(len(duties), bool)
    for _ in range(3):
        swing_w, off_w = np.polyfit(duties[keep], means[keep], 1)
        rest = np.abs(means - off_w - swing_w * duties)
        keep = rest <= 3 * 1.4826 * np.median(rest[keep]) + 1e-6
    return float(swing_w), float(off_w)


def worst_errors(rungs: Sequence[Rung]) -> Mapping[str, float]:
    """Largest error of each source over all rungs, as a share of the swing."""
    worst: dict[str, float] = {}
    for rung in rungs:
        for name, error in rung.error.items():
            worst[name] = max(worst.get(name, 0.0), abs(error))
    return worst
