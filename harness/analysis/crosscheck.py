"""The same comparison by three procedures that must agree where their assumptions hold."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from harness.analysis import tables
from harness.analysis.bootstrap import ENOUGH, bca_of_average
from harness.analysis.claims import shown
from harness.analysis.comparisons import Comparison, compare
from harness.analysis.estimate import interval
from harness.analysis.mixed import SCOPES, Scope, mixed_estimate
from harness.analysis.overall import Across, across_titles
from harness.analysis.repeats import CellKey, CellRepeats, cells_of
from harness.analysis.settings import AnalysisSettings
from harness.columns import Column, F, S
from harness.metrics import METRICS, ComparedMetric

Ends = tuple[float, float]

CROSS_CHECK_COLUMNS: tuple[Column, ...] = (
    Column("profile", S, "", "profile that is compared", nullable=False),
    Column("reference", S, "", "profile that it is compared with", nullable=False),
    Column("metric", S, "", "name of the metric", nullable=False),
    Column("scope", S, "", "these titles, or similar titles", nullable=False),
    Column("method", S, "", "t, bootstrap or mixed model", nullable=False),
    Column("estimate", F, "", "ratio, or difference in the metric's unit"),
    Column("low", F, "", "lower end of its interval"),
    Column("high", F, "", "upper end of its interval"),
    Column("note", S, "", "what limits this method here; empty when nothing does", nullable=False),
)


def cross_check(
    repeats: pd.DataFrame, settings: AnalysisSettings, metric: str = "average_fps"
) -> pd.DataFrame:
    """Compare each profile with the reference over all titles by t, BCa bootstrap and mixed model.

    Returns:
        :data:`CROSS_CHECK_COLUMNS`.
    Raises:
        PluginError: statsmodels is not installed.
    """
    cells = cells_of(repeats, settings)
    measure = METRICS.compared_as[metric]
    confidence = settings.confidence_pct / 100
    rows: list[dict[str, Any]] = []
    for profile in dict.fromkeys(key[2] for key in cells if key[2] != settings.reference):
        comparisons = compare(cells, measure, profile, settings)
        if not comparisons:
            continue
        across = across_titles(comparisons, confidence)
        for scope in SCOPES:
            known = across.these if scope == "these titles" else across.like_these
            mixed = mixed_estimate(_long(cells, measure, profile, settings), scope)
            found: list[tuple[str, float, tuple[float, float], str]] = [
                ("t", known.value, interval(known, confidence), ""),
                (
                    "bootstrap",
                    known.value,
                    _bootstrap(comparisons, across, scope, confidence),
                    _caution(comparisons, across, scope),
                ),
            ]
            if mixed is not None:
                note = _weighing(comparisons, across)
                found.append(("mixed model", mixed.value, interval(mixed, confidence), note))
            rows += [
                {
                    "profile": profile,
                    "reference": settings.reference,
                    "metric": metric,
                    "scope": scope,
                    "method": method,
                    "estimate": shown(value, measure),
                    "low": shown(low, measure),
                    "high": shown(high, measure),
                    "note": note,
                }
                for method, value, (low, high), note in found
            ]
    return tables.frame(rows, CROSS_CHECK_COLUMNS)


def _bootstrap(comparisons: Sequence[Comparison], across: Across, scope: Scope, confidence: float) -> Ends:
    if scope == "similar titles":
        return bca_of_average([np.array([title.value for title in across.titles.values()])], confidence)
    titles = [comparison.title for comparison in comparisons]
    weights = [1 / len(across.titles) / titles.count(title) for title in titles]
    return bca_of_average([c.differences for c in comparisons], confidence, weights=weights)


def _caution(comparisons: Sequence[Comparison], across: Across, scope: Scope) -> str:
    if scope == "similar titles":
        count = len(across.titles)
        return f"too narrow with {count} titles" if count < ENOUGH else ""
    if not all(comparison.paired for comparison in comparisons):
        return "not paired: no bootstrap"
    fewest = min(comparison.estimate.n for comparison in comparisons)
    return f"too narrow with {fewest} repeats a title" if fewest < ENOUGH else ""


def _weighing(comparisons: Sequence[Comparison], across: Across) -> str:
    """The model knows no titles above settings, and weighs by repeats."""
    counts = {comparison.estimate.n for comparison in comparisons}
    uneven = len(counts) > 1 or len(across.titles) < len(comparisons)
    return "weighs every repeat alike, not every title" if uneven else ""


def _long(
    cells: dict[CellKey, CellRepeats], metric: ComparedMetric, profile: str, settings: AnalysisSettings
) -> pd.DataFrame:
    rows = []
    for (title, setting, of_profile), cell in cells.items():
        if of_profile in (profile, settings.reference) and metric.name in cell.values:
            for (campaign, block), value in zip(cell.blocks, cell.values[metric.name].tolist(), strict=True):
                if not math.isnan(value):
                    group = f"{title}.{setting}"
                    rows.append(
                        {
                            "y": math.log(value) if metric.scale == "ratio" else value,
                            "tuned": float(of_profile == profile),
                            "title": group,
                            "block": f"{group}/{campaign}/{block}",
                        }
                    )
    return pd.DataFrame(rows)
