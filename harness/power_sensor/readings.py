"""What was read of one source while the loads ran, and what a source of a model would have said. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from harness.power_sensor.course import Array, Course
from harness.power_sensor.model import SourceKind, SourceModel


@dataclass(frozen=True)
class Recorded:
    """New values of one source.

    Attributes:
        name, kind, quantity, source: As in :class:`harness.power_sensor.model.SourceModel`.
        seen_s: When each new value was first seen, on the rig's clock, s, 1-D.
        before_s: When the one before it was last seen; a new value came between the two.
        value: W, or J of a counter; same shape.
        read_s: How long one read takes, s, median.
    """

    name: str
    kind: SourceKind
    quantity: str
    source: str
    seen_s: Array
    before_s: Array
    value: Array
    read_s: float = 0.0

    def within(self, from_s: float, until_s: float) -> Recorded:
        """The values seen in a stretch of time."""
        inside = (self.seen_s >= from_s) & (self.seen_s <= until_s)
        return replace(
            self, seen_s=self.seen_s[inside], before_s=self.before_s[inside], value=self.value[inside]
        )


def would_say(
    source: SourceModel,
    course: Course,
    from_s: float,
    until_s: float,
    off_w: float,
    on_w: float,
    phase: float,
) -> tuple[Array, Array]:
    """When a source would have published in a stretch of time, and what.

    Args:
        source: Its model.
        course: The loads.
        from_s: Begin of the stretch, s.
        until_s: Its end.
        off_w: Power without load.
        on_w: Power under load.
        phase: Of its looks, as a share of their rhythm (of its refresh where it sees all).

    Returns:
        Times of appearance, s, and values: W, or J of a counter that begins at 0. Both 1-D.
    """
    step_s = source.rhythm_s or source.refresh_s
    weights = np.asarray(source.weights or (1.0,)) * max(1, len(source.weights))
    lead_s = source.span_s + abs(source.delay_s) + 2 * source.refresh_s
    count = max(1, round(source.span_s / step_s))
    refreshes = np.arange(from_s + phase * step_s, until_s, source.refresh_s)
    # So that the looks of the first value lie evenly about the middle of what it averages:
    first_s = from_s + phase * step_s - source.delay_s + (count - 1) / 2 * step_s
    before = math.ceil((first_s - from_s + lead_s) / step_s)
    looks_s = np.arange(first_s - before * step_s, until_s + lead_s, step_s)
    width_s = source.look_s if source.rhythm_s is not None else step_s
    seen = course.table(1e-4, source.lag_s).share(looks_s, width_s)
    weight = weights[::-1][np.arange(len(looks_s)) % len(weights)]
    power_w = off_w + (on_w - off_w) * seen
    middle_s = refreshes - source.delay_s
    total = np.concatenate((np.zeros(1), np.cumsum(power_w * weight) * step_s))
    if source.kind == "counter":
        until = np.searchsorted(looks_s, middle_s + source.refresh_s / 2, side="right")
        return refreshes, total[until] - total[until[0]]
    until = np.searchsorted(looks_s, middle_s + count * step_s / 2, side="right")
    whole = np.cumsum(np.concatenate((np.zeros(1), power_w)))
    return refreshes, (whole[until] - whole[until - count]) / count
