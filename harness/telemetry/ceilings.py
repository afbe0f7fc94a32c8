"""The plan's safety limits against the latest readings: what is exceeded, and what can't be watched.

A limit counts as watched only while its quantity is read: fresh, moving and plausible, as the sampler judges.
"""

from __future__ import annotations

from collections.abc import Mapping

from harness.numerals import beside_limit
from harness.plan.night_tables import Limits
from harness.telemetry.sampler import Sampler

#: Quantities that the plan may limit, with their unit.
LIMITED = {"core_temp_c": "°C", "hotspot_temp_c": "°C", "memory_temp_c": "°C", "power_w": "W"}
#: A limited quantity that was not read for this long while a title heats the card ends the title, seconds.
LOST_AFTER_S = 15.0


def limits_of(limits: Limits) -> dict[str, float]:
    """Quantity -> highest value that the plan allows."""
    found = {quantity: getattr(limits, quantity) for quantity in LIMITED}
    return {quantity: limit for quantity, limit in found.items() if limit is not None}


class Ceilings:
    """Watches limits.

    Args:
        limits: Quantity -> highest value, in the quantity's unit.
        sampler: Gives the latest readings.
    """

    def __init__(self, limits: Mapping[str, float], sampler: Sampler) -> None:
        self._limits = dict(limits)
        self._sampler = sampler

    def unread(self) -> dict[str, str]:
        """Limited quantities that are not read now, each with the reason in words."""
        found = {quantity: self._sampler.why_unread(quantity) for quantity in self._limits}
        return {quantity: why for quantity, why in found.items() if why is not None}

    def exceeded(self) -> str | None:
        """The first limit that is exceeded, in a sentence."""
        for quantity, limit in self._limits.items():
            sample = self._sampler.latest(quantity)
            if sample is not None and sample.value > limit:
                unit = LIMITED[quantity]
                value = beside_limit(sample.value, limit, 1)
                return f"{quantity} is {value} {unit}, over the limit of {limit:g} {unit}"
        return None

    def lost(self) -> str | None:
        """The first limited quantity that has not been read for too long under load, in a sentence."""
        for quantity in self._limits:
            if self._sampler.unread_s(quantity) > LOST_AFTER_S:
                return f"{self._sampler.why_unread(quantity)}, and the plan limits {quantity}"
        return None
