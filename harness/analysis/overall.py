"""Across titles: the geometric mean of ratios, for these titles and for similar titles.

Every title weighs the same, whatever its frame rate and its count of settings. Source of the geometric
mean: Fleming & Wallace, *Communications of the ACM* 29:218-221, 1986.

Settings of a title are averaged first. "Similar titles" is a t interval over title means, never narrower
than the one for these titles. From three campaigns on the campaign is the unit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

import numpy as np

from harness.analysis import words
from harness.analysis.claims import Claim, as_row, decide, shown
from harness.analysis.comparisons import Comparison, claims_of, held_back
from harness.analysis.estimate import Estimate, interval, of_average, of_mean
from harness.analysis.family import Family, Standing
from harness.analysis.settings import AnalysisSettings
from harness.metrics import ComparedMetric

#: (metric, profile) -> the side whose runs were found less even.
Uneven = Mapping[tuple[str, str], str]


@dataclass(frozen=True)
class Across:
    """One profile against the reference over all titles, before it is decided.

    Attributes:
        these: Mean over titles with the error of measurement only; where a title has no scatter of its own,
            with the scatter between titles (:func:`harness.analysis.estimate.of_average`).
        like_these: The same with the scatter between titles in it; never narrower than ``these``.
        titles: Title -> estimate, its settings averaged.
        lower_is_better: Which way is better. Scores that are better lower are turned round where others
            among them are better higher; the figure then tells better and worse.
        alone: The one comparison that it rests on, which decides it; None for several.
    """

    these: Estimate
    like_these: Estimate
    titles: Mapping[str, Estimate]
    lower_is_better: bool
    alone: Comparison | None


def across_titles(comparisons: Sequence[Comparison], confidence: float) -> Across:
    """Average over the settings of each title, then over titles. At least one comparison."""
    by_title: dict[str, list[Estimate]] = {}
    lower = {comparison.lower_is_better for comparison in comparisons}
    for comparison in comparisons:
        estimate = comparison.estimate
        if len(lower) > 1 and comparison.lower_is_better:
            estimate = replace(estimate, value=-estimate.value)
        by_title.setdefault(comparison.title, []).append(estimate)
    titles = {title: of_average(estimates) for title, estimates in by_title.items()}
    these = of_average(list(titles.values()))
    like = of_mean(np.array([estimate.value for estimate in titles.values()]))
    if like.known and these.known:
        narrow, wide = interval(these, confidence), interval(like, confidence)
        if wide[1] - wide[0] < narrow[1] - narrow[0]:
            like = replace(these, sd=like.sd)
    return Across(these, like, titles, lower == {True}, comparisons[0] if len(comparisons) == 1 else None)


def decided_rows(
    metric: ComparedMetric,
    by_profile: Mapping[str, Sequence[Comparison]],
    settings: AnalysisSettings,
    family: Family,
    uneven: Uneven = MappingProxyType({}),
) -> list[dict[str, Any]]:
    """Rows of :data:`harness.analysis.tables.OVERALL_COLUMNS` for one metric.

    Args:
        uneven: (metric, profile) -> the side whose runs were found less even.
    """
    made = []
    for profile, comparisons in by_profile.items():
        if not comparisons:
            continue
        standing = family.over_all(metric.name, profile)
        across = across_titles(comparisons, 1 - standing.level)
        less_even = uneven.get((metric.name, profile), "")
        claim, wide = (
            held_back(one, less_even, profile) for one in _claims(metric, across, standing, settings, family)
        )
        several = len(across.titles) > 1
        made.append(
            {
                "profile": profile,
                "reference": settings.reference,
                **as_row(claim, metric, settings),
                "n_titles": len(across.titles),
                "titles": ", ".join(across.titles),
                "scatter": "between titles" if across.these.between else "within titles",
                "like_these_low": shown(wide.low, metric) if several else math.nan,
                "like_these_high": shown(wide.high, metric) if several else math.nan,
                "like_these_decision": wide.decision if several else None,
                "sd_between_titles": across.like_these.sd if several else math.nan,
                "sentence": _sentence(metric, profile, across, claim, settings),
            }
        )
    return made


def _claims(
    metric: ComparedMetric, across: Across, standing: Standing, settings: AnalysisSettings, family: Family
) -> tuple[Claim, Claim]:
    """The verdict for these titles and for similar titles; a single comparison keeps its own."""
    share = settings.error_share(over_titles=True)
    lower = [across.lower_is_better]
    if across.alone is not None:
        claim = claims_of([across.alone], metric, settings, family)[0]
    else:
        claim = decide(metric, [across.these], [standing], settings, lower, share=share)[0]
    return claim, decide(metric, [across.like_these], [standing], settings, lower, share=share)[0]


def sensitivity_rows(
    metric: ComparedMetric,
    by_profile: Mapping[str, Sequence[Comparison]],
    settings: AnalysisSettings,
    family: Family,
    uneven: Uneven = MappingProxyType({}),
) -> list[dict[str, Any]]:
    """Rows of :data:`harness.analysis.tables.SENSITIVITY_COLUMNS`: the result with one title left out."""
    made = []
    whole = {row["profile"]: row for row in decided_rows(metric, by_profile, settings, family, uneven)}
    titles = dict.fromkeys(c.title for comparisons in by_profile.values() for c in comparisons)
    for title in titles if len(titles) > 2 else ():
        rest = {p: [c for c in comparisons if c.title != title] for p, comparisons in by_profile.items()}
        for row in decided_rows(metric, rest, settings, family, uneven):
            kept = {name: row[name] for name in ("profile", "reference", "metric", "label")}
            figures = {name: row[name] for name in ("unit", "estimate", "low", "high", "decision")}
            changes = row["decision"] != whole[row["profile"]]["decision"]
            made.append({**kept, "left_out": title, **figures, "changes_decision": changes})
    return made


def _sentence(
    metric: ComparedMetric, profile: str, across: Across, claim: Claim, settings: AnalysisSettings
) -> str:
    within = words.within(metric, settings)
    figure = words.change_with_interval(
        shown(claim.estimate.value, metric), shown(claim.low, metric), shown(claim.high, metric),
        metric.scale, metric.difference_unit, settings.confidence_pct, claim.standing.size,
    )  # fmt: skip
    clause = words.claim(
        metric, claim.decision, settings.label(profile), settings.label(settings.reference), within
    )
    titles = len(across.titles)
    place = f"over {titles} titles" if titles > 1 else f"in {settings.label(next(iter(across.titles)))}"
    mean = ""
    if titles > 1:
        mean = ", geometric mean of the ratios" if metric.scale == "ratio" else ", mean of the differences"
    end = "" if claim.estimate.known else f"; {words.no_interval(claim.estimate.n)}"
    if claim.estimate.between:
        end = "; a title has too few repeats for a scatter of its own, so the interval is that between titles"
    return f"{place[0].upper()}{place[1:]}, {clause}: {metric.label} {figure}{mean}{end}."
