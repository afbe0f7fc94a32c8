"""What the numbers in columns say of themselves and of each other. Pure.

A clock never falls but for a few restarts; a frame number rises by one; an interval is the step of a clock; a
frame rate is the reciprocal of an interval; an energy is the sum of a power over steps of a clock.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from harness.frames.sample import LogSample, SampledColumn

Floats = NDArray[np.float64]

#: Relative disagreement up to which two columns, or two rates, are taken for the same.
MATCH = 0.02
#: Restarts of a clock that are taken for several runs in one log, and rows that make a run.
MOST_RESTARTS, RUN_ROWS = 20, 10
UNITS = {"s": 1.0, "ms": 1e3, "us": 1e6, "ns": 1e9}


@dataclass(frozen=True)
class ColumnAgreement:
    """An interval that is the step of a clock, row by row.

    Attributes:
        ratio: Units of the clock in one unit of the interval.
        ends: True where the interval is the step up to the row's time, false where it is the step after.
        error: Median relative disagreement.
        shown: Whether both vary and do so together; a steady series has the size of the steps only.
        other_way: Median relative disagreement with the step on the row's other side.
    """

    ratio: float
    ends: bool
    error: float
    shown: bool
    other_way: float


def selected(column: SampledColumn, rows: NDArray[np.bool_] | None) -> SampledColumn:
    """The column in these rows; all for None."""
    if rows is None:
        return column
    words = [word for word, wanted in zip(column.words, rows, strict=True) if wanted]
    return replace(column, numbers=column.numbers[rows], relative=column.relative[rows], words=words)


def steps_of(column: SampledColumn) -> Floats:
    """Differences from number to number, over gaps."""
    return np.diff(column.relative[np.isfinite(column.relative)])


def restarts(column: SampledColumn) -> NDArray[np.int64] | None:
    """Rows at which a clock starts again (none: an empty array); None where the column is no clock."""
    places = np.flatnonzero(np.isfinite(column.relative))
    steps = np.diff(column.relative[places])
    if len(steps) < 2 or not float(np.mean(steps > 0)) > 0.02:
        return None
    back = np.flatnonzero(steps < 0)
    if len(back) > MOST_RESTARTS or (len(back) and _shortest_run(back, len(steps)) < RUN_ROWS):
        return None
    return places[back + 1]


def rises(column: SampledColumn) -> bool:
    """Whether the column never falls and does rise."""
    found = restarts(column)
    return found is not None and not len(found)


def _shortest_run(back: NDArray[np.int64], steps: int) -> int:
    return int(np.diff(np.concatenate(([-1], back, [steps]))).min())


def counts_rows(column: SampledColumn) -> bool:
    """Whether the column is a running number: whole, and up by one nearly always."""
    steps = steps_of(column)
    return column.whole and len(steps) > 1 and float(np.mean(steps == 1)) >= 0.9


def nearly_sorted(values: Floats) -> bool:
    """Whether values drift one way all along, as counters and slow sensors do and frame times don't."""
    values = values[np.isfinite(values)]
    steps = np.diff(values)
    moves = steps[steps != 0]
    if len(moves) < 3:
        return False
    return max(float(np.mean(moves > 0)), float(np.mean(moves < 0))) > 0.97


def is_positive(column: SampledColumn) -> bool:
    """Whether the numbers are positive, but for stray ones."""
    values = column.numbers[np.isfinite(column.numbers)]
    return len(values) > 2 and float(np.mean(values > 0)) >= 0.95


def spread(values: Floats) -> float:
    """Relative spread that single hitches do not move: half the middle two thirds over the median."""
    values = values[np.isfinite(values) & (values > 0)]
    if len(values) < 3:
        return float("inf")
    low, middle, high = np.percentile(values, (16.7, 50, 83.3))
    return float((high - low) / 2 / middle)


def agreement(clock: SampledColumn, interval: SampledColumn) -> ColumnAgreement | None:
    """How the interval follows the clock's steps; None where it does not."""
    steps = np.diff(clock.relative)
    sides = {}
    for ends in (True, False):
        values = interval.numbers[1:] if ends else interval.numbers[:-1]
        usable = np.isfinite(steps) & np.isfinite(values) & (steps > 0) & (values > 0)
        if np.count_nonzero(usable) < max(3, 0.5 * len(steps)):
            continue
        x, y = values[usable], steps[usable]
        ratio = float(np.median(y / x))
        sides[ends] = (float(np.median(np.abs(x * ratio / y - 1))), ratio, _vary_together(x, y))
    fitting = [
        ends for ends, (error, _, together) in sides.items() if error <= MATCH and together is not False
    ]
    if not fitting:
        return None
    ends = min(fitting, key=lambda side: (round(sides[side][0], 4), not side))
    error, ratio, together = sides[ends]
    other = sides[not ends][0] if (not ends) in sides else float("inf")
    return ColumnAgreement(ratio, ends, error, together is True, other)


