"""Adaptive repeats: which cells still need a repeat, by a rule that keeps the error rate.

After every block the comparisons are decided with p-values that are valid at every look (see
:mod:`harness.analysis.spending`) and corrected for the titles claimed side by side. A profile whose metrics
are decided in a title gets no further repeats there; the reference goes on as long as some profile does.
Where the plan asks for a width, a profile goes on in a title until its interval there is that narrow.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from harness.analysis import comparisons
from harness.analysis.repeats import CellKey, CellRepeats, cells_of
from harness.analysis.settings import AnalysisSettings
from harness.metrics import METRICS
from harness.plan.schema import AdaptiveRepeats


@dataclass(frozen=True)
class ComparisonStanding:
    """Where one comparison stands.

    Attributes:
        repeats: Accepted repeats of the profile.
        decisions: Metric -> decision so far.
        wanted: True where another block of profile and reference is needed.
        reason: Why, or why not, in a few words.
    """

    title: str
    setting: str
    profile: str
    repeats: int
    decisions: dict[str, str]
    wanted: bool
    reason: str


def stop_decision(
    repeats: pd.DataFrame, settings: AnalysisSettings, groups: Sequence[tuple[str, str]]
) -> tuple[ComparisonStanding, ...]:
    """Where each comparison of an adaptive plan stands, after the repeats so far.

    Args:
        repeats: Accepted repeats so far; columns of :data:`harness.tables.ATTEMPTS`. May be empty.
        settings: With ``adaptive`` and ``profiles`` set.
        groups: Title and setting of every group of cells in the plan.
    Raises:
        ValueError: The settings have no adaptive rule.
    """
    rule = settings.adaptive
    if rule is None:
        raise ValueError("the plan's repeats are fixed; state { at_least, at_most } to add them by rule")
    cells = cells_of(repeats, settings) if len(repeats) else {}
    rows = _rows(cells, rule, settings)
    found = []
    for title, setting in groups:
        reference = _count(cells, (title, setting, settings.reference))
        for profile in settings.profiles:
            if profile != settings.reference:
                done = _count(cells, (title, setting, profile))
                stands = rows.get((title, setting, profile), {})
                wanted, reason = _wanted(min(done, reference), max(done, reference), stands, rule)
                decisions = {name: str(row["decision"]) for name, row in stands.items()}
                found.append(ComparisonStanding(title, setting, profile, done, decisions, wanted, reason))
    return tuple(found)


def next_slots(
    repeats: pd.DataFrame, settings: AnalysisSettings, groups: Sequence[tuple[str, str]]
) -> tuple[CellKey, ...]:
    """Cells (title, setting, profile) that need another repeat now, in the plan's order; empty: done.

    The engine measures one block of the cells of each group named here, and asks again. With an order that
    makes room for ``at_most`` repeats it may as well pass over every slot whose cell is not named.
    """
    open_cells: list[CellKey] = []
    standings = stop_decision(repeats, settings, groups)
    for title, setting in groups:
        wanted = {s.profile for s in standings if (s.title, s.setting) == (title, setting) and s.wanted}
        if wanted:
            wanted.add(settings.reference)
            open_cells += [(title, setting, profile) for profile in settings.profiles if profile in wanted]
    return tuple(open_cells)


def _wanted(
    complete: int, most: int, stands: Mapping[str, Mapping[str, Any]], rule: AdaptiveRepeats
) -> tuple[bool, str]:
    """Whether another block is needed, from the rows of the metrics that decide."""
    if complete < rule.at_least:
        return True, f"below {rule.at_least} repeats"
    if most >= rule.at_most:
        return False, f"{rule.at_most} repeats done"
    if not stands:
        return True, "nothing to compare yet"
    undecided = [name for name, row in stands.items() if row["decision"] == "undecided"]
    if rule.until_margin_is_decided and undecided:
        return True, f"undecided: {', '.join(undecided)}"
    limit = rule.until_half_width_pct
    wide = [name for name, row in stands.items() if limit is not None and not _narrow(row, limit)]
    if wide:
        return True, f"wider than ±{limit:g} %: {', '.join(wide)}"
    return False, "decided" if rule.until_margin_is_decided else "narrow enough"


def _narrow(row: Mapping[str, Any], half_width_pct: float) -> bool:
    """True where the interval's half width, on the log scale, is at most that; differences don't count."""
    if row["scale"] != "ratio":
        return True
    return bool(math.log(row["high"] / row["low"]) / 2 <= math.log1p(half_width_pct / 100))


def _rows(
    cells: dict[CellKey, CellRepeats], rule: AdaptiveRepeats, settings: AnalysisSettings
) -> dict[CellKey, dict[str, Mapping[str, Any]]]:
    """Cell -> metric -> its row; a title without frames is decided on its score instead of average FPS."""
    speed = [metric.name for metric in METRICS.standing_for("speed") if metric.in_table]
    names = dict.fromkeys(n for name in rule.decide_on for n in (speed if name in speed else (name,)))
    found: dict[CellKey, dict[str, Mapping[str, Any]]] = {}
    for name in names:
        for profile in settings.profiles:
            if profile != settings.reference and name in METRICS.compared_as:
                for row in comparisons.decided_rows(cells, METRICS.compared_as[name], profile, settings)[1]:
                    found.setdefault((row["title"], row["setting"], profile), {})[name] = row
    return found


def _count(cells: dict[CellKey, CellRepeats], key: CellKey) -> int:
    return len(cells[key].blocks) if key in cells else 0
