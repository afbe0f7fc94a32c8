"""What an instrument of power gets wrong that repeats don't average out, in levels and in differences.

Four things stand behind a card's mean power, each with a standard uncertainty of its own:

- the rhythm: the card's sensor looks now and then, and frames that keep its time are seen at one phase. What
  that can do is worked out from the frames and the card's model;
- other sources: a counter and readings that should agree and do not, beyond what the rhythm explains. The
  other's value is a limit of error of this one's, as a rectangular distribution;
- a meter at the wall: what two profiles differ by there must be, through the supply, what the card says that
  they differ by. What lies outside of that is a limit of error of the comparison;
- the instrument: limits of error that the plan states (``[instruments]``), in % and in watts.

Of the first three the larger counts, of the first two attempt by attempt (column ``power_sensor_u_w``): all
are views of one error. In a difference of two profiles the gain cancels, and an offset does where both read
alike. What the sensor gets wrong does not: another profile has another duty and another phase. None of it
shrinks with repeats, as the phase may be the same in each of them; the degrees of freedom follow Welch and
Satterthwaite, these parts having infinitely many. Source: JCGM 100:2008 (GUM), 4.3.7, 5.1, 5.2 and G.4.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from scipy import special

from harness.analysis.estimate import Estimate
from harness.analysis.repeats import SENSOR_U, CellRepeats
from harness.analysis.settings import AnalysisSettings
from harness.metrics import ComparedMetric

#: Degrees of freedom that are as good as infinitely many.
_MOST_DF: Final = 1e6
#: Efficiency of a computer's supply under load, least and most. Common practice, no source.
EFFICIENCY: Final = (0.78, 0.97)
#: The same in between, for what the processor draws through it.
_SUPPLY_OF_PROCESSOR: Final = 1 / 0.9
#: Share of comparisons that a meter at the wall calls disputed though card and wall agree, at most.
ERROR_RATE: Final = 0.01


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
    apart_w = wall_apart_w(metric, cells)
    sensor = max(_sensor(metric, cells), abs(apart_w or 0.0) / math.sqrt(3) / min(readings))
    return math.hypot(sensor, offset * (1 / readings[0] - 1 / readings[1]))


def wall_apart_w(metric: ComparedMetric, cells: tuple[CellRepeats, CellRepeats]) -> float | None:
    """How far the card's difference of two cells lies outside what a meter at the wall lets it be, W.

    The wall's difference, less the processor's, times the supply's efficiency, anywhere in
    :data:`EFFICIENCY`. Disputed where it lies outside by Welch's t, which raises a false alarm in at most
    :data:`ERROR_RATE` of the comparisons. Negative where the card says less.

    Returns:
        None where nothing is disputed, without a meter, repeats or the processor's power (which may differ
        with the frame rate as much as the card's).
    """
    if not metric.sensed:
        return None
    card, wall = (_difference(cells, name) for name in (metric.sensed, "mean_wall_power_w"))
    host = _difference(cells, "mean_cpu_power_w")
    if card is None or wall is None or host is None:
        return None
    through_w = wall[0] - host[0] * _SUPPLY_OF_PROCESSOR
    low_w, high_w = sorted(share * through_w for share in EFFICIENCY)
    outside_w = card[0] - min(max(card[0], low_w), high_w)
    se_w = math.hypot(card[1], wall[1], host[1])
    allowed_w = float(special.stdtrit(min(card[2], wall[2], host[2]), 1 - ERROR_RATE / 2)) * se_w
    return outside_w if abs(outside_w) > allowed_w else None


def _difference(cells: tuple[CellRepeats, CellRepeats], name: str) -> tuple[float, float, float] | None:
    """Difference of two means, its standard error, and the smaller degrees of freedom."""
    ours, theirs = (cell.present(name) for cell in cells)
    if min(ours.size, theirs.size) < 2:
        return None
    se = math.sqrt(float(ours.var(ddof=1)) / ours.size + float(theirs.var(ddof=1)) / theirs.size)
    return float(ours.mean() - theirs.mean()), se, min(ours.size, theirs.size) - 1


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
