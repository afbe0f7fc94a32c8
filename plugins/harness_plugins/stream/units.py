"""Units in which instruments and programs speak, and their way to the units of the telemetry table.

Factors are exact by the SI brochure (watt-hour, prefixes) and by definition (degree Fahrenheit, mebibyte).
"""

from __future__ import annotations

from harness.tables import QUANTITY_COLUMNS

#: Unit -> (unit of the table, factor, added after the factor).
_UNITS: dict[str, tuple[str, float, float]] = {
    "W": ("W", 1, 0), "mW": ("W", 1e-3, 0), "uW": ("W", 1e-6, 0), "kW": ("W", 1e3, 0),
    "J": ("J", 1, 0), "mJ": ("J", 1e-3, 0), "uJ": ("J", 1e-6, 0), "kJ": ("J", 1e3, 0),
    "Wh": ("J", 3.6e3, 0), "mWh": ("J", 3.6, 0), "kWh": ("J", 3.6e6, 0),
    "degC": ("°C", 1, 0), "mdegC": ("°C", 1e-3, 0), "K": ("°C", 1, -273.15), "degF": ("°C", 5 / 9, -160 / 9),
    "MHz": ("MHz", 1, 0), "Hz": ("MHz", 1e-6, 0), "kHz": ("MHz", 1e-3, 0), "GHz": ("MHz", 1e3, 0),
    "mV": ("mV", 1, 0), "V": ("mV", 1e3, 0),
    "%": ("%", 1, 0), "share": ("%", 100, 0),
    "1/min": ("1/min", 1, 0), "1/s": ("1/min", 60, 0),
    "MiB": ("MiB", 1, 0), "B": ("MiB", 2.0**-20, 0), "KiB": ("MiB", 2.0**-10, 0), "GiB": ("MiB", 1024, 0),
    "dB(A)": ("dB(A)", 1, 0),
}  # fmt: skip
_ALIASES = {
    "°C": "degC", "C": "degC", "°F": "degF", "F": "degF", "µW": "uW", "µJ": "uJ", "rpm": "1/min",
    "dBA": "dB(A)", "percent": "%",
}  # fmt: skip
_TABLE_UNITS = {column.name: column.unit for column in QUANTITY_COLUMNS}


def table_unit(quantity: str) -> str:
    """Unit of that quantity in the telemetry table; empty for none and for an unknown quantity."""
    return _TABLE_UNITS.get(quantity, "")


def to_table_unit(quantity: str, unit: str) -> tuple[float, float]:
    """Factor and addend that bring a number in ``unit`` to the unit of ``quantity``.

    Raises:
        ValueError: There is no such quantity, or it can't be told in that unit; names those that can.
    """
    if quantity not in _TABLE_UNITS:
        raise ValueError(f"there is no quantity {quantity!r}; quantities: {', '.join(_TABLE_UNITS)}")
    wanted = _TABLE_UNITS[quantity]
    if unit == wanted:
        return 1.0, 0.0
    target, factor, addend = _UNITS.get(_ALIASES.get(unit, unit), ("?", 1.0, 0.0))
    if target != wanted:
        fitting = [name for name, (base, _, _) in _UNITS.items() if base == wanted] or [wanted or "(none)"]
        raise ValueError(f"{quantity} can't be told in {unit!r}; units that fit: {', '.join(fitting)}")
    return factor, addend
