"""Uncertainty of the instruments, by the GUM's rules, apart from the scatter between repeats.

Scatter shrinks with repeats; what an instrument gets wrong does not. A gain error of one instrument cancels
in a ratio of two of its readings; an offset does not, unless the readings are alike. Source: JCGM 100:2008
(GUM), clauses 4.3 (limits of error, rectangular), 5 (propagation), G.4 (effective degrees of freedom).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from scipy import special

from harness.analysis.estimate import Array, of_mean
from harness.analysis.repeats import CellKey, CellRepeats
from harness.analysis.settings import AnalysisSettings
from harness.columns import Column, F, S
from harness.metrics import ComparedMetric
from harness.plan.report_table import Instrument

UNCERTAINTY_COLUMNS: tuple[Column, ...] = (
    Column("title", S, "", "title's name in the plan", nullable=False),
    Column("setting", S, "", "setting's name in the plan", nullable=False),
    Column("profile", S, "", "profile's name in the plan", nullable=False),
    Column("metric", S, "", "name of the metric", nullable=False),
    Column("label", S, "", "what a reader calls the metric", nullable=False),
    Column("unit", S, "", "unit of value and uncertainties", nullable=False),
    Column("value", F, "", "mean over repeats, in the unit of the row", nullable=False),
    Column("u_scatter", F, "", "standard uncertainty by scatter: sd / sqrt(n); null for one repeat"),
    Column("u_instrument", F, "", "standard uncertainty by the instruments; null where one is not stated"),
    Column("u_combined", F, "", "both together; null where the scatter is unknown"),
    Column("expanded", F, "", "half width of the interval that both together give"),
    Column("u_instrument_of_change_pct", F, "%", "what the instrument adds to the ratio to the reference"),
)


def instrument_u(instrument: Instrument, reading: float) -> float:
    """Standard uncertainty of one reading: limits of error and resolution as rectangular distributions."""
    return math.sqrt(sum(part**2 for part in _parts(instrument, reading)))


def combine(parts: Sequence[float]) -> float:
    """Root sum of squares of independent standard uncertainties in the same unit."""
    return math.sqrt(sum(part**2 for part in parts))


def propagate(gradient: Array, covariance: Array) -> float:
    """Standard uncertainty of f(x) from its partial derivatives, shape (k,), and the covariance, (k, k)."""
    return math.sqrt(float(gradient @ covariance @ gradient))


def effective_df(parts: Sequence[float], dfs: Sequence[float]) -> float:
    """Welch-Satterthwaite degrees of freedom of a combined uncertainty; infinity where no part has any."""
    total = combine(parts) ** 4
    below = sum(part**4 / df for part, df in zip(parts, dfs, strict=True) if df < math.inf)
    return total / below if below > 0 else math.inf


def coverage_factor(df: float, confidence: float) -> float:
    """k of the expanded uncertainty: Student's t at the truncated degrees of freedom, as the GUM takes it."""
    if math.isinf(df):
        return float(special.ndtri(0.5 + confidence / 2))
    return float(special.stdtrit(max(1.0, math.floor(df)), 0.5 + confidence / 2))


def uncertainty_rows(
    cells: dict[CellKey, CellRepeats], metrics: Sequence[ComparedMetric], settings: AnalysisSettings
) -> list[dict[str, Any]]:
    """Rows of :data:`UNCERTAINTY_COLUMNS`, for metrics whose instruments the plan states."""
    made = []
    confidence = settings.confidence_pct / 100
    for metric in metrics:
        instruments = [settings.instruments.get(name) for name in metric.instruments]
        known = [instrument for instrument in instruments if instrument is not None]
        if not known:
            continue
        for (title, setting, profile), cell in cells.items():
            values = cell.present(metric.name)
            reading = _reading(cell, metric)
            if not values.size or math.isnan(reading):
                continue
            mean = of_mean(values)
            whole = len(known) == len(instruments)  # an instrument that is not stated is unknown, not exact
            instrument = _of_metric(metric, known, mean.value, reading) if whole else math.nan
            combined = combine([mean.se, instrument])
            df = effective_df([mean.se, instrument], [mean.df, math.inf]) if whole else mean.df
            made.append(
                {
                    "title": title,
                    "setting": setting,
                    "profile": profile,
                    "metric": metric.name,
                    "label": metric.label,
                    "unit": metric.unit,
                    "value": mean.value,
                    "u_scatter": mean.se,
                    "u_instrument": instrument,
                    "u_combined": combined,
                    "expanded": coverage_factor(df, confidence) * combined
                    if mean.known and whole
                    else math.nan,
                    "u_instrument_of_change_pct": _of_change(
                        metric, known[0], reading, cells.get((title, setting, settings.reference))
                    ),
                }
            )
    return made


def _parts(instrument: Instrument, reading: float) -> tuple[float, float, float]:
    gain = abs(reading) * instrument.accuracy_pct / 100 / math.sqrt(3)
    return gain, instrument.accuracy / math.sqrt(3), instrument.resolution / math.sqrt(12)


def _of_metric(
    metric: ComparedMetric, instruments: Sequence[Instrument], value: float, reading: float
) -> float:
    if metric.scale == "ratio":
        return abs(value) * instrument_u(instruments[0], reading) / reading
    # a difference of two instruments: what the second one read is what is left of the first's reading
    readings = (reading, reading - value)
    return combine([instrument_u(one, own) for one, own in zip(instruments, readings, strict=False)])


def _reading(cell: CellRepeats, metric: ComparedMetric) -> float:
    values = cell.present(metric.instrument_reads or metric.name)
    return float(np.mean(values)) if values.size else math.nan


def _of_change(
    metric: ComparedMetric, instrument: Instrument, reading: float, reference: CellRepeats | None
) -> float:
    """Relative uncertainty of the ratio of two readings of one instrument, %: no gain, offset correlated."""
    other = _reading(reference, metric) if reference is not None else math.nan
    if metric.scale != "ratio" or math.isnan(other):
        return math.nan
    _, offset, step = _parts(instrument, reading)
    return 100 * combine([offset * (1 / reading - 1 / other), step / reading, step / other])


def covariance(columns: Mapping[str, Array]) -> Array:
    """Covariance of the means of simultaneous readings, shape (k, k), in the order of the mapping."""
    values = np.array(list(columns.values()))
    return np.asarray(np.cov(values) / values.shape[1])
