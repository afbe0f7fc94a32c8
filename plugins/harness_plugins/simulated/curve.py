"""Voltage-frequency curve of the core, with the spread from one piece of silicon to the next.

The driver's curve says which voltage it sets for a clock; the silicon needs less by a guard band that
differs from card to card. A clock offset slides the curve sideways, a voltage offset moves it down: both
lower the voltage at a given clock and eat into the guard band.
"""

from __future__ import annotations

from pydantic import Field

from harness.plan.parts import Part


class Curve(Part):
    """The driver's curve: flat up to a floor clock, then rising ever faster.

    ``voltage = floor_mv + linear · x + quadratic · x²`` with ``x = clock_mhz - floor_clock_mhz`` where
    positive.
    """

    lowest_clock_mhz: float = Field(default=210.0, gt=0, description="lowest clock that can be set")
    idle_clock_mhz: float = Field(default=210.0, gt=0, description="clock without load")
    max_clock_mhz: float = Field(default=2745.0, gt=0, description="highest clock of the factory state")
    step_mhz: float = Field(default=15.0, gt=0, description="step in which the driver sets the clock")
    floor_clock_mhz: float = Field(default=1500.0, gt=0, description="voltage is at its floor up to here")
    floor_mv: float = Field(default=725.0, gt=0, description="lowest voltage")
    linear_mv_per_mhz: float = Field(default=0.105, ge=0)
    quadratic_mv_per_mhz2: float = Field(default=1.25e-4, ge=0)
    guard_band_mv: float = Field(
        default=95.0, ge=0, description="what this silicon needs less than the curve"
    )

    def voltage_mv(self, clock_mhz: float) -> float:
        """Voltage that the driver sets for a clock in the factory state, mV."""
        x = max(0.0, clock_mhz - self.floor_clock_mhz)
        return self.floor_mv + self.linear_mv_per_mhz * x + self.quadratic_mv_per_mhz2 * x * x

    def clocks_mhz(self, ceiling_mhz: float | None = None) -> list[float]:
        """Clocks that the driver can set, rising, up to the ceiling or to the highest."""
        top_mhz = self.max_clock_mhz if ceiling_mhz is None else min(ceiling_mhz, self.max_clock_mhz)
        return [self.lowest_clock_mhz + k * self.step_mhz for k in range(self.index_of(top_mhz) + 1)]

    def index_of(self, clock_mhz: float) -> int:
        """Index of the highest clock that can be set and is at most this."""
        return max(0, int((clock_mhz - self.lowest_clock_mhz) / self.step_mhz + 1e-9))

    def tuned_voltage_mv(self, clock_mhz: float, clock_offset_mhz: float, voltage_offset_mv: float) -> float:
        """Voltage at a clock under offsets, mV; never under the floor less the voltage offset."""
        return self.voltage_mv(clock_mhz - clock_offset_mhz) + voltage_offset_mv

    def stability_mv(self, clock_mhz: float, voltage_mv: float) -> float:
        """How far the voltage lies above what this silicon needs at the clock, mV; negative: unstable."""
        return voltage_mv - (self.voltage_mv(clock_mhz) - self.guard_band_mv)
