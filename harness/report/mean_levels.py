"""What stands before and after a change over titles: means in the metric's own unit, over the same titles.

Ratios are averaged over titles geometrically, and so are these, so that after ÷ before is the change; where a
change is a difference, both are arithmetic means. Settings of a title are averaged first. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from statistics import fmean

from harness.analysis import Analysis
from harness.metrics import METRICS
from harness.report.elements import decimals_for, records


@dataclass(frozen=True)
class BeforeAfter:
    """Mean over the titles compared, of the reference and of a profile.

    Attributes:
        unit: Of both.
        cells: The cells whose means they are made of, of the reference and of the profile.
    """

    before: float
    after: float
    unit: str
    cells: tuple[tuple[str, ...], tuple[str, ...]]


def before_after(analysis: Analysis) -> dict[tuple[str, str], BeforeAfter]:
    """(profile, metric) of each change over titles -> what it is the change of.

    A metric that is not a column of its own (speed over frame rates and scores) has none.
    """
    cells = {(r["title"], r["setting"], r["profile"], r["metric"]): r for r in records(analysis.cells)}
    reference = analysis.settings.reference
    compared: dict[tuple[str, str], list[tuple[str, str]]] = {}
    scales: dict[tuple[str, str], str] = {}
    for r in records(analysis.comparisons):
        if not METRICS.compared_as[r["metric"]].in_table:
            continue
        compared.setdefault((r["profile"], r["metric"]), []).append((r["title"], r["setting"]))
        scales[r["profile"], r["metric"]] = r["scale"]
    found = {}
    for (profile, metric), places in compared.items():
        sides = [[cells.get((*place, side, metric)) for place in places] for side in (reference, profile)]
        if any(row is None for side in sides for row in side):
            continue
        whole = [[row for row in side if row is not None] for side in sides]
        log = scales[profile, metric] == "ratio"
        if log and any(not row["mean"] > 0 for side in whole for row in side):
            continue
        values = [_over_titles(side, log) for side in whole]
        ids = tuple(tuple(str(row["cell_id"]) for row in side) for side in whole)
        found[profile, metric] = BeforeAfter(values[0], values[1], str(whole[0][0]["unit"]), (ids[0], ids[1]))
    return found


def _over_titles(rows: Iterable[Mapping[str, object]], log: bool) -> float:
    by_title: dict[object, list[float]] = {}
    for row in rows:
        value = float(str(row["mean"]))
        by_title.setdefault(row["title"], []).append(math.log(value) if log else value)
    mean = fmean(fmean(values) for values in by_title.values())
    return math.exp(mean) if log else mean


def level_decimals(levels: BeforeAfter, change: Mapping[str, object]) -> int:
    """Decimals of both: two digits of the half width that the interval of their change has in their unit.

    Args:
        change: The row of the change over titles: ``scale``, ``low``, ``high``.
    """
    half_width = (float(str(change["high"])) - float(str(change["low"]))) / 2
    if change["scale"] == "ratio":
        half_width *= abs(levels.before)
    return decimals_for(min(abs(levels.before), abs(levels.after)), half_width)
