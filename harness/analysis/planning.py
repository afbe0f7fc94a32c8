"""What a plan can resolve, said before the night."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from harness.analysis import tables, words
from harness.analysis.family import slots
from harness.analysis.power import cautious_df, power_of_same, repeats_that_decide, smallest_difference
from harness.analysis.settings import AnalysisSettings
from harness.analysis.student import upper_quantile
from harness.columns import Column, F, I, S
from harness.metrics import METRICS, ComparedMetric
from harness.numerals import counted, decimals_of, unsigned
from harness.plan.schema import Plan

if TYPE_CHECKING:
    import pandas as pd

RESOLVABLE_COLUMNS: tuple[Column, ...] = (
    Column("title", S, "", "title's name in the plan; null: all titles together"),
    Column("setting", S, "", "setting's name in the plan; null: all titles together"),
    Column("metric", S, "", "name of the metric", nullable=False),
    Column("label", S, "", "what a reader calls the metric", nullable=False),
    Column("unit", S, "", "unit of the figures: % of a ratio, K or dB", nullable=False),
    Column("repeats", I, "", "repeats of each cell, as planned", nullable=False),
    Column("scatter", F, "", "scatter of one pair, in the unit of the row", nullable=False),
    Column("source", S, "", "pilot (earlier repeats) or assumed", nullable=False),
    Column("half_width", F, "", "expected half width of the interval, in the unit of the row"),
    Column("margin", F, "", "the plan's margin, in the unit of the row", nullable=False),
    Column("smallest_difference", F, "", "difference that is found with probability 0.8", nullable=True),
    Column("chance_of_same", F, "", "probability of 'same' where nothing differs; null: described only"),
    Column("repeats_for_margin", I, "", "repeats that decide 'same' with probability 0.8; null: over 1000"),
    Column("sentence", S, "", "the row as a sentence", nullable=False),
)


def pilot_scatter(repeats: pd.DataFrame, settings: AnalysisSettings) -> dict[tuple[str, str, str], float]:
    """Scatter of one pair from earlier repeats, by title, setting and metric, profiles pooled."""
    import numpy as np

    from harness.analysis.analyse import analyse

    table = analyse(repeats, settings).comparisons
    table = table[table["sd"].notna() & table["df"].notna()]
    found: dict[tuple[str, str, str], float] = {}
    for key, group in table.groupby(["title", "setting", "metric"], sort=False):
        weights = group["df"].to_numpy(np.float64)
        variance = float((group["sd"].to_numpy(np.float64) ** 2 * weights).sum() / weights.sum())
        found[str(key[0]), str(key[1]), str(key[2])] = math.sqrt(variance)
    return found


def resolvable(
    plan: Plan,
    pilot: Mapping[tuple[str, str, str], float] | None = None,
    assumed: Mapping[str, float] | None = None,
) -> pd.DataFrame:
    """:func:`resolvable_rows` as a table of :data:`RESOLVABLE_COLUMNS`."""
    return tables.frame(resolvable_rows(plan, pilot, assumed), RESOLVABLE_COLUMNS)


def resolvable_rows(
    plan: Plan,
    pilot: Mapping[tuple[str, str, str], float] | None = None,
    assumed: Mapping[str, float] | None = None,
) -> list[dict[str, Any]]:
    """What each comparison of the plan can resolve at its count of repeats.

    Each row is held to the level of its family (:mod:`harness.analysis.family`).

    Args:
        plan: The plan; adaptive repeats count as ``at_most``, at the levels that the looks leave.
        pilot: Scatter by title, setting and metric, from :func:`pilot_scatter`.
        assumed: Metric -> scatter where the pilot has none; by default what the metrics' definitions say.
            Metrics in neither are left out.
    Returns:
        Rows of :data:`RESOLVABLE_COLUMNS`; first those over all titles. Empty for a plan with one profile.
    """
    settings = AnalysisSettings.from_plan(plan)
    groups = [(title.name, setting.name) for title in plan.titles for setting in title.settings]
    pilot = pilot or {}
    if assumed is None:
        assumed = {m.name: m.assumed_scatter for m in METRICS.compared() if m.assumed_scatter is not None}
    if len(plan.profiles) < 2:
        return []
    count = plan.plan.repeats_at_most
    rows, across = [], []
    seen = {key[:2] for key in pilot}
    for name in dict.fromkeys([*assumed, *(metric for _, _, metric in pilot)]):
        metric = METRICS.compared_as[name]
        scatter = {
            group: (pilot[(*group, name)], "pilot")
            if (*group, name) in pilot
            else (assumed.get(name, math.nan), "assumed")
            for group in groups
        }
        if pilot and not any(source == "pilot" for _, source in scatter.values()):
            continue
        known = {
            group: found
            for group, found in scatter.items()
            if not math.isnan(found[0]) and (found[1] == "pilot" or group not in seen)
        }
        claimed = name in settings.primary or (name == "score" and _only_scores(pilot, settings))
        strict = _level(len(groups), claimed, settings, over_titles=False)
        together = _level(1, claimed, settings, over_titles=True)
        rows += [
            _row(metric, group, sd, source, count, count - 1, strict, claimed, settings)
            for group, (sd, source) in known.items()
        ]
        if known:
            sd = math.sqrt(sum(sd**2 for sd, _ in known.values())) / len(known)
            source = "pilot" if all(s == "pilot" for _, s in known.values()) else "assumed"
            df = cautious_df((count - 1) * len(known), count - 1)
            across.append(_row(metric, None, sd, source, count, df, together, claimed, settings))
    return across + rows


def _only_scores(pilot: Mapping[tuple[str, str, str], float], settings: AnalysisSettings) -> bool:
    """True where scores tell the speed, as no title that was measured has frames."""
    measured = {metric for _, _, metric in pilot}
    return "score" in measured and "average_fps" not in measured and "average_fps" in settings.primary


def _level(groups: int, claimed: bool, settings: AnalysisSettings, *, over_titles: bool) -> float:
    """Error rate of one interval at the last repeat, of single titles or (one group) over all of them."""
    if not claimed:
        return settings.alpha
    profiles = len({*settings.profiles} - {settings.reference, settings.blank})
    size = 1 if settings.multiplicity == "none" else groups * max(1, profiles) * len(slots(settings.primary))
    alpha = settings.alpha * settings.error_share(over_titles=over_titles) / size
    if settings.looks is None or over_titles:
        return alpha
    from harness.analysis.spending import nominal_levels

    return 2 * nominal_levels(alpha / 2, settings.looks.at_least, settings.looks.at_most)[-1]


def _row(
    metric: ComparedMetric,
    group: tuple[str, str] | None,
    sd: float,
    source: str,
    count: int,
    df: float,
    alpha: float,
    claimed: bool,
    settings: AnalysisSettings,
) -> dict[str, Any]:
    margin = settings.margin(metric)
    if df >= 1:
        half = upper_quantile(df, alpha / 2) * sd / math.sqrt(count)
        same = power_of_same(0.0, sd, margin, count, alpha / 2, df)
        smallest = smallest_difference(sd, count, alpha, df)
    else:
        half = same = smallest = math.nan
    titles = df / (count - 1) if count > 1 else 1.0
    needed = repeats_that_decide(0.0, sd, margin, alpha, titles=titles, same_alpha=alpha / 2)
    if not claimed:
        same, needed = math.nan, None
    row = {
        "title": group[0] if group else None,
        "setting": group[1] if group else None,
        "metric": metric.name,
        "label": metric.label,
        "unit": metric.difference_unit or "%",
        "repeats": count,
        "scatter": _in_unit(sd, metric),
        "source": source,
        "half_width": _in_unit(half, metric),
        "margin": _in_unit(margin, metric),
        "smallest_difference": _in_unit(smallest, metric),
        "chance_of_same": same,
        "repeats_for_margin": needed,
    }
    return {**row, "sentence": _sentence(row, metric, claimed, settings)}


def _in_unit(value: float, metric: ComparedMetric) -> float:
    return 100 * (math.exp(value) - 1) if metric.scale == "ratio" else value


def _two_digits(half_width: float) -> str:
    return unsigned(half_width, decimals_of(half_width))


def _sentence(
    row: Mapping[str, Any], metric: ComparedMetric, claimed: bool, settings: AnalysisSettings
) -> str:
    within = words.within(metric, settings)
    where = "All titles together" if row["title"] is None else settings.label(row["title"])
    if row["title"] is not None and row["setting"] != "default":
        where += f", {settings.label(row['setting'])}"
    start = f"{where}: {row['label']}"
    if math.isnan(row["half_width"]):
        told = f"{start} from one repeat has no interval of its own"
        if row["title"] is None and len(settings.titles) > 1:
            return f"{told}; the interval will be that between titles, however far apart they are."
        return f"{told}, so nothing can be decided."
    repeats = ("at most " if settings.adaptive else "") + counted(row["repeats"], "repeat")
    start += f" to about ±{_two_digits(row['half_width'])} {row['unit']} with {repeats}"
    if not claimed:
        return f"{start}; it is described and gets no verdict."
    if row["chance_of_same"] >= 0.8:
        return f"{start}; that is enough to tell whether it is the same {within}."
    needed = row["repeats_for_margin"]
    return (
        f"{start}; to tell whether it is the same {within} takes "
        f"{f'about {needed}' if needed is not None else 'over 1000'} repeats."
    )
