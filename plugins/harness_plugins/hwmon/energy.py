"""A card's energy counter as its driver shows it, and the power that its growth tells.

Source: ``drivers/gpu/drm/xe/xe_hwmon.c`` (6.12 lines 259-284; ``i915/i915_hwmon.c`` likewise): the driver
adds up a register of 32 bits of 2^-14 J. Whatever is below the last reading counts as an overflow there. So a
register that begins at 0 again (card asleep without power, reset) shows as a leap of up to 262 kJ, and a
driver that is loaded again begins at 0. Neither is energy.
"""

from __future__ import annotations

from collections.abc import Callable

from harness.clock import Clock

#: Shortest span over which a power is derived from the counter.
POWER_WINDOW_S = 0.1
#: No card draws more, W: what grows faster has leapt. The widest power that counts as a reading.
MOST_W = 3000.0
_SLACK_S = 0.5


class EnergyCounter:
    """Energy since an origin that begins again at every reset or leap; a leap is never energy.

    Args:
        read: The counter as it is shown, J; None where it can't be read now.
        clock: The rig's clock.
    """

    def __init__(self, read: Callable[[], float | None], clock: Clock) -> None:
        self._read = read
        self._clock = clock
        self._origin_j = 0.0
        self._last: tuple[float, float] | None = None
        self._before: tuple[float, float] | None = None
        self._power_w: float | None = None

    def look_again(self, read: Callable[[], float | None]) -> None:
        """The counter lies elsewhere now."""
        self._read = read
        self._last = self._before = None

    def energy_j(self) -> float | None:
        """The counter; lower than before where it began again."""
        shown_j, now_s = self._read(), self._clock.now_s()
        if shown_j is None:
            return None
        if self._last is not None:
            last_j, last_s = self._last
            if shown_j < last_j:
                self._origin_j, self._before = 0.0, None
            elif shown_j - last_j > MOST_W * (now_s - last_s + _SLACK_S):
                self._origin_j, self._before = shown_j, None
        self._last = shown_j, now_s
        return shown_j - self._origin_j

    def power_w(self) -> float | None:
        """Energy over time since the last look; None at the first and where the counter began again."""
        energy_j, now_s = self.energy_j(), self._clock.now_s()
        if energy_j is None:
            self._before = None
            return None
        if self._before is None:
            self._before, self._power_w = (energy_j, now_s), None
            return None
        last_j, last_s = self._before
        if now_s - last_s < 0.9 * POWER_WINDOW_S:
            return self._power_w
        self._before = energy_j, now_s
        self._power_w = (energy_j - last_j) / (now_s - last_s)
        return self._power_w