def _vary_together(x: Floats, y: Floats) -> bool | None:
    """True where both vary and do so together, false where they vary apart, None where one is steady."""
    if min(spread(x), spread(y)) < 1e-3 and min(x.std() / x.mean(), y.std() / y.mean()) < 0.05:
        return None
    low, high = np.percentile(y, (1, 99))
    kept = (y >= low) & (y <= high)  # a pause in the log would make any two columns correlate
    if np.count_nonzero(kept) < 3 or x[kept].std() == 0 or y[kept].std() == 0:
        return None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        return bool(np.corrcoef(np.log(x[kept]), np.log(y[kept]))[0, 1] > 0.9)


def span_over_sum(clock: SampledColumn, interval: SampledColumn) -> float:
    """How far the clock goes while the interval adds up to 1; restarts and gaps cut the log into parts."""
    steps = np.diff(clock.relative)
    values = interval.numbers[1:]
    usable = np.isfinite(steps) & np.isfinite(values) & (steps >= 0)
    total = float(np.sum(values[usable]))
    return float(np.sum(steps[usable])) / total if total > 0 else float("nan")


def reciprocal(values: Floats, rate: SampledColumn) -> float | None:
    """The constant product of a varying series and another column, None where there is none."""
    usable = np.isfinite(values) & np.isfinite(rate.numbers) & (values > 0) & (rate.numbers > 0)
    if np.count_nonzero(usable) < max(3, 0.5 * len(values)):
        return None
    x, r = values[usable], rate.numbers[usable]
    product = x * r
    if spread(x) < 0.02 or spread(product) > 0.25 * spread(x) or spread(product) > MATCH:
        return None
    return float(np.median(product))


def is_sum_of(counter: SampledColumn, power: SampledColumn, steps: Floats) -> bool:
    """Whether the counter's steps are another column times these steps of time: energy, bytes, work."""
    counted = np.diff(counter.relative)
    for values in (power.numbers[1:], power.numbers[:-1]):
        usable = np.isfinite(counted) & np.isfinite(steps) & np.isfinite(values)
        usable &= (counted > 0) & (steps > 0) & (values > 0)
        if np.count_nonzero(usable) < max(3, 0.5 * len(steps)):
            continue
        rate = counted[usable] / steps[usable]
        if spread(rate) > 1e-3 and spread(rate / values[usable]) < min(MATCH, 0.3 * spread(rate)):
            return True
    return False


def in_slow_proportion(steps: Floats, values: Floats) -> bool:
    """Whether two series of steps keep a proportion that changes slowly: a power between energy and time."""
    usable = np.isfinite(steps) & np.isfinite(values) & (steps > 0) & (values > 0)
    if np.count_nonzero(usable) < max(3, 0.5 * len(steps)):
        return False
    x, y = np.log(steps[usable]), np.log(values[usable])
    return bool(np.median(np.abs(np.diff(x - y))) < 0.5 * np.median(np.abs(np.diff(y))))


def plain_ratio(ratio: float, within: float = MATCH) -> bool:
    """Whether the ratio is that of two decimal units: a power of 1000."""
    return any(abs(ratio / 1000.0**k - 1) < within for k in range(-3, 4))


def splitters(sample: LogSample) -> Iterator[tuple[SampledColumn, dict[str, NDArray[np.bool_]]]]:
    """Columns of 2 to 20 values that take turns, with the rows of each value."""
    for column in sample.columns:
        words = np.array(column.words)
        values, counts = np.unique(words, return_counts=True)
        if not 2 <= len(values) <= 20 or float(np.mean(words[1:] != words[:-1])) < 0.02:
            continue
        masks = {str(v): words == v for v, n in zip(values, counts, strict=True) if v and n >= RUN_ROWS}
        if len(masks) > 1:
            yield column, masks


def name_of(column: SampledColumn) -> str:
    """What a person calls the column."""
    return f"column {column.name!r}" if column.reference == column.name else f"column {column.reference}"
