"""What each figure rests on: which titles, which are missing and why, and how often a profile crashed.

Records for whoever writes sentences; nothing here claims anything.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from harness.analysis.comparisons import Comparison
from harness.analysis.evenness import at_least, at_most
from harness.analysis.repeats import CellKey, CellRepeats, planned
from harness.analysis.settings import AnalysisSettings
from harness.metrics import METRICS
from harness.numerals import counted
from harness.reasons import in_words
from harness.store.campaign_state import CRASH_CODES, MACHINE_DOWN


@dataclass(frozen=True)
class Missing:
    """A title and setting that a figure does not rest on.

    Attributes:
        under: The profile under which it is missing.
        why: In a few words: ``crashed under quiet in 2 of 2 tries``, ``no frames under quiet``.
    """

    title: str
    setting: str
    under: str
    why: str


@dataclass(frozen=True)
class RestsOn:
    """What the figure over all titles of one metric and profile rests on.

    Attributes:
        titles: The titles that count.
        missing: Titles (with settings) of the campaign that don't.
        without_scatter: Titles that count and have no scatter of their own, a single pair: they make no
            claim by themselves.
    """

    metric: str
    profile: str
    titles: tuple[str, ...]
    missing: tuple[Missing, ...]
    without_scatter: tuple[str, ...]


@dataclass(frozen=True)
class Crashes:
    """Tries under one profile that ended in a crash or hang of the title, or the loss of driver or rig.

    Attributes:
        crashed, tries: How many of how many tries; tries that ended through no fault of the title or the
            profile are in neither.
        titles: Title -> crashes.
        at_least_pct, at_most_pct: Exact one-sided 95 % bounds of the share of tries that crash.
    """

    profile: str
    crashed: int
    tries: int
    titles: Mapping[str, int]
    at_least_pct: float
    at_most_pct: float


def rests_on(
    cells: Mapping[CellKey, CellRepeats],
    metric: str,
    profile: str,
    comparisons: Sequence[Comparison],
    groups: Iterable[tuple[str, str]],
    attempts: pd.DataFrame | None,
    settings: AnalysisSettings,
) -> RestsOn:
    """Which titles one profile's figure rests on.

    Args:
        groups: Title and setting of all that the campaign has or planned, in the order of the tables.
        attempts: Every attempt, for the reasons; None where only accepted repeats are known.
    """
    compared = {(c.title, c.setting) for c in comparisons}
    missing = []
    for title, setting in groups:
        if (title, setting) not in compared:
            sides = (profile, settings.reference)
            under = next((s for s in sides if not _has(cells, (title, setting, s), metric)), profile)
            why = _why(cells, (title, setting, under), metric, attempts, settings)
            missing.append(Missing(title, setting, under, why))
    single = [c.title for c in comparisons if not c.estimate.known]
    titles = tuple(dict.fromkeys(c.title for c in comparisons))
    return RestsOn(metric, profile, titles, tuple(missing), tuple(dict.fromkeys(single)))


def crashes_of(attempts: pd.DataFrame, profile: str) -> Crashes:
    """Crashes under one profile, re-measurements and sentinels among them."""
    mine = attempts[attempts["profile"] == profile]
    codes = mine["reason_code"].fillna("").astype(str)
    bad = codes.isin([*CRASH_CODES, MACHINE_DOWN])
    whole = bad | (mine["verdict"] == "accepted") | (mine["verdict"] == "rejected")
    crashed, tries = int(bad.sum()), int(whole.sum())
    titles = Counter(mine.loc[bad, "title"].astype(str))
    share = (at_least(crashed, tries), at_most(crashed, tries)) if tries else (0.0, 1.0)
    return Crashes(profile, crashed, tries, dict(titles), 100 * share[0], 100 * share[1])


def _has(cells: Mapping[CellKey, CellRepeats], key: CellKey, metric: str) -> bool:
    return key in cells and bool(cells[key].present(metric).size)


def _why(
    cells: Mapping[CellKey, CellRepeats],
    key: CellKey,
    metric: str,
    attempts: pd.DataFrame | None,
    settings: AnalysisSettings,
) -> str:
    under = settings.label(key[2])
    if key in cells:
        label = METRICS.compared_as[metric].label if metric in METRICS.compared_as else metric
        return f"{'no frames' if METRICS.compared_as[metric].of_frames else f'no {label}'} under {under}"
    if attempts is not None and len(attempts):
        table = planned(attempts)
        place = (table["title"] == key[0]) & (table["setting"] == key[1]) & (table["profile"] == key[2])
        codes = table.loc[place, "reason_code"].fillna("").astype(str)
        if len(codes):
            bad = int(codes.isin([*CRASH_CODES, MACHINE_DOWN]).sum())
            if bad:
                return f"crashed under {under} in {bad} of {counted(len(codes), 'try', 'tries')}"
            code = str(codes.mode().iloc[0])
            return f"no accepted repeat under {under} ({in_words(code) if code else 'no reason kept'})"
    return f"no accepted repeat under {under}"
