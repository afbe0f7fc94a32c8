"""What the rhythm of a window's frames does to each source of the card's power that was read in it. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from harness.errors import PlanError
from harness.plan.documents import read_model
from harness.power_sensor.model import PowerSensorModel, SourceModel
from harness.power_sensor.rhythm import RhythmError, rhythm_error

#: Section of a rig's facts that holds the model of its card's power sensors.
FACTS_SECTION: Final = "power_sensor"
#: Largest error, as a share of the mean power, from which on a frame rate counts as on the sensor's rhythm.
ON_RHYTHM: Final = 0.01
#: Share of the time at work from which on a card does not go on and off.
ALWAYS_AT_WORK: Final = 0.995


@dataclass(frozen=True)
class SeenThrough:
    """One quantity of the telemetry, the source behind it, and what the frames do to its mean.

    Attributes:
        bound_w, u_w: How far the mean can be off at most, and its standard uncertainty by that, W.
    """

    quantity: str
    source: SourceModel
    error: RhythmError
    rate_fps: float
    mean_w: float
    bound_w: float
    u_w: float

    @property
    def on_rhythm(self) -> bool:
        """Whether the frame rate sits on the rhythm by which it looks."""
        return self.bound_w > ON_RHYTHM * self.mean_w

    @property
    def sentence(self) -> str:
        """What a reader must know where it is on the rhythm."""
        assert self.source.rhythm_s is not None
        return (
            f"{self.rate_fps:.2f} FPS keep the time by which the {self.source.name} looks (every "
            f"{1000 * self.source.rhythm_s:.1f} ms; both meet at {self.error.load_hz:.0f} Hz): it can be off "
            f"by up to {100 * self.bound_w / self.mean_w:.1f} %, standard uncertainty "
            f"{100 * self.u_w / self.mean_w:.1f} %"
        )


def model_in(facts: Mapping[str, Mapping[str, Any]]) -> PowerSensorModel | None:
    """The model that a rig's facts hold; None for none, or for one that this version can't read."""
    found = facts.get(FACTS_SECTION)
    try:
        return read_model(PowerSensorModel, dict(found), FACTS_SECTION) if found else None
    except PlanError:
        return None


def seen_through(
    model: PowerSensorModel,
    frametime_ms: NDArray[np.float64],
    *,
    window_s: float,
    mean_w: Mapping[str, float],
    sources: Mapping[str, str],
    load_pct: float | None,
) -> dict[str, SeenThrough]:
    """Quantity -> what the rhythm does to it; those that the model knows.

    What the power goes up and down by is not taken from the mean alone, for that may be off itself: it is
    what the model's own load had, or the least that such a mean proves.

    Args:
        model: Of the card.
        frametime_ms: Frame times of the window, in order, shape (n,); at least one.
        window_s: Its length.
        mean_w: Quantity -> mean power by it; those that were read.
        sources: Quantity -> driver's call or file that it was read by, where that is known.
        load_pct: Mean load of the card; None: the worst that could be is taken.
    """
    duty = None if load_pct is None or not load_pct > 0 else min(1.0, load_pct / 100)
    known = {quantity: model.of_quantity(quantity, sources.get(quantity, "")) for quantity in mean_w}
    used = {quantity: source for quantity, source in known.items() if source is not None}
    rate_fps = 1000 * frametime_ms.size / float(frametime_ms.sum())
    none = RhythmError(0.0, 0.0, 0.0)
    if not used or (duty is not None and duty >= ALWAYS_AT_WORK):
        return {q: SeenThrough(q, source, none, rate_fps, mean_w[q], 0.0, 0.0) for q, source in used.items()}
    only = model.model_copy(update={"sources": tuple({one.name: one for one in used.values()}.values())})
    errors = rhythm_error(only, window_s=window_s, frametimes_ms=frametime_ms, duty=duty)
    found = {}
    for quantity, source in used.items():
        error = errors[source.name]
        least_w = (mean_w[quantity] - model.off_w) / ((duty or 1.0) + error.swing_bound)
        bound_w = max(model.on_w - model.off_w, least_w) * error.swing_bound
        share = error.relative_u / error.relative_bound if error.relative_bound > 0 else 0.0
        found[quantity] = SeenThrough(
            quantity, source, error, rate_fps, mean_w[quantity], bound_w, bound_w * share
        )
    return found
