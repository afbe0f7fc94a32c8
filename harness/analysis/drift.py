"""Drift of the rig over the night, from the sentinels: the reference cell measured again and again.

A straight line through the sentinels over time (of the logarithm for ratios), with the t-interval of its
slope; ordinary least squares (any statistics text; tested on the calibration line of GUM H.3). With few
sentinels the interval is wide and says so. A drift taken out changes comparisons little where the order was
balanced; it is done only where the plan asks, and shown beside the figures as measured.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from harness.analysis.estimate import Array
from harness.metrics import METRICS, ComparedMetric
from harness.numerals import at_start, decimals_of, signed

#: Sentinels below which no line is drawn.
LEAST_SENTINELS = 3


@dataclass(frozen=True)
class Line:
    """Least-squares line ``level + slope (x - centre)``; ``level_se`` and ``slope_se`` are independent."""

    centre: float
    level: float
    slope: float
    level_se: float
    slope_se: float
    df: int


def fit_line(x: Array, y: Array) -> Line:
    """Fit a line by least squares. Raises ValueError for fewer than 3 points or no spread in x."""
    centred = x - x.mean()
    spread = float(centred @ centred)
    if x.size < LEAST_SENTINELS or spread <= 0:
        raise ValueError(f"a line needs {LEAST_SENTINELS} points at different places, got {x.size}")
    slope = float(centred @ y) / spread
    residuals = y - y.mean() - slope * centred
    variance = float(residuals @ residuals) / (x.size - 2)
    return Line(
        float(x.mean()),
        float(y.mean()),
        slope,
        math.sqrt(variance / x.size),
        math.sqrt(variance / spread),
        x.size - 2,
    )


@dataclass(frozen=True)
class Drift:
    """Drift of one metric over the span of the sentinels.

    Attributes:
        metric: What drifted.
        sentinels: Sentinels that the line rests on.
        hours: Time from the first to the last.
        centre_s: Mean time of the sentinels, s since the campaign's first attempt.
        per_hour: Slope: fraction an hour of a ratio metric, unit an hour of a difference metric.
        low, high: Interval of the slope.
    """

    metric: ComparedMetric
    sentinels: int
    hours: float
    centre_s: float
    per_hour: float
    low: float
    high: float

    @property
    def significant(self) -> bool:
        """The interval excludes no drift."""
        return self.low > 0 or self.high < 0

    def over_night(self) -> tuple[float, float, float]:
        """Drift from first to last sentinel and its interval: % of a ratio metric, else in its unit."""
        changes = (rate * self.hours for rate in (self.per_hour, self.low, self.high))
        if self.metric.scale == "ratio":
            estimate, low, high = (100 * math.expm1(change) for change in changes)
        else:
            estimate, low, high = changes
        return estimate, low, high

    def sentence(self) -> str:
        """The drift in words, with its interval."""
        estimate, low, high = self.over_night()
        unit = "%" if self.metric.scale == "ratio" else self.metric.difference_unit
        verdict = "drifted" if self.significant else "shows no significant drift"
        label = at_start(self.metric.label)
        decimals = decimals_of((high - low) / 2)
        interval = f"{signed(low, decimals)} to {signed(high, decimals)} {unit}"
        return (
            f"{label} {verdict}: {signed(estimate, decimals)} {unit} over {self.hours:.1f} h "
            f"({interval}, {self.sentinels} sentinels)."
        )


def estimate_drifts(repeats: pd.DataFrame, confidence_pct: float = 95.0) -> tuple[Drift, ...]:
    """Drift of every metric that the sentinels carry.

    Args:
        repeats: Columns of :data:`harness.tables.ATTEMPTS`; only accepted sentinels of one cell are used (the
            cell with most of them), on their ``start_s``.
        confidence_pct: Of the interval.
    Returns:
        One drift per metric; none with fewer than 3 sentinels.
    """
    if not {"sentinel", "start_s", "cell_id"} <= set(repeats.columns):
        return ()
    table = repeats[repeats["sentinel"].fillna(False).astype(bool) & repeats["start_s"].notna()]
    if "verdict" in table.columns:
        table = table[table["verdict"] == "accepted"]
    if table.empty:
        return ()
    table = table[table["cell_id"] == table["cell_id"].mode().iloc[0]]
    found = []
    for metric in METRICS.compared():
        if metric.name in table.columns:
            values = _values(table, metric)
            present = np.isfinite(values)
            drift = _drift(metric, _seconds(table)[present], values[present], confidence_pct)
            if drift is not None:
                found.append(drift)
    return tuple(found)


def _drift(metric: ComparedMetric, start_s: Array, values: Array, confidence_pct: float) -> Drift | None:
    if start_s.size < LEAST_SENTINELS or np.ptp(start_s) <= 0:
        return None
    line = fit_line(start_s / 3600, values)
    half = float(stdtrit(line.df, 0.5 + confidence_pct / 200)) * line.slope_se
    return Drift(
        metric=metric,
        sentinels=start_s.size,
        hours=float(np.ptp(start_s)) / 3600,
        centre_s=line.centre * 3600,
        per_hour=line.slope,
        low=line.slope - half,
        high=line.slope + half,
    )


def without_drift(repeats: pd.DataFrame, drifts: Iterable[Drift]) -> pd.DataFrame:
    """A copy of the repeats with each drift taken out, as if all were measured in the middle of the night."""
    corrected = repeats.copy()
    for drift in drifts:
        name = drift.metric.name
        hours = (_seconds(corrected) - drift.centre_s) / 3600
        values = pd.to_numeric(corrected[name], errors="coerce").to_numpy(np.float64, na_value=np.nan)
        gone = drift.per_hour * np.where(np.isfinite(hours), hours, 0.0)
        corrected[name] = values * np.exp(-gone) if drift.metric.scale == "ratio" else values - gone
    return corrected


def _seconds(table: pd.DataFrame) -> Array:
    return table["start_s"].to_numpy(np.float64, na_value=np.nan)


def _values(table: pd.DataFrame, metric: ComparedMetric) -> Array:
    """Values on the scale of the analysis; NaN where missing or where a ratio can't take them."""
    values = pd.to_numeric(table[metric.name], errors="coerce").to_numpy(np.float64, na_value=np.nan)
    if metric.scale == "difference":
        return values
    return np.log(np.where(values > 0, values, np.nan))
