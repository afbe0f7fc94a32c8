"""What would keep a card's power out of its sensor's rhythm: another cap, a longer window, a meter. Pure.

Each way is tried on the card's model; what is offered is what suffices there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from harness.power_sensor.caps import LOOKED_AT_S, nearest
from harness.power_sensor.model import PowerSensorModel, SourceModel
from harness.power_sensor.rhythm import rhythm_error

#: Caps are looked for within this share of the present rate.
_NEAR: Final = 0.25
#: Windows that are tried, in multiples of the present one, up to the longest that anybody measures.
_LONGER: Final = (2, 4, 8)
_LONGEST_S: Final = 600.0


@dataclass(frozen=True)
class WaysOut:
    """What suffices to keep the error under what is wanted.

    Attributes:
        wanted: Largest error, as a share of the mean power.
        caps_fps: The nearest caps below and above that suffice; empty for none within a quarter of the rate.
        window_s: The shortest window tried that suffices at the present rate; None for none.
    """

    wanted: float
    caps_fps: tuple[int, ...]
    window_s: float | None

    @property
    def sentence(self) -> str:
        """What to do, for a person."""
        within = f"within {100 * self.wanted:g} %"
        ways = []
        if self.caps_fps:
            ways.append(f"a cap of {' or '.join(map(str, self.caps_fps))} FPS")
        if self.window_s is not None:
            ways.append(f"a window of {self.window_s:.0f} s (measure_s)")
        meter = "a meter at the wall or in the card's supply (a sensor of kind stream) tells"
        if not ways:
            return f"No cap near by and no longer window keeps the card's own sensor {within}: only {meter}."
        return f"To keep it {within}: {', or '.join(ways)}; or {meter}."


def ways_out(
    model: PowerSensorModel,
    source: SourceModel,
    *,
    rate_hz: float,
    duty: float | None,
    window_s: float,
    jitter: float = 0.0,
    wanted: float = 0.01,
) -> WaysOut:
    """Which of the ways suffices for one title.

    Args:
        model: Of the card.
        source: The source that its power is taken from.
        rate_hz: Its frame rate.
        duty: Share of the time that the card works; None: the worst is taken.
        window_s: Length of its window.
        jitter: Standard deviation of a frame's begin, as a share of its period.
        wanted: Largest error that is borne, as a share of the mean power.
    """
    only = model.model_copy(update={"sources": (source,)})

    def bound(rate: float, seconds: float) -> float:
        # the same work a frame: at another rate the card works another share of the time
        share = None if duty is None else min(1.0, max(0.01, duty * rate / rate_hz))
        found = rhythm_error(only, window_s=seconds, rate_hz=rate, duty=share, jitter=jitter)
        return found[source.name].relative_bound

    looked_at_s = min(window_s, LOOKED_AT_S)
    steps = max(2, int(_NEAR * rate_hz))
    caps = nearest(round(rate_hz), steps, lambda rate: bound(float(rate), looked_at_s) <= wanted)
    longer = [window_s * by for by in _LONGER if window_s * by <= _LONGEST_S]
    enough = next((seconds for seconds in longer if bound(rate_hz, seconds) <= wanted), None)
    return WaysOut(wanted, tuple(caps), enough)
