"""All claims of a campaign at once: what is compared, how even the runs are, and what each number decides."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from harness.analysis import comparisons, overall
from harness.analysis.comparisons import Comparison
from harness.analysis.evenness import Evenness, evenness_of
from harness.analysis.family import Family, family_of
from harness.analysis.overall import Uneven
from harness.analysis.repeats import CellKey, CellRepeats, metrics_in
from harness.analysis.settings import AnalysisSettings
from harness.metrics import ComparedMetric


@dataclass(frozen=True)
class Verdicts:
    """What the repeats decide.

    Attributes:
        metrics: What some repeat carries, in the order of the tables.
        family: What is claimed side by side.
        found: (metric, profile) -> its comparisons, a title and setting each.
        evenness: How even the runs of each compared profile are; every claimed ratio metric.
        by_title, over_titles: Rows of the tables of comparisons and over all titles.
    """

    metrics: tuple[ComparedMetric, ...]
    family: Family
    found: Mapping[tuple[str, str], Sequence[Comparison]]
    evenness: tuple[Evenness, ...]
    by_title: list[dict[str, Any]]
    over_titles: list[dict[str, Any]]

    @property
    def uneven(self) -> Uneven:
        """(metric, profile) -> the side whose runs were found less even."""
        return {(one.metric, one.profile): one.less_even for one in self.evenness if one.less_even}


def verdicts(
    cells: dict[CellKey, CellRepeats], profiles: Sequence[str], settings: AnalysisSettings
) -> Verdicts:
    """Decide everything.

    Args:
        profiles: Profiles that are compared with the reference, in the order of the tables.
    """
    metrics = metrics_in(cells.values(), settings)
    family = family_of(cells, settings)
    found = {
        (metric.name, profile): comparisons.compare(cells, metric, profile, settings)
        for metric in metrics
        for profile in profiles
    }
    made = Verdicts(
        tuple(metrics), family, found, _evenness(cells, metrics, profiles, family, settings), [], []
    )
    uneven = made.uneven
    for metric in metrics:
        mine = {profile: found[metric.name, profile] for profile in profiles}
        for profile, compared in mine.items():
            less_even = uneven.get((metric.name, profile), "")
            claims = comparisons.claims_of(compared, metric, settings, family, less_even)
            made.by_title.extend(comparisons.rows(compared, claims, settings))
        made.over_titles.extend(overall.decided_rows(metric, mine, settings, family, uneven))
    return made


def _evenness(
    cells: Mapping[CellKey, CellRepeats],
    metrics: Sequence[ComparedMetric],
    compared: Sequence[str],
    family: Family,
    settings: AnalysisSettings,
) -> tuple[Evenness, ...]:
    """Every claimed ratio metric of every compared profile; the blank tells nothing of a tune."""
    looked = [
        m for m in metrics if m.scale == "ratio" and family.over_all(m.name, settings.reference).claimed
    ]
    profiles = [profile for profile in compared if profile != settings.blank]
    tests = max(1, len(looked) * len(profiles))
    found = [evenness_of(cells, metric, p, settings, tests) for metric in looked for p in profiles]
    return tuple(one for one in found if one is not None)
