"""What the numbers in columns say of each other: rising times, intervals that are their steps, processes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.frames.sample import Sample, SampledColumn

#: Relative disagreement up to which two columns, or two rates, are taken for the same.
MATCH = 0.02


@dataclass(frozen=True)
class Pair:
    """A time and an interval that agree.

    Attributes:
        ratio: Units of the time in one unit of the interval.
        ends: True where the interval is the step up to the row's time, false where it is the step after.
        error: Median relative disagreement.
    """

    time: SampledColumn
    interval: SampledColumn
    ratio: float
    ends: bool
    error: float


def selected(column: SampledColumn, rows: NDArray[np.bool_] | None) -> SampledColumn:
    """The column's numbers in these rows; all for None."""
    if rows is None:
        return column
    return SampledColumn(column.name, column.place, column.numbers[rows], column.origin, column.words)


def steps_of(column: SampledColumn) -> NDArray[np.float64]:
    """Differences from number to number."""
    return np.diff(column.numbers[np.isfinite(column.numbers)])


def rises(steps: NDArray[np.float64]) -> bool:
    """Whether a column with these steps never falls and mostly rises."""
    return len(steps) > 1 and bool((steps >= 0).all()) and float(np.mean(steps > 0)) >= 0.9


def is_positive(column: SampledColumn) -> bool:
    """Whether the numbers are positive, but for stray ones, and not all the same."""
    values = column.numbers[np.isfinite(column.numbers)]
    return (
        len(values) > 2 and float(np.mean(values > 0)) >= 0.98 and float(values.max()) > float(values.min())
    )


def best_pair(times: list[SampledColumn], intervals: list[SampledColumn]) -> Pair | None:
    """The time and the interval that agree best; None where none do."""
    pairs = []
    for time in times:
        steps = np.diff(time.numbers)
        for interval in intervals:
            for ends in (True, False):
                values = interval.numbers[1:] if ends else interval.numbers[:-1]
                usable = np.isfinite(steps) & np.isfinite(values) & (steps > 0) & (values > 0)
                if np.count_nonzero(usable) < 3:
                    continue
                ratio = float(np.sum(steps[usable]) / np.sum(values[usable]))
                errors = np.abs(values[usable] * ratio / steps[usable] - 1)
                error = float(np.median(errors))
                if error <= MATCH and _varies_with(values[usable], steps[usable]):
                    pairs.append(Pair(time, interval, ratio, ends, error))
    return (
        min(pairs, key=lambda pair: (round(pair.error, 3), not _plain_ratio(pair.ratio))) if pairs else None
    )


def _varies_with(values: NDArray[np.float64], steps: NDArray[np.float64]) -> bool:
    """The interval must follow the steps, not merely have their size; a steady series can't show it."""
    if values.std() < 1e-3 * values.mean() or steps.std() < 1e-3 * steps.mean():
        return True
    return float(np.corrcoef(values, steps)[0, 1]) > 0.9


def _plain_ratio(ratio: float) -> bool:
    return any(abs(ratio / 1000.0**k - 1) < MATCH for k in range(-3, 4))


def splitters(sample: Sample) -> Iterator[tuple[SampledColumn, dict[str, NDArray[np.bool_]]]]:
    """Columns of 2 to 20 values, with the rows of each value that occurs three times or more."""
    for column in sample.columns:
        words = np.array(column.words)
        values, counts = np.unique(words, return_counts=True)
        masks = {str(v): words == v for v, n in zip(values, counts, strict=True) if n > 2}
        if 2 <= len(values) <= 20 and len(masks) > 1:
            yield column, masks


def name_of(column: SampledColumn) -> str:
    """What a person calls the column."""
    return f"column {column.name!r}" if column.name else f"column #{column.place}"


def reference_to(column: SampledColumn) -> str:
    """How a mapping names the column."""
    return column.name or f"#{column.place}"
