"""Each title and setting by itself: profile against reference, paired within blocks of the order.

Repeats are paired by a stated key, campaign and block. Without one, or with fewer than two complete blocks,
profile and reference are two independent groups (Welch), and the row says so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy import special

from harness.analysis import sensed, words
from harness.analysis.claims import Claim, as_row, decide, shown
from harness.analysis.estimate import (
    Array,
    Estimate,
    of_mean,
    of_two_groups,
    with_step,
)
from harness.analysis.family import Family, family_of
from harness.analysis.power import cautious_df, repeats_that_decide
from harness.analysis.repeats import CellKey, CellRepeats
from harness.analysis.resolution import Steps
from harness.analysis.settings import AnalysisSettings
from harness.metrics import ComparedMetric
from harness.numerals import counted

#: From so many campaigns on, the interval rests on the scatter between campaigns.
CAMPAIGNS_AS_UNITS = 3


@dataclass(frozen=True)
class Comparison:
    """One profile against the reference in one title and setting, before it is decided.

    Attributes:
        differences: The paired differences on the scale of the analysis, shape (n,); empty where unpaired.
        lower_is_better: Which way is better here (a score's direction is the title's own).
        wall_apart_w: By how much a meter at the wall disputes the card's difference; None where it does not.
    """

    title: str
    setting: str
    profile: str
    metric: ComparedMetric
    estimate: Estimate
    paired: bool
    n_profile: int
    n_reference: int
    differences: Array
    lower_is_better: bool
    wall_apart_w: float | None = None


def compare(
    cells: dict[CellKey, CellRepeats], metric: ComparedMetric, profile: str, settings: AnalysisSettings
) -> list[Comparison]:
    """Compare a profile with the reference in every title and setting that has both."""
    found = []
    steps = Steps(cells, settings)
    for (title, setting, of_profile), cell in cells.items():
        reference = cells.get((title, setting, settings.reference))
        if of_profile != profile or reference is None:
            continue
        here = _compare_cells(cell, reference, metric, settings.paired)
        if here is None:
            continue
        estimate, paired, n_profile, n_reference, differences = here
        rule = settings.extension
        if rule is not None and rule.to is not None and cell.indices and reference.indices:
            estimate = replace(estimate, stages=_stages(cell, reference, metric, settings, rule.planned))
        estimate = with_step(estimate, steps.of_comparison(metric, (cell, reference)))
        estimate = sensed.with_instrument(estimate, sensed.of_comparison(metric, (cell, reference), settings))
        lower = metric.better == "lower"
        if metric.name == "score":
            lower = title in settings.lower_score_titles
        found.append(
            Comparison(
                title,
                setting,
                profile,
                metric,
                estimate,
                paired,
                n_profile,
                n_reference,
                differences,
                lower,
                sensed.wall_apart_w(metric, (cell, reference)),
            )
        )
    return found


def _compare_cells(
    cell: CellRepeats, reference: CellRepeats, metric: ComparedMetric, paired: bool
) -> tuple[Estimate, bool, int, int, Array] | None:
    scale = np.log if metric.scale == "ratio" else np.asarray
    here, there = cell.by_block(metric.name), reference.by_block(metric.name)
    shared = sorted(here.keys() & there.keys())
    ours, theirs = cell.present(metric.name), reference.present(metric.name)
    if not ours.size or not theirs.size:
        return None
    few = len(shared) < 2 <= min(ours.size, theirs.size)
    if paired and shared and not few:
        a = np.array([here[block] for block in shared])
        b = np.array([there[block] for block in shared])
        differences = scale(a) - scale(b)
        estimate = _over_campaigns(differences, [campaign for campaign, _ in shared])
        return estimate, True, len(shared), len(shared), differences
    return _independent(scale(ours), scale(theirs)), False, ours.size, theirs.size, np.empty(0)


def _stages(
    cell: CellRepeats,
    reference: CellRepeats,
    metric: ComparedMetric,
    settings: AnalysisSettings,
    planned: int,
) -> tuple[Estimate, Estimate]:
    """The planned repeats and those of the extension, each compared by itself."""
    stages = []
    for extended in (False, True):
        ours, theirs = (one.stage(planned, extended=extended) for one in (cell, reference))
        found = _compare_cells(ours, theirs, metric, settings.paired)
        stages.append(found[0] if found is not None else of_mean(np.zeros(1)))
    return stages[0], stages[1]


def _independent(ours: Array, theirs: Array) -> Estimate:
    """Two groups, with cautious degrees of freedom; a group of two alone decides them (calibration study)."""
    estimate = of_two_groups(ours, theirs)
    smallest = min(ours.size, theirs.size) - 1
    return replace(estimate, df=smallest if smallest <= 1 else cautious_df(estimate.df, smallest))


def _over_campaigns(differences: Array, campaigns: Sequence[str]) -> Estimate:
    """Estimate from pairs of one or more campaigns.

    From three campaigns on a campaign is the unit: its mean stands for it, and the interval rests on the
    scatter between campaigns (Kalibera & Jones 2013: the top level's means only).
    """
    pairs = of_mean(differences)
    names = np.array(campaigns)
    own = [differences[names == name] for name in dict.fromkeys(campaigns)]
    if len(own) < CAMPAIGNS_AS_UNITS:
        return pairs
    top = of_mean(np.array([part.mean() for part in own]))
    return replace(top, n=pairs.n, sd=top.se * math.sqrt(pairs.n))


def rows(
    comparisons: Sequence[Comparison], claims: Sequence[Claim], settings: AnalysisSettings
) -> list[dict[str, Any]]:
    """Rows of :data:`harness.analysis.tables.COMPARISON_COLUMNS` for one profile and metric."""
    made = []
    for comparison, claim in zip(comparisons, claims, strict=True):
        more, at_most = _more_repeats(comparison, claim, settings)
        made.append(
            {
                "title": comparison.title,
                "setting": comparison.setting,
                "profile": comparison.profile,
                "reference": settings.reference,
                **as_row(claim, comparison.metric, settings),
                "paired": comparison.paired,
                "n_pairs": comparison.estimate.n if comparison.paired else None,
                "n_profile": comparison.n_profile,
                "n_reference": comparison.n_reference,
                "sd": comparison.estimate.sd,
                "more_repeats_needed": more,
                "more_repeats_at_most": at_most,
                "sentence": _sentence(comparison, claim, more, at_most, settings),
            }
        )
    return made


def decided_rows(
    cells: dict[CellKey, CellRepeats],
    metric: ComparedMetric,
    profile: str,
    settings: AnalysisSettings,
    family: Family | None = None,
) -> tuple[list[Comparison], list[dict[str, Any]]]:
    """Compare, decide and describe one profile on one metric.

    Args:
        family: What is claimed side by side; None to take it from the cells and the settings.
    """
    comparisons = compare(cells, metric, profile, settings)
    claims = claims_of(comparisons, metric, settings, family or family_of(cells, settings))
    return comparisons, rows(comparisons, claims, settings)


def claims_of(
    comparisons: Sequence[Comparison],
    metric: ComparedMetric,
    settings: AnalysisSettings,
    family: Family,
    less_even: str = "",
) -> list[Claim]:
    """The verdict of each comparison of a metric and profile, title by title.

    Args:
        less_even: The side, profile or reference, whose runs were found less even; empty for neither.
    """
    claims = decide(
        metric,
        [comparison.estimate for comparison in comparisons],
        [family.of_title(metric.name, comparison.title, comparison.profile) for comparison in comparisons],
        settings,
        [comparison.lower_is_better for comparison in comparisons],
        settings.looks,
        settings.error_share(over_titles=False),
    )
    return [
        held_back(claim, less_even, comparison.profile)
        for claim, comparison in zip(claims, comparisons, strict=True)
    ]


def held_back(claim: Claim, less_even: str, profile: str) -> Claim:
    """The claim, its verdict withheld where it says ``same`` or favours the less even side."""
    favours = "better" if less_even == profile else "worse"
    return claim.withheld() if less_even and claim.direction in ("same", favours) else claim


#: Confidence of the range of repeats that would decide, as far as the scatter is known.
_RANGE = 0.8


def _more_repeats(
    comparison: Comparison, claim: Claim, settings: AnalysisSettings
) -> tuple[int | None, int | None]:
    """Further repeats that would decide with a probability of 0.8: least and most.

    The scatter is known only as well as its degrees of freedom let it be (chi-squared, 80 %).
    """
    estimate = comparison.estimate
    if claim.decision != "undecided" or not estimate.known or math.isnan(estimate.sd):
        return None, None
    margin, level = settings.margin(comparison.metric), claim.standing.level
    df = max(1, estimate.n - 1) if estimate.fixed_u > 0 else estimate.df  # of the scatter alone
    counts = []
    for tail in ((1 + _RANGE) / 2, (1 - _RANGE) / 2):
        sd = estimate.sd * math.sqrt(df / float(special.chdtri(df, 1 - tail)))
        total = repeats_that_decide(
            estimate.value, sd, margin, level, same_alpha=level / 2, fixed_u=estimate.fixed_u
        )
        counts.append(max(1, total - estimate.n) if total is not None else None)
    return counts[0], counts[1]


def _advice(n: int, least: int | None, most: int | None, settings: AnalysisSettings) -> str:
    """What would decide, as the plan lets it; adding repeats to a fixed plan after a look is no such way."""
    if least is None:
        return "over 1000 more repeats would be needed to decide"
    rule = settings.extension
    if settings.adaptive is None and not (rule is not None and rule.to is None):
        least, most = least + n, None if most is None else most + n
    span = (
        f"{least}" if most == least else f"{least} to {most}" if most is not None else f"{least} or many more"
    )
    if settings.adaptive is not None:
        return f"about {span} more repeats would decide, as far as the plan's rule goes"
    if rule is not None and rule.to is None:
        return f"extending the plan once by about {span} repeats would decide (extended_to)"
    return f"a new campaign of about {span} repeats would decide; this one had no room for more"


def _sentence(
    comparison: Comparison, claim: Claim, more: int | None, at_most: int | None, settings: AnalysisSettings
) -> str:
    metric, estimate = comparison.metric, comparison.estimate
    where = settings.label(comparison.title)
    if comparison.setting != "default":
        where += f", {settings.label(comparison.setting)}"
    within = words.within(metric, settings)
    profile, reference = settings.label(comparison.profile), settings.label(settings.reference)
    figure = words.change_with_interval(
        shown(estimate.value, metric), shown(claim.low, metric), shown(claim.high, metric),
        metric.scale, metric.difference_unit, settings.confidence_pct, claim.standing.size,
    )  # fmt: skip
    sentence = f"{where}: {words.claim(metric, claim.decision, profile, reference, within)}"
    sentence += f"; {metric.label} {figure}, from {_basis(comparison)}"
    if not estimate.known:
        return f"{sentence}; {words.no_interval(estimate.n)}."
    if claim.decision != "undecided":
        return f"{sentence}."
    if more is None and estimate.fixed_u > estimate.se / 2:
        return f"{sentence}; no number of repeats would decide: the rest is the instrument's uncertainty."
    return f"{sentence}; {_advice(estimate.n, more, at_most, settings)}."


def _basis(comparison: Comparison) -> str:
    if comparison.paired:
        return counted(comparison.estimate.n, "pair")
    if comparison.n_profile == comparison.n_reference:
        return f"{counted(comparison.n_profile, 'repeat')} each, as independent groups"
    return f"{comparison.n_profile} and {counted(comparison.n_reference, 'repeat')}, as independent groups"
