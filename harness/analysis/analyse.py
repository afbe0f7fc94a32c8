"""Repeats to cells to comparisons to a decision."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

from harness.analysis import comparisons, incidents, overall, sensed, tables, words
from harness.analysis.answer import answer
from harness.analysis.basis import Crashes, RestsOn, crashes_of, rests_on
from harness.analysis.cold import cold_starts
from harness.analysis.efficiency import EFFICIENCY_COLUMNS, efficiency_rows
from harness.analysis.estimate import Array, interval, of_mean, with_step
from harness.analysis.evenness import Evenness
from harness.analysis.incidents import Account
from harness.analysis.low_definition import by_one_definition
from harness.analysis.power_doubt import PowerDoubt, power_doubts
from harness.analysis.repeats import CellKey, CellRepeats, cells_of, lower_score_titles, no_ratios
from harness.analysis.resolution import Steps
from harness.analysis.settings import AnalysisSettings
from harness.analysis.uncertainty import UNCERTAINTY_COLUMNS, uncertainty_rows
from harness.analysis.variance import VARIANCE_COLUMNS, variance_rows
from harness.analysis.verdicts import verdicts
from harness.metrics import ComparedMetric
from harness.metrics.power import MEAN_POWER
from harness.numerals import at_start, counted
from harness.store.campaign_state import SetAside

#: Columns without which a table tells nothing of what became of its attempts.
_OF_ATTEMPTS = {"cell_id", "definition_hash", "repeat_index", "sentinel", "verdict", "reason_code"}


@dataclass(frozen=True)
class Analysis:
    """What the repeats say.

    Attributes:
        settings: The settings that it was made with.
        cells: One row per cell and metric; :data:`harness.analysis.tables.CELL_COLUMNS`.
        comparisons: One row per title, setting, profile and metric against the reference;
            :data:`harness.analysis.tables.COMPARISON_COLUMNS`.
        overall: One row per profile and metric over all titles;
            :data:`harness.analysis.tables.OVERALL_COLUMNS`.
        sensitivity: The same with one title left out, for three titles and more;
            :data:`harness.analysis.tables.SENSITIVITY_COLUMNS`.
        efficiency: One row per profile: speed, power, temperature, noise, cost, Pareto front;
            :data:`harness.analysis.efficiency.EFFICIENCY_COLUMNS`.
        variance: Where the scatter comes from; :data:`harness.analysis.variance.VARIANCE_COLUMNS`.
        instruments: Uncertainty of the instruments that the plan states, apart from the scatter;
            :data:`harness.analysis.uncertainty.UNCERTAINTY_COLUMNS`.
        rests_on: Which titles each figure over all titles rests on, and which are missing and why.
        evenness: How even the runs of each profile are beside the reference's; every primary ratio metric.
        crashes: Crashes under each profile; empty where only accepted repeats are known.
        set_aside: Profiles found unstable by the plan's rule, for a title or altogether.
        power_doubts: Cells whose power is in doubt, as the card's own sensor is.
        account: Repeats wanted, counted and marked; None where only accepted repeats are known.
        answer: What answers the plan's question, after what must be known first.
        warnings: What a reader must know before trusting the numbers, a sentence each.
    """

    settings: AnalysisSettings
    cells: pd.DataFrame
    comparisons: pd.DataFrame
    overall: pd.DataFrame
    sensitivity: pd.DataFrame
    efficiency: pd.DataFrame
    variance: pd.DataFrame
    instruments: pd.DataFrame
    rests_on: tuple[RestsOn, ...]
    evenness: tuple[Evenness, ...]
    crashes: tuple[Crashes, ...]
    set_aside: tuple[SetAside, ...]
    account: Account | None
    answer: str
    warnings: tuple[str, ...]
    power_doubts: tuple[PowerDoubt, ...] = ()


def analyse(
    repeats: pd.DataFrame,
    settings: AnalysisSettings,
    attempts: pd.DataFrame | None = None,
    courses: Mapping[str, Array] = MappingProxyType({}),
) -> Analysis:
    """Analyse accepted repeats.

    Args:
        repeats: Columns of :data:`harness.tables.ATTEMPTS`; those it lacks count as not measured. Rows that
            were not accepted, sentinels and re-measurements are left out. A further column ``score_better``
            (``higher`` or ``lower``) states which way a title's score is better.
        settings: See :class:`AnalysisSettings`.
        attempts: Every attempt, same columns, for the reasons why something is missing; by default the
            repeats where they hold attempts that were not accepted.
        courses: Cell -> courses of its repeats' frames (:mod:`harness.analysis.within_run`), where they are
            at hand; shape (repeats, bins).
    Raises:
        ValueError: A column that identifies a repeat is missing.
    """
    settings = replace(settings, lower_score_titles=lower_score_titles(repeats, settings))
    repeats, other_lows = by_one_definition(repeats, settings.low_definition)
    cells = cells_of(repeats, settings)
    profiles = list(dict.fromkeys(key[2] for key in sorted(cells, key=lambda key: _place(key, settings))))
    compared = [profile for profile in profiles if profile != settings.reference]
    decided = verdicts(cells, compared, settings)
    metrics = decided.metrics
    groups = list(dict.fromkeys([*settings.places, *(key[:2] for key in cells)]))
    if attempts is None and set(repeats.columns) >= _OF_ATTEMPTS:
        attempts = repeats if (repeats["verdict"] != "accepted").any() else None
    rests = [
        rests_on(cells, metric, profile, found, groups, attempts, settings)
        for (metric, profile), found in decided.found.items()
    ]
    sensitivity_rows = [
        row
        for metric in metrics
        for row in overall.sensitivity_rows(
            metric,
            {profile: decided.found[metric.name, profile] for profile in compared},
            settings,
            decided.family,
            decided.uneven,
        )
    ]
    comparison_rows, overall_rows, evenness = decided.by_title, decided.over_titles, decided.evenness
    cell_rows = [row for metric in metrics for row in _cell_rows(cells, metric, settings)]
    crashes = () if attempts is None else tuple(crashes_of(attempts, p) for p in _tried(attempts, profiles))
    aside = () if attempts is None else incidents.set_aside(attempts, settings.retries)
    account = None if attempts is None else incidents.account(attempts, settings)
    ratios = [(metric.name, metric.label) for metric in metrics if metric.scale == "ratio"]
    return Analysis(
        settings=settings,
        cells=tables.frame(cell_rows, tables.CELL_COLUMNS),
        comparisons=tables.frame(comparison_rows, tables.COMPARISON_COLUMNS),
        overall=tables.frame(overall_rows, tables.OVERALL_COLUMNS),
        sensitivity=tables.frame(sensitivity_rows, tables.SENSITIVITY_COLUMNS),
        efficiency=tables.frame(efficiency_rows(cells, overall_rows, profiles, settings), EFFICIENCY_COLUMNS),
        variance=tables.frame(
            variance_rows(cells, ratios, settings, _seconds_a_repeat(repeats), courses), VARIANCE_COLUMNS
        ),
        instruments=tables.frame(uncertainty_rows(cells, metrics, settings), UNCERTAINTY_COLUMNS),
        rests_on=tuple(rest for rest in rests if rest.titles or rest.missing),
        evenness=evenness,
        crashes=crashes,
        set_aside=aside,
        account=account,
        answer=_answer(overall_rows, compared, cells, settings, rests, evenness, (crashes, aside, account)),
        warnings=(
            *_warnings(repeats, cells, comparison_rows, settings),
            *([] if other_lows is None else [other_lows]),
            *_disputed_by_the_wall(decided.found, settings),
        ),
        power_doubts=power_doubts(repeats),
    )


def _seconds_a_repeat(repeats: pd.DataFrame) -> float:
    """Median length of an attempt; 300 s where it was not recorded."""
    lengths = repeats["duration_s"].dropna() if "duration_s" in repeats.columns else ()
    return float(np.median(lengths)) if len(lengths) else 300.0


def _place(key: CellKey, settings: AnalysisSettings) -> tuple[int, str]:
    profile = key[2]
    known = profile in settings.profiles
    return (settings.profiles.index(profile) if known else len(settings.profiles), profile)


def _cell_rows(
    cells: Mapping[CellKey, CellRepeats], metric: ComparedMetric, settings: AnalysisSettings
) -> list[dict[str, Any]]:
    made = []
    steps = Steps(cells, settings)
    for (title, setting, profile), cell in cells.items():
        values = cell.present(metric.name)
        if not values.size:
            continue
        mean = with_step(of_mean(values), steps.of_level(metric, cell))
        mean = sensed.with_instrument(mean, sensed.of_level(metric, cell, settings))
        low, high = interval(mean, settings.confidence_pct / 100)
        made.append(
            {
                "cell_id": cell.cell_id,
                "title": title,
                "setting": setting,
                "profile": profile,
                "metric": metric.name,
                "label": metric.label,
                "group": metric.group,
                "unit": metric.unit,
                "n": mean.n,
                "mean": mean.value,
                "sd": mean.sd,
                "low": low,
                "high": high,
            }
        )
    return made


def _answer(
    overall_rows: list[dict[str, Any]],
    compared: list[str],
    cells: Mapping[CellKey, CellRepeats],
    settings: AnalysisSettings,
    rests: Sequence[RestsOn],
    evenness: Sequence[Evenness],
    found: tuple[Sequence[Crashes], Sequence[SetAside], Account | None],
) -> str:
    crashes, aside, account = found
    first = incidents.lead(crashes, aside, account, settings)
    before = f"{first} " if first else ""
    if not cells:
        return f"{before}No repeat was accepted, so the question can't be answered."
    if not compared:
        profile = settings.label(next(iter(cells))[2])
        return f"{before}Only {profile} has repeats that count, so there is nothing to compare it with."
    return before + answer(overall_rows, settings, rests, evenness, incidents.tail(account))


def _tried(attempts: pd.DataFrame, profiles: Sequence[str]) -> list[str]:
    """The profiles in their order, and any of which no repeat was accepted."""
    return list(dict.fromkeys([*profiles, *attempts["profile"].astype(str)]))


def _warnings(
    repeats: pd.DataFrame,
    cells: Mapping[CellKey, CellRepeats],
    comparison_rows: list[dict[str, Any]],
    settings: AnalysisSettings,
) -> list[str]:
    found = []
    if settings.chosen_afterwards:
        found.append(
            f"Chosen after the first repeat, when results could be known: "
            f"{'; '.join(settings.chosen_afterwards)}. The stated error rates hold for what is chosen before."
        )
    if cells and not any(key[2] == settings.reference for key in cells):
        found.append(
            f"The reference {settings.label(settings.reference)} has no accepted repeat; nothing is compared."
        )
    lacking = sorted({key[:2] for key in cells} - {k[:2] for k in cells if k[2] == settings.reference})
    if lacking and len(lacking) < len({key[:2] for key in cells}):
        names = words.listed([f"{settings.label(title)} ({setting})" for title, setting in lacking])
        found.append(f"Not compared, as the reference has no accepted repeat there: {names}.")
    singles = [cell.cell_id for cell in cells.values() if len(cell.blocks) == 1]
    if singles:
        found.append(
            f"{counted(len(singles), 'cell')} with one accepted repeat: no interval, no decision there."
        )
    for metric, count in no_ratios(repeats, settings).items():
        found.append(
            f"{at_start(metric.label)}: {counted(count, 'value')} at or below zero, "
            "which no ratio can take, left out of the comparison; the table of attempts has them."
        )
    keyed = any(block >= 0 for cell in cells.values() for _, block in cell.blocks)
    if not keyed and len({key[2] for key in cells}) > 1:
        found.append(
            "No block tells which repeats were measured beside each other: profiles are compared as "
            "independent groups. A column 'block' would pair them."
        )
    if keyed and not settings.paired and len({key[2] for key in cells}) > 1:
        found.append(
            "The order of the night was not balanced: a drift of the rig or the room adds to the differences "
            "between profiles, and the intervals don't know of it."
        )
    unpaired = {
        (row["title"], row["setting"], row["profile"])
        for row in comparison_rows
        if keyed and settings.paired and not row["paired"]
    }
    if unpaired:
        found.append(
            f"{counted(len(unpaired), 'comparison')} without two complete blocks: compared as "
            "independent repeats, with a wider interval."
        )
    left = _without_partner(cells, comparison_rows, settings)
    if left:
        found.append(
            f"{counted(left, 'repeat')} without a partner in the same block: in the table of cells, not "
            "in the comparisons."
        )
    campaigns = len({campaign for cell in cells.values() for campaign, _ in cell.blocks})
    if 1 < campaigns < comparisons.CAMPAIGNS_AS_UNITS:
        found.append(
            f"{campaigns} campaigns are pooled: their intervals hold for these nights; "
            f"{comparisons.CAMPAIGNS_AS_UNITS} or more are needed to speak for other nights."
        )
    found += [
        f"{settings.label(cold.title)} ({cold.setting}): its first repeat, under "
        f"{settings.label(cold.profile)}, had {cold.long_frames} long frames, no later one more than "
        f"{cold.most_later}: its shader caches were cold. Run it once before the night, or warm up longer."
        for cold in cold_starts(repeats)
    ]
    scores = {row["title"] for row in comparison_rows if row["metric"] == "score"}
    turned = [title for title in scores if title in settings.lower_score_titles]
    if turned:
        names = words.listed(sorted(settings.label(title) for title in turned))
        rest = (
            " In the row over all titles they are turned round: more is better there."
            if (len(turned) < len(scores))
            else ""
        )
        found.append(f"Of these scores less is better: {names}.{rest}")
    flat = [row for row in comparison_rows if row["sd"] == 0 and math.isfinite(row["low"])]
    if flat:
        labels = words.listed(list(dict.fromkeys(row["label"] for row in flat)))
        found.append(
            f"{counted(len(flat), 'comparison')} of {labels} with repeats equal to the last digit: the "
            "resolution of the measurement hides the scatter, so the interval is made of its step."
        )
    return found


def _disputed_by_the_wall(
    found: Mapping[tuple[str, str], Sequence[comparisons.Comparison]], settings: AnalysisSettings
) -> list[str]:
    """Comparisons of the card's power that a meter at the wall disputes, a sentence each."""
    return [
        f"{settings.label(one.title)} ({one.setting}), {settings.label(one.profile)}: the meter at the wall "
        f"disputes the card's change of power by {abs(one.wall_apart_w):.1f} W; that is in the intervals of "
        "power, energy per frame and FPS per watt."
        for (metric, _), compared in found.items()
        for one in compared
        if metric == MEAN_POWER.name and one.wall_apart_w is not None
    ]


def _without_partner(
    cells: Mapping[CellKey, CellRepeats],
    comparison_rows: list[dict[str, Any]],
    settings: AnalysisSettings,
) -> int:
    """Repeats that no comparison uses, of cells that are compared at all."""
    used: dict[CellKey, int] = {}
    for row in comparison_rows:
        for profile, n in ((row["profile"], "n_profile"), (settings.reference, "n_reference")):
            key = (row["title"], row["setting"], profile)
            used[key] = max(used.get(key, 0), row[n])
    return sum(max(0, len(cells[key].blocks) - n) for key, n in used.items())
