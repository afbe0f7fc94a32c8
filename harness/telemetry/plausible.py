"""Which values a quantity can have at all, and how long one stays a reading."""

from __future__ import annotations

from typing import Final

from harness.tables import QUANTITY_COLUMNS

#: Quantity -> smallest and largest value that counts as read, in the quantity's unit.
PLAUSIBLE: Final = {quantity.name: quantity.within for quantity in QUANTITY_COLUMNS}

#: A quantity is not known any more after so many of its periods without a reading, and at least this long.
FRESH_PERIODS: Final = 3.0
FRESH_AT_LEAST_S: Final = 2.0


def fresh_for_s(period_s: float) -> float:
    """How long a reading of a quantity with that period stays a reading, s."""
    return max(FRESH_AT_LEAST_S, FRESH_PERIODS * period_s)
