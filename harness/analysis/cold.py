"""Cold caches: a title whose first measured repeat had far more long frames than all that came later.

Shaders that were compiled once lie in a cache, so it is the first run of a title, under whichever profile the
order puts first, that pays for them; its 1 % low then tells of the cache and not of the profile.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from harness.analysis.repeats import planned
from harness.conditions.change_points import thinned_out

#: Later repeats below which nothing is told.
_LEAST_LATER = 3
#: How many times the most of any later repeat: counts scatter more than chance alone lets them.
_MULTIPLE = 2


@dataclass(frozen=True)
class ColdStart:
    """The first measured repeat of a title and setting: its long frames, and the most of any later one."""

    title: str
    setting: str
    profile: str
    repeat_index: int
    long_frames: int
    most_later: int


def cold_starts(repeats: pd.DataFrame) -> tuple[ColdStart, ...]:
    """Titles whose caches were cold in their first measured repeat.

    Equal rates are rejected as :func:`harness.conditions.change_points.thinned_out` does, and the first count
    must be twice that of any later repeat.

    Args:
        repeats: Columns of :data:`harness.tables.ATTEMPTS`; only accepted, planned repeats are looked at.
    """
    needed = {"campaign_id", "long_frame_count", "start_s", "measured_s"}
    if not needed <= set(repeats.columns):
        return ()
    table = planned(repeats).dropna(subset=["long_frame_count", "start_s", "measured_s"])
    if "verdict" in table.columns:
        table = table[table["verdict"] == "accepted"]
    found = []
    for (_, title, setting), group in table.groupby(["campaign_id", "title", "setting"], sort=False):
        in_order = group.sort_values("start_s", kind="stable")
        first, later = in_order.iloc[0], in_order.iloc[1:]
        count, rest = int(first["long_frame_count"]), int(later["long_frame_count"].sum())
        if len(later) < _LEAST_LATER:
            continue
        most = int(later["long_frame_count"].max())
        share = float(first["measured_s"]) / float(in_order["measured_s"].sum())
        if count >= _MULTIPLE * most and thinned_out(count, rest, share):
            place = str(title), str(setting), str(first["profile"])
            found.append(ColdStart(*place, int(first["repeat_index"]), count, most))
    return tuple(found)
