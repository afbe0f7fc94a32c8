"""Profiles that no other profile beats in everything."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from harness.analysis.estimate import Array


def dominates(one: Array, other: Array, higher_is_better: Sequence[bool]) -> bool:
    """True where ``one`` is nowhere worse than ``other`` and somewhere better; shapes (k,), no NaN."""
    sign = np.where(np.asarray(higher_is_better), 1.0, -1.0)
    gain = (one - other) * sign
    return bool((gain >= 0).all() and (gain > 0).any())


def dominators(values: Array, higher_is_better: Sequence[bool]) -> list[list[int]]:
    """For each row, the rows that dominate it; a row with none is on the Pareto front.

    Args:
        values: Shape (profiles, objectives). A row with a NaN neither dominates nor is dominated.
        higher_is_better: One per objective.
    """
    known = [not math.isnan(row.sum()) for row in values]
    return [
        [
            j
            for j in range(len(values))
            if j != i and known[i] and known[j] and dominates(values[j], values[i], higher_is_better)
        ]
        for i in range(len(values))
    ]
