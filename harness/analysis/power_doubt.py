"""Where the card's own power reading is in doubt: its sources disagree, or frames keep its sensor's time."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from harness.analysis.repeats import SENSOR_U, planned

#: Marks of an attempt that say so.
MARKS: Final = ("power-disputed", "power-on-rhythm")


@dataclass(frozen=True)
class PowerDoubt:
    """One cell whose power is in doubt.

    Attributes:
        repeats: That count.
        doubted: Of these, how many are marked.
        u_pct: Standard uncertainty of their power by it, % of the power; NaN where it is not known.
        rate_fps, load_pct, window_s: Means over them, NaN where unknown.
        source: What their energy was taken from, as the table of repeats has it.
    """

    title: str
    setting: str
    profile: str
    repeats: int
    doubted: int
    u_pct: float
    rate_fps: float
    load_pct: float
    window_s: float
    source: str

    @property
    def cell(self) -> tuple[str, str, str]:
        """Its key."""
        return self.title, self.setting, self.profile


def power_doubts(repeats: pd.DataFrame) -> tuple[PowerDoubt, ...]:
    """The cells in doubt, in the order of the table; none in tables without marks.

    Args:
        repeats: Accepted repeats, columns of :data:`harness.tables.ATTEMPTS`.
    """
    if "marks" not in repeats.columns or "mean_power_w" not in repeats.columns:
        return ()
    table = planned(repeats)
    if "verdict" in table.columns:
        table = table[table["verdict"] == "accepted"]
    marked = table["marks"].map(_in_doubt)
    found = []
    for (title, setting, profile), mine in table.groupby(["title", "setting", "profile"], sort=False):
        inside = mine[marked[mine.index]]
        if inside.empty:
            continue
        sources = inside["energy_source"].dropna() if "energy_source" in inside.columns else ()
        found.append(
            PowerDoubt(
                title=str(title),
                setting=str(setting),
                profile=str(profile),
                repeats=len(mine),
                doubted=len(inside),
                u_pct=_u_pct(inside),
                rate_fps=_mean(inside, "average_fps"),
                load_pct=_mean(inside, "mean_gpu_load_pct"),
                window_s=_mean(inside, "measured_s"),
                source=str(next(iter(sources), "")),
            )
        )
    return tuple(found)


def _in_doubt(marks: object) -> bool:
    if marks is None or not isinstance(marks, list | tuple | np.ndarray):
        return False
    return any(str(mark).partition(":")[0] in MARKS for mark in marks)


def _u_pct(repeats: pd.DataFrame) -> float:
    if SENSOR_U not in repeats.columns:
        return math.nan
    shares = (repeats[SENSOR_U].astype(float) / repeats["mean_power_w"].astype(float)).dropna()
    return 100 * math.sqrt(float((shares**2).mean())) if len(shares) else math.nan


def _mean(repeats: pd.DataFrame, column: str) -> float:
    values = repeats[column].astype(float).dropna() if column in repeats.columns else ()
    return float(np.mean(values)) if len(values) else math.nan
