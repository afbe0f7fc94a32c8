"""Which values a quantity can have at all. What lies outside is no reading: never stored, never called safe.

The ranges are wide on purpose: they tell a wrong scale (millidegrees, kilowatts), a driver's error code
(65535, -1) and a dead sensor (0) from a reading, not a good reading from a bad one. The temperatures of a
chip under power begin at 5 °C: a tenth or a thousandth of a real one lies below that when the card is cool,
so it shows before the night begins; no room where people measure is so cold. Common practice, no source.
"""

from __future__ import annotations

from typing import Final

_CHIP_C = (5.0, 150.0)
_SHARE_PCT = (0.0, 200.0)
_COUNT = (0.0, 1e9)
_ENERGY_J = (0.0, 1e15)
_CLOCK_MHZ = (0.0, 20_000.0)
_FAN_RPM = (0.0, 50_000.0)
_MEMORY_MIB = (0.0, 1e9)

#: Quantity -> smallest and largest value that counts as read, in the quantity's unit.
PLAUSIBLE: Final[dict[str, tuple[float, float]]] = {
    "power_w": (0.5, 3_000.0),
    "power_average_w": (0.5, 3_000.0),
    "energy_j": _ENERGY_J,
    "core_temp_c": _CHIP_C,
    "hotspot_temp_c": _CHIP_C,
    "memory_temp_c": _CHIP_C,
    "core_clock_mhz": _CLOCK_MHZ,
    "memory_clock_mhz": _CLOCK_MHZ,
    "core_voltage_mv": (0.0, 3_000.0),
    "fan_pct": _SHARE_PCT,
    "fan_rpm": _FAN_RPM,
    "sound_level_dba": (-20.0, 160.0),
    "gpu_load_pct": _SHARE_PCT,
    "gpu_memory_used_mib": _MEMORY_MIB,
    "limit_reasons": (0.0, 2.0**63),
    "power_limit_w": (0.5, 5_000.0),
    "ambient_temp_c": (-40.0, 70.0),
    "wall_power_w": (0.0, 20_000.0),
    "wall_energy_j": _ENERGY_J,
    "cpu_load_pct": _SHARE_PCT,
    "cpu_clock_mhz": _CLOCK_MHZ,
    "cpu_temp_c": _CHIP_C,
    "cpu_power_w": (0.0, 5_000.0),
    "cpu_energy_j": _ENERGY_J,
    "memory_used_mib": _MEMORY_MIB,
    "foreign_cpu_load_pct": _SHARE_PCT,
    "foreign_gpu_processes": _COUNT,
    "board_temp_c": (-40.0, 150.0),
    "case_fan_rpm": _FAN_RPM,
    "driver_errors": _COUNT,
    "driver_error_code": _COUNT,
}

#: A quantity is not known any more after so many of its periods without a reading, and at least this long.
FRESH_PERIODS: Final = 3.0
FRESH_AT_LEAST_S: Final = 2.0


def fresh_for_s(period_s: float) -> float:
    """How long a reading of a quantity with that period stays a reading, s."""
    return max(FRESH_AT_LEAST_S, FRESH_PERIODS * period_s)
