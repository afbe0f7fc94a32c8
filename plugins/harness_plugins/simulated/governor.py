"""Boost governor: picks the clock, step by step, so that no limit is passed.

As real drivers do it: it acts ten times a second on what it measured, moves in whole clock steps, drops fast
when over the power limit, climbs only when a whole step fits under it, and gives way one step at a time
while the core is too hot.
"""

from __future__ import annotations

from typing import Final

from pydantic import Field

from harness.plan.parts import Part

#: Reasons for a lowered clock, as bits; the same values as NVML's event reasons, so one decoder serves both.
IDLE: Final = 0x1
POWER_LIMIT: Final = 0x4
TEMPERATURE_LIMIT: Final = 0x20

_MOST_STEPS_DOWN: Final = 40
_MOST_STEPS_UP: Final = 12


class Governor(Part):
    """Limits of the factory state and the range in which the power limit may be set."""

    power_limit_w: float = Field(default=320.0, gt=0)
    power_limit_range_w: tuple[float, float] = (150.0, 370.0)
    temp_limit_c: float = Field(default=83.0, gt=0)
    idle_after_s: float = Field(default=2.0, ge=0, description="clock falls to idle this long after the load")

    def next_index(
        self,
        index: int,
        top_index: int,
        power_w: float,
        step_w: float,
        power_limit_w: float,
        core_temp_c: float,
    ) -> tuple[int, int]:
        """Index of the next clock under load, and the reason bits.

        Args:
            index: Index of the present clock in the list of clocks.
            top_index: Highest index that ceiling and curve allow.
            power_w: Power just measured.
            step_w: Power that one clock step is worth here; positive.
            power_limit_w: Limit in force.
            core_temp_c: Core temperature.
        """
        if core_temp_c > self.temp_limit_c:
            return max(0, min(index, top_index) - 1), TEMPERATURE_LIMIT
        headroom_w = power_limit_w - power_w
        if headroom_w < 0:
            steps = min(_MOST_STEPS_DOWN, int(-headroom_w / step_w) + 1)
            return max(0, min(index, top_index) - steps), POWER_LIMIT
        steps = min(_MOST_STEPS_UP, int(headroom_w / step_w))
        wanted = min(top_index, index + steps)
        if wanted < top_index:
            return wanted, TEMPERATURE_LIMIT if core_temp_c > self.temp_limit_c - 1.0 else POWER_LIMIT
        return wanted, 0
