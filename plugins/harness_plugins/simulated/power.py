"""Power of the card: board, clock tree, switching and leakage.

Switching power goes with C·V²·f·activity (Chandrakasan, Sheng, Brodersen, IEEE J. Solid-State Circuits
27(4):473-484, 1992). Leakage goes with the voltage and, steeply, with the temperature; an exponential with a
characteristic temperature is the usual engineering form.
"""

from __future__ import annotations

import math

from pydantic import Field

from harness.plan.parts import Part


class Power(Part):
    """Coefficients. ``cv2f`` below is volts² × GHz."""

    board_w: float = Field(default=13.0, ge=0, description="fans, memory and regulators without load")
    memory_w: float = Field(default=24.0, ge=0, description="memory and its controller at full load, more")
    clock_tree_w: float = Field(default=8.0, ge=0, description="per V²·GHz without any load")
    switching_w: float = Field(default=63.0, ge=0, description="per V²·GHz at activity 1")
    leakage_w: float = Field(default=28.0, ge=0, description="at 50 °C and 1 V")
    leakage_temp_k: float = Field(default=42.0, gt=0, description="leakage grows e-fold in this many kelvin")

    def switching(self, cv2f: float, activity: float) -> float:
        """Power of clock tree and switching at an activity (0 idle, 1 heavy), W."""
        return cv2f * (self.clock_tree_w + self.switching_w * activity)

    def leakage(self, voltage_mv: float, core_temp_c: float) -> float:
        """Leakage power, W."""
        volt = voltage_mv / 1000.0
        return self.leakage_w * volt * volt * math.exp((core_temp_c - 50.0) / self.leakage_temp_k)

    def total(self, clock_mhz: float, voltage_mv: float, activity: float, core_temp_c: float) -> float:
        """Power of the whole card, W."""
        volt = voltage_mv / 1000.0
        return (
            self.board_w
            + self.memory_w * activity
            + self.switching(volt * volt * clock_mhz / 1000.0, activity)
            + self.leakage(voltage_mv, core_temp_c)
        )
