"""Re-measurements: repeats that lay far from the others of their cell and were measured once more.

An extra measurement that was made because a value was far away may neither be pooled nor put in its place by
choice: either would pull the mean towards what was expected. So results rest on the planned repeats, the far
one among them; the second value is shown beside it, with what the result would be in its place.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from harness.analysis.repeats import planned

Likeness = Literal["once", "again", "unclear"]

#: How far the second value may lie towards the first one, as a share of the way from the others, to count as
#: one of the others; as near to the first one, it has come back.
NEAR = 1 / 3
_KEY = ["campaign_id", "cell_id", "repeat_index"]
#: Columns that say where a repeat belongs; the rest is what was measured.
_PLACE = ("block", "position", "second_look")


@dataclass(frozen=True)
class Remeasured:
    """One far repeat and its second measurement, in average FPS.

    Attributes:
        others_fps: Median of the other repeats of the cell.
        first_fps: The outlier; the one that counts.
        second_fps: The second one.
    """

    title: str
    setting: str
    profile: str
    repeat_index: int
    others_fps: float
    first_fps: float
    second_fps: float

    @property
    def finding(self) -> Likeness:
        """``once``: it came out with the others; ``again``: where the first did; else ``unclear``."""
        way = math.log(self.first_fps / self.others_fps)
        share = math.log(self.second_fps / self.others_fps) / way if way else 0.0
        if abs(share) <= NEAR:
            return "once"
        return "again" if abs(share - 1) <= NEAR else "unclear"


def remeasured(repeats: pd.DataFrame) -> tuple[Remeasured, ...]:
    """Far repeats with their second measurements.

    Args:
        repeats: Accepted repeats, columns of :data:`harness.tables.ATTEMPTS`, re-measurements included.
    """
    counted = planned(repeats)
    found = []
    for look, first in _pairs(repeats):
        mine = counted[(counted[_KEY[:2]] == look[_KEY[:2]]).all(axis=1)]
        others = mine.loc[mine.index != first.name, "average_fps"].dropna().to_numpy(np.float64)
        values = float(first["average_fps"]), float(look["average_fps"])
        if others.size and all(value > 0 for value in values):
            place = str(look["title"]), str(look["setting"]), str(look["profile"])
            found.append(Remeasured(*place, int(look["repeat_index"]), float(np.median(others)), *values))
    return tuple(found)


def with_second_values(repeats: pd.DataFrame) -> pd.DataFrame:
    """The planned repeats with each second value in the place of the far one."""
    swapped = planned(repeats).copy()
    for look, first in _pairs(repeats):
        for column in swapped.columns.difference([*_KEY, *_PLACE]):
            swapped.at[first.name, column] = look[column]
    return swapped


def _pairs(repeats: pd.DataFrame) -> list[tuple[pd.Series, pd.Series]]:
    """Each re-measurement with the planned repeat that it measures again."""
    if "second_look" not in repeats.columns:
        return []
    counted = planned(repeats)
    made = []
    for _, look in repeats[repeats["second_look"].fillna(False).astype(bool)].iterrows():
        same = (counted[_KEY] == look[_KEY]).all(axis=1)
        made += [(look, first) for _, first in counted[same].iterrows()]
    return made
