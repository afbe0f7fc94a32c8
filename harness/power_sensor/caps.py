"""Whether a capped frame rate meets the rhythm by which a card looks at its power, and which do not. Pure."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from harness.power_sensor.model import PowerSensorModel, SourceModel
from harness.power_sensor.rhythm import RhythmError, rhythm_error

#: The window of a title whose length the plan leaves to its end, s.
USUAL_WINDOW_S: Final = 60.0
#: Largest error, as a share of the mean power, from which on it is said. Before the night a title's duty is
#: not known, and the worst of several is taken.
WORTH_SAYING: Final = 0.02
_FARTHEST: Final = 0.25
#: A window beyond this tells no more of a cap's rhythm than its uncertainty lets, and takes long to work out.
LOOKED_AT_S: Final = 8.0


def met_by(
    model: PowerSensorModel, cap_fps: float, window_s: float | None
) -> list[tuple[SourceModel, RhythmError]]:
    """The sources whose rhythm a title at that cap meets, the one that is off the most first.

    Args:
        model: Of the card.
        cap_fps: Frames a second that the title is held to.
        window_s: Length of its window; None: until it ends.
    """
    errors = rhythm_error(model, rate_hz=cap_fps, window_s=window_s or USUAL_WINDOW_S)
    found = [(s, errors[s.name]) for s in model.sources if errors[s.name].relative_bound > WORTH_SAYING]
    return sorted(found, key=lambda one: -one[1].relative_bound)


def other_caps(
    model: PowerSensorModel, cap_fps: float, window_s: float | None, sources: list[SourceModel]
) -> list[int]:
    """The nearest whole caps below and above that meet the rhythm of none of these sources; up to two."""
    only = model.model_copy(update={"sources": tuple(sources)})
    looked_at_s = min(window_s or USUAL_WINDOW_S, LOOKED_AT_S)
    steps = max(2, round(_FARTHEST * cap_fps)) - 1
    return nearest(round(cap_fps), steps, lambda other: not met_by(only, other, looked_at_s))


def nearest(rate: int, steps: int, suffices: Callable[[int], bool]) -> list[int]:
    """The nearest whole rates below and above that suffice, at most so many steps away; up to two."""
    sides = (range(rate - 1, max(0, rate - steps - 1), -1), range(rate + 1, rate + steps + 1))
    found = (next(filter(suffices, side), None) for side in sides)
    return [one for one in found if one is not None]
