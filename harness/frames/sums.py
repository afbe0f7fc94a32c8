"""A running sum that does not drift however many terms it takes."""

from __future__ import annotations

import math


class RunningSum:
    """Adds numbers one after another and carries along what rounding loses.

    Source of the idea: Neumaier, Zeitschrift für Angewandte Mathematik und Mechanik 54:39-51, 1974 (from
    memory).
    """

    def __init__(self) -> None:
        self.value = 0.0
        self._lost = 0.0

    def add(self, term: float) -> None:
        """Add one term."""
        terms = (self.value, self._lost, term)
        self.value = math.fsum(terms)
        self._lost = math.fsum((*terms, -self.value))
