"""Which numbers are claimed, and how sure each must be so that all of them together keep the error rate.

**The design, decided before any night.** A plan names its primary metrics (by default the average frame rate
and the plan's 1 % low). Only they are claimed; every other metric is described, with an interval of its own
that allows for nothing else, and never gets a verdict. The claims form two families, each of which keeps the
plan's error rate (5 % at 95 % confidence) over all its numbers together:

* title by title: titles and settings x compared profiles x primary metrics,
* over all titles: compared profiles x primary metrics.

A family's size is that of the plan, not of what came out of the night. Each number of a family of m has one
interval, at error rate alpha / m (Bonferroni), so that all intervals of the family hold together at the
plan's confidence. The interval shown is the one that decides: ``same`` where it lies inside the margin,
``faster`` or ``slower`` where it excludes no difference, else ``undecided``; no verdict can contradict the
interval beside it. A stepwise correction would find a little more, but has no intervals that agree with it.

What this costs: against Holm's correction within one profile and metric and two one-sided tests at the 90 %
interval, which is what was done before, see the sensitivity rows of the study (``tests/bench/FIGURES.md``).
``same`` errs less often than stated (one side only can err at the margin: half the rate), which pays for what
normal theory leaves out. An overall figure that rests on a single title and setting is that title's number
and takes its interval and verdict.

Source: Dunn, *J. Amer. Statist. Assoc.* 56:52-64, 1961 (Bonferroni intervals); the rest is ours.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from harness.analysis.settings import AnalysisSettings
from harness.metrics import METRICS

if TYPE_CHECKING:
    from harness.analysis.repeats import CellKey, CellRepeats


@dataclass(frozen=True)
class Standing:
    """How one number stands: whether it is claimed, and at which error rate its interval is.

    Attributes:
        claimed: It is one of the family; else it is described only.
        level: Two-sided error rate of its interval.
        size: Numbers that are claimed together; 1 where it is only described.
    """

    claimed: bool
    level: float
    size: int


@dataclass(frozen=True)
class Family:
    """The numbers of a campaign that are claimed.

    Attributes:
        alpha: Error rate of all of a family's claims together.
        primary: Primary metrics; ``speed`` stands for the frame rate or score that tells a title's speed.
        scored: Titles whose speed is their score.
        headline: The metric that tells the speed over all titles; None where nothing does.
        by_title, over_titles: Sizes of the two families.
        only_scores: No title has frames, so the score is the speed, told in its own words.
        blank: A profile that is never claimed.
    """

    alpha: float
    primary: frozenset[str]
    scored: frozenset[str]
    headline: str | None
    by_title: int
    over_titles: int
    only_scores: bool = False
    blank: str = ""

    def of_title(self, metric: str, title: str, profile: str) -> Standing:
        """A metric in one title and setting, one profile against the reference."""
        claimed = self._claims(metric, metric != "score" or title in self.scored)
        return self._standing(claimed and profile != self.blank, self.by_title)

    def over_all(self, metric: str, profile: str) -> Standing:
        """A metric over all titles, one profile against the reference."""
        tells_speed = metric == self.headline or (metric == "score" and self.only_scores)
        return self._standing(self._claims(metric, tells_speed) and profile != self.blank, self.over_titles)

    def _claims(self, metric: str, tells_speed: bool) -> bool:
        if metric in self.primary and metric != "speed":
            return True
        return metric in _speeds() and tells_speed and "speed" in self.primary

    def _standing(self, claimed: bool, size: int) -> Standing:
        return Standing(True, self.alpha / size, size) if claimed else Standing(False, self.alpha, 1)


def _speeds() -> tuple[str, ...]:
    """Metrics that say how fast a title is, the preferred one first; one of them stands for it."""
    return tuple(metric.name for metric in METRICS.standing_for("speed"))


def slots(primary: Iterable[str]) -> frozenset[str]:
    """Primary metrics as the family counts them: average FPS is one way to tell a title's speed."""
    return frozenset("speed" if name in ("speed", "average_fps") else name for name in primary)


def family_of(cells: Mapping[CellKey, CellRepeats], settings: AnalysisSettings) -> Family:
    """The family of a campaign: the plan's counts, or those of the table where no plan is known."""
    measured = {name for cell in cells.values() for name in cell.values}
    scored = frozenset(title for title in {key[0] for key in cells} if _scored(cells, title))
    headline = next((name for name in _speeds() if name in measured), None)
    primary = slots(settings.primary)
    present = {name for name in primary if name in measured or (name == "speed" and headline)}
    profiles = {key[2] for key in cells} | set(settings.profiles)
    compared = max(1, len(profiles - {settings.reference, settings.blank}))
    groups = max(1, settings.groups, len({key[:2] for key in cells}))
    metrics = max(1, len(present))
    if settings.multiplicity == "none":
        groups = compared = metrics = 1
    return Family(
        settings.alpha,
        primary,
        scored,
        headline,
        by_title=groups * compared * metrics,
        over_titles=compared * metrics,
        only_scores=scored == {key[0] for key in cells},
        blank=settings.blank,
    )


def _scored(cells: Mapping[CellKey, CellRepeats], title: str) -> bool:
    mine = [cell for key, cell in cells.items() if key[0] == title]
    return any(c.present("score").size for c in mine) and not any(c.present("average_fps").size for c in mine)
