"""What an instrument of power gets wrong that repeats don't average out, in levels and in differences.

Three things stand behind a card's mean power, each with a standard uncertainty of its own:

- the rhythm: the card's sensor looks now and then, and frames that keep its time are seen at one phase. What
  that can do is worked out from the frames and the card's model;
- other sources: a counter and readings that should agree and do not, beyond what the rhythm explains. The
  other's value is a limit of error of this one's, as a rectangular distribution;
- the instrument: limits of error that the plan states (``[instruments]``), in % and in watts.

Of the first two the larger counts, attempt by attempt (column ``power_sensor_u_w``): both are views of one
error. In a difference of two profiles the gain cancels, and an offset does where both read alike. What the
sensor gets wrong does not: another profile has another duty and another phase. None of it shrinks with
repeats, as the phase may be the same in each of them; the degrees of freedom follow Welch and Satterthwaite,
these parts having infinitely many. Source: JCGM 100:2008 (GUM), 4.3.7, 5.1, 5.2 and G.4.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from harness.analysis.estimate import Estimate
from harness.analysis.repeats import SENSOR_U, CellRepeats
from harness.analysis.settings import AnalysisSettings
from harness.metrics import ComparedMetric

#: Degrees of freedom that are as good as infinitely many.
_MOST_DF: Final = 1e6


def of_level(metric: ComparedMetric, cell: CellRepeats, settings: AnalysisSettings) -> float:
    """Standard uncertainty of a cell's mean by all three, in the metric's unit; 0 where none is known."""
    reading = _reading(metric, cell)
    if metric.group != "power" or math.isnan(reading):
        return 0.0
    gain, offset = _stated(metric, settings)
    share = math.hypot(_sensor(metric, (cell,)), gain, offset / reading)
    return abs(float(cell.present(metric.name).mean())) * share


def of_comparison(
    metric: ComparedMetric, cells: tuple[CellRepeats, CellRepeats], settings: AnalysisSettings
) -> float:
    """The same of a comparison of two cells, on the scale of the analysis: the log of their ratio."""
    readings = [_reading(metric, cell) for cell in cells]
    if metric.group != "power" or metric.scale != "ratio" or any(map(math.isnan, readings)):
        return 0.0
    _, offset = _stated(metric, settings)
    return math.hypot(_sensor(metric, cells), offset * (1 / readings[0] - 1 / readings[1]))


def with_instrument(estimate: Estimate, u: float) -> Estimate:
    """The estimate with a standard uncertainty that repeats don't make smaller.

    An estimate of a single repeat stays without an interval.
    """
    if u <= 0 or math.isnan(estimate.se):
        return estimate
    se = math.hypot(estimate.se, u)
    df = estimate.df * (se / estimate.se) ** 4 if estimate.se > 0 else _MOST_DF
    stages = estimate.stages
    if stages is not None:
        stages = with_instrument(stages[0], u), with_instrument(stages[1], u)
    return replace(
        estimate, se=se, df=min(df, _MOST_DF), fixed_u=math.hypot(estimate.fixed_u, u), stages=stages
    )


def _stated(metric: ComparedMetric, settings: AnalysisSettings) -> tuple[float, float]:
    """Standard uncertainty of the instrument's gain, as a share, and of its offset, in its unit."""
    stated = settings.instruments.get(metric.instruments[0]) if metric.instruments else None
    if stated is None:
        return 0.0, 0.0
    return stated.accuracy_pct / 100 / math.sqrt(3), stated.accuracy / math.sqrt(3)


def _reading(metric: ComparedMetric, cell: CellRepeats) -> float:
    values = cell.present(metric.instrument_reads or metric.name)
    return float(values.mean()) if values.size and cell.present(metric.name).size else math.nan


def _sensor(metric: ComparedMetric, cells: Sequence[CellRepeats]) -> float:
    """Relative standard uncertainty of the card's own sensor, of one cell or of the ratio of two."""
    return math.hypot(*(_share(cell, metric.sensed) for cell in cells))


def _share(cell: CellRepeats, sensed: str) -> float:
    if SENSOR_U not in cell.sensed or sensed not in cell.values:
        return 0.0
    shares = cell.sensed[SENSOR_U] / cell.values[sensed]
    shares = shares[np.isfinite(shares)]
    return math.sqrt(float(np.mean(shares**2))) if shares.size else 0.0
