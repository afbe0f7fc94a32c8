"""Fan: its curve, its slowness, what it carries away and how loud it is."""

from __future__ import annotations

import math
from itertools import pairwise

from pydantic import Field

from harness.plan.parts import Part


class Cooling(Part):
    """The fan's controller follows the core temperature along a curve, with a lag.

    The conductance from cooler to air is ``still_w_per_k + flow_w_per_k · (fan / 100)^flow_exponent``. The
    sound of the fan rises by 50 · log10 of the speed ratio (fan laws, common practice, no source), on top of
    the room's own level, added as energies (ISO 1996-1).
    """

    curve: tuple[tuple[float, float], ...] = Field(
        default=((45.0, 0.0), (50.0, 30.0), (60.0, 40.0), (70.0, 51.0), (80.0, 74.0), (88.0, 100.0)),
        description="points (core temperature in °C, fan in %), rising",
        min_length=2,
    )
    lag_s: float = Field(default=6.0, gt=0, description="time constant of the fan's controller")
    still_w_per_k: float = Field(default=1.6, gt=0, description="conductance to the air with a stopped fan")
    flow_w_per_k: float = Field(default=12.5, ge=0, description="what the full fan adds to it")
    flow_exponent: float = Field(default=0.75, gt=0)
    full_rpm: float | None = Field(default=3300.0, gt=0, description="fan speed at 100 %; null: no reading")
    room_dba: float = Field(default=28.0, description="level of the room and the rest of the rig")
    full_dba: float = Field(default=52.0, description="level of the fan alone at 100 %")

    def wanted_pct(self, core_temp_c: float) -> float:
        """Fan command that the curve asks for at a core temperature, %."""
        points = self.curve
        if core_temp_c <= points[0][0]:
            return points[0][1]
        for (low_c, low_pct), (high_c, high_pct) in pairwise(points):
            if core_temp_c < high_c:
                return low_pct + (high_pct - low_pct) * (core_temp_c - low_c) / (high_c - low_c)
        return points[-1][1]

    def conductance_w_per_k(self, fan_pct: float) -> float:
        """Thermal conductance from cooler to air at a fan command, W/K."""
        return self.still_w_per_k + self.flow_w_per_k * math.pow(fan_pct / 100.0, self.flow_exponent)

    def sound_level_dba(self, fan_pct: float) -> float:
        """A-weighted level at the place of the listener, dB(A)."""
        if fan_pct < 1.0:
            return self.room_dba
        fan_dba = self.full_dba + 50.0 * math.log10(fan_pct / 100.0)
        return 10.0 * math.log10(10.0 ** (self.room_dba / 10.0) + 10.0 ** (fan_dba / 10.0))
