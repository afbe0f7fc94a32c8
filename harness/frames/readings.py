"""All ways in which a log's columns could be frame times, ranked by what the numbers say for and against.

A reading is a clock and an interval that agree, a clock alone or an interval alone. Each test adds or takes
points and leaves a sentence; the best goes into the mapping, and the next one that would give other frame
times is shown with the reason why it lost.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.frames.column_relations import (
    MATCH,
    UNITS,
    ColumnAgreement,
    agreement,
    counts_rows,
    is_positive,
    name_of,
    nearly_sorted,
    plain_ratio,
    reciprocal,
    restarts,
    span_over_sum,
    spread,
)
from harness.frames.contest import Reading, Roles, compare, judge_rate
from harness.frames.perhaps_rates import could_be_rates, strays
from harness.frames.sample import SampledColumn
from harness.numerals import times

#: Frame times that are possible, s: 5 to 2000 frames a second, so that one unit at most fits.
_SHORTEST_S, _LONGEST_S = 0.0005, 0.2
_LOWEST_TICKS_PER_S = 1e4


def roles_of(columns: Sequence[SampledColumn]) -> Roles:
    """Sort columns by what they can be."""
    clocks, intervals, said = [], [], []
    for column in columns:
        again = restarts(column)
        if counts_rows(column):
            said.append(f"{name_of(column)} counts up by one: a frame number, no time")
        elif again is not None and _steps_up(column) and (not len(again) or _is_far(column)):
            runs = f", {times(len(again))} from the start" if len(again) else ""
            step = float(np.nanmedian(np.diff(column.relative)))
            said.append(f"{name_of(column)} rises in steps of {step:.6g} (median){runs}: a time or a counter")
            clocks.append(column)
        elif column.stamp:
            said.append(f"{name_of(column)} holds stamps that do not rise: no time")
        elif not is_positive(column):
            said.append(f"{name_of(column)} is not positive throughout: no interval")
        elif nearly_sorted(column.numbers):
            said.append(f"{name_of(column)} drifts one way all along: no interval")
        else:
            intervals.append(column)
    return Roles(clocks, intervals, [c for c in columns if is_positive(c)], said)


def _steps_up(column: SampledColumn) -> bool:
    """Whether a rising column is more than a slow sensor: it moves often, or far beyond its first value."""
    steps = np.diff(column.relative[np.isfinite(column.relative)])
    return float(np.mean(steps > 0)) >= 0.05 or float(steps.max(initial=0)) >= 0.5


def _is_far(column: SampledColumn) -> bool:
    """Whether a column that falls now and then rises by many times its usual step in between."""
    steps = np.diff(column.relative[np.isfinite(column.relative)])
    return float(np.mean(steps > 0)) >= 0.5


def ranked(columns: Sequence[SampledColumn]) -> tuple[list[Reading], Roles]:
    """All readings of these columns, the best first."""
    roles = roles_of(columns)
    pairs = [r for c in roles.clocks for i in roles.intervals if (r := _pair(c, i)) is not None]
    found = pairs + [r for c in roles.clocks if (r := _clock_alone(c, roles)) is not None]
    found += [r for i in roles.intervals if (r := _interval_alone(i, roles)) is not None]
    for reading in found:
        judge_rate(reading)
    compare(found, pairs, roles)
    return sorted(found, key=lambda r: (-r.points, -r.frametime_s)), roles


def unit_of(step: float) -> str | None:
    """The one unit in which a step has the size of a frame."""
    return next((unit for unit, n in UNITS.items() if _SHORTEST_S <= step / n <= _LONGEST_S), None)


def _pair(clock: SampledColumn, interval: SampledColumn) -> Reading | None:
    mean = float(np.nanmean(interval.numbers))
    unit = unit_of(mean)
    if unit is None:
        return None
    found = agreement(clock, interval)
    if found is None:
        return _pair_by_sum(clock, interval, mean, unit)
    per_s = found.ratio * UNITS[unit]
    time_unit = next((u for u, n in UNITS.items() if abs(per_s / n - 1) < MATCH), None)
    if clock.stamp and time_unit != "ns":
        return None
    if time_unit is None and (not found.shown or not clock.whole or per_s < _LOWEST_TICKS_PER_S):
        return None  # no clock ticks so slowly or in fractions, and a steady series shows no odd frequency
    where = "from the row before to its own" if found.ends else "from its own row to the next"
    reading = Reading(
        clock, interval, _pair_mapping(clock, interval, unit, time_unit, found), mean / UNITS[unit]
    )
    reading.add(
        (8 if found.shown else 5) - (2 if time_unit is None else 0) - 50 * found.error,
        f"{name_of(interval)} is the step of {name_of(clock)} {where} (median disagreement "
        f"{100 * found.error:.2g} %): the frame interval",
    )
    if time_unit is None:
        reading.said_for.append(
            f"with the interval in {unit}, the time advances by {per_s:.6g} a second: ticks, as that is no "
            "decimal unit"
        )
    elif time_unit == unit and unit in ("us", "ns") and not clock.stamp:
        reading.doubts.append(MAYBE_TICKS)
    if not found.shown and found.other_way <= max(2 * found.error, 1e-3):
        reading.doubts.append(
            "frame times so even don't tell whether the time is the frame's end or its start; they come out "
            "the same"
        )
    return reading


MAYBE_TICKS = "if the columns count ticks rather than a decimal unit, set unit = 'ticks' and ticks_per_s"


def _pair_mapping(
    clock: SampledColumn, interval: SampledColumn, unit: str, time_unit: str | None, found: ColumnAgreement
) -> dict[str, Any]:
    mapping: dict[str, Any] = {
        "interval_column": interval.reference,
        "presentation_time_column" if found.ends else "start_time_column": clock.reference,
        "unit": unit,
    }
    if time_unit is None:
        mapping |= {"time_unit": "ticks", "ticks_per_s": _round_frequency(found.ratio * UNITS[unit])}
    elif time_unit != unit:
        mapping["time_unit"] = time_unit
    return mapping | _stamp(clock)


def _stamp(clock: SampledColumn) -> dict[str, Any]:
    """The mapping's word for a column of stamps."""
    return {"time_unit": clock.stamp} if clock.stamp else {}


def _pair_by_sum(clock: SampledColumn, interval: SampledColumn, mean: float, unit: str) -> Reading | None:
    """An interval whose sum is the span of a clock too coarse or too uneven to show its steps."""
    ratio = span_over_sum(clock, interval)
    steps = np.diff(clock.relative)
    moves = np.abs(steps[np.isfinite(steps) & (steps != 0)])
    if not len(moves) or not ratio > 0:
        return None
    span = float(np.nansum(steps[steps > 0]))
    tolerance = 0.003 + 2 * float(np.median(moves)) / span
    per_s = ratio * UNITS[unit]
    time_unit = next((u for u, n in UNITS.items() if abs(per_s / n - 1) < tolerance), None)
    if time_unit is None or tolerance > 0.15 or (clock.stamp and time_unit != "ns"):
        return None
    mapping: dict[str, Any] = {
        "interval_column": interval.reference,
        "presentation_time_column": clock.reference,
        "unit": unit,
    }
    if time_unit != unit:
        mapping["time_unit"] = time_unit
    reading = Reading(clock, interval, mapping | _stamp(clock), mean / UNITS[unit])
    off_pct = 100 * abs(per_s / UNITS[time_unit] - 1)
    reading.add(
        5.5 - 20 * tolerance,
        f"{name_of(interval)} adds up to the span of {name_of(clock)} (to {off_pct:.2g} %), though the steps "
        "are too coarse or too uneven to be compared row by row",
    )
    reading.doubts.append(
        f"{name_of(clock)} and {name_of(interval)} agree in their sum only; leave the time column out if the "
        "place in the run does not matter, and check that the interval is the whole frame's"
    )
    return reading


def _clock_alone(clock: SampledColumn, roles: Roles) -> Reading | None:
    steps = np.diff(clock.relative)
    forward = steps[np.isfinite(steps) & (steps >= 0)]
    moving = float(np.mean(forward > 0)) if len(forward) else 0.0
    mean = float(np.mean(forward)) if len(forward) else 0.0
    unit, ticks_per_s = unit_of(mean), None
    rate = _rate_of(steps, clock, roles)
    if rate is not None:
        column, per_s, aligned = rate
        unit = next((u for u, n in UNITS.items() if abs(per_s / n - 1) < MATCH), None)
        if unit is None:
            if not clock.whole or per_s < _LOWEST_TICKS_PER_S:
                return None
            unit, ticks_per_s = "ticks", _round_frequency(per_s)
    if unit is None or moving < 0.3 or (clock.stamp and unit != "ns"):
        return None
    mapping: dict[str, Any] = {"presentation_time_column": clock.reference}
    mapping |= _stamp(clock) or {"unit": unit}
    if ticks_per_s is not None:
        mapping["ticks_per_s"] = ticks_per_s
    reading = Reading(clock, None, mapping, mean / (ticks_per_s or UNITS[unit]))
    reading.add(3, f"{name_of(clock)} takes steps of the size of frames")
    if rate is not None:
        reading.add(3, f"the steps of {name_of(clock)} are the reciprocal of {name_of(column)}, a frame rate")
        if aligned == "after":
            mapping["start_time_column"] = mapping.pop("presentation_time_column")
    else:
        reading.doubts.append(
            "nothing tells whether the time is the frame's end or its start; frame times come out the same"
        )
    if moving < 0.9:
        reading.add(-2.5, f"{name_of(clock)} stands still in {100 * (1 - moving):.0f} % of the rows: coarse")
        reading.doubts.append(f"{name_of(clock)} is too coarse for single frames")
    if ticks_per_s is None and unit in ("us", "ns") and rate is None and not clock.stamp:
        reading.doubts.append(MAYBE_TICKS)
    return reading


def _rate_of(
    steps: NDArray[np.float64], clock: SampledColumn, roles: Roles
) -> tuple[SampledColumn, float, str] | None:
    """A column that is the reciprocal of the clock's steps, the units in a second, and on which side."""
    for column in roles.rates:
        if column.place == clock.place or unit_free_rate(column) is None:
            continue
        for side, values in (("before", np.append(np.nan, steps)), ("after", np.append(steps, np.nan))):
            per_s = reciprocal(values, column)
            if per_s is not None and (plain_ratio(per_s) or per_s >= _LOWEST_TICKS_PER_S):
                return column, per_s, side
    return None


def unit_free_rate(column: SampledColumn) -> float | None:
    """The median where it has the size of a frame rate."""
    middle = float(np.nanmedian(column.numbers))
    return middle if 5 <= middle <= 2000 else None


def _interval_alone(interval: SampledColumn, roles: Roles) -> Reading | None:
    mean = float(np.nanmean(interval.numbers))
    unit, ticks_per_s, rate = unit_of(mean), None, None
    for column in roles.rates:
        per_s = None if column.place == interval.place else reciprocal(interval.numbers, column)
        if per_s is None or unit_free_rate(column) is None:
            continue
        exact = next((u for u, n in UNITS.items() if abs(per_s / n - 1) < MATCH), None)
        if exact is not None and unit_of(mean) == exact:
            unit, rate = exact, column
        elif interval.whole and per_s >= _LOWEST_TICKS_PER_S:
            unit, rate, ticks_per_s = "ticks", column, _round_frequency(per_s)
    if unit is None:
        return None
    mapping: dict[str, Any] = {"interval_column": interval.reference, "unit": unit}
    if ticks_per_s is not None:
        mapping["ticks_per_s"] = ticks_per_s
    reading = Reading(None, interval, mapping, mean / (ticks_per_s or UNITS[unit]))
    reading.add(
        2,
        f"{name_of(interval)} is positive with a mean of {mean:.4g}: the size of frames in {unit} only",
    )
    if rate is not None:
        reading.add(
            3,
            f"{name_of(interval)} is the reciprocal of {name_of(rate)}: an interval and a frame rate",
        )
    elif unit in ("us", "ns"):
        reading.doubts.append(MAYBE_TICKS)
    values = interval.numbers[np.isfinite(interval.numbers)]
    if float(np.mean(values[1:] == values[:-1])) > 0.5 and spread(values) > 1e-3:
        reading.add(-2, f"{name_of(interval)} holds a value over many rows, as slow sensors do")
    if unit != "ms" and interval.whole and spread(values) < 0.03:
        reading.add(-1, f"{name_of(interval)} is whole and hardly moves, as a clock rate or an amount does")
    if strays(values) == 1:
        reading.add(
            0.5,
            f"{name_of(interval)} strays upwards, as frame times do, and not downwards as rates and loads do",
        )
    reading.doubts.append(
        f"no time column checks {name_of(interval)}; compare the frame rate below with what you saw"
    )
    if rate is None and could_be_rates(values):
        as_rates = values.size / float(np.sum(1 / values))
        reading.doubts.append(
            f"{name_of(interval)} may hold frame rates and no frame times: {as_rates:.4g} frames a second, "
            "if each row is one frame"
        )
    return reading


def _round_frequency(per_s: float) -> float:
    """Tick rates are round numbers; four digits are kept."""
    digits = 10 ** max(0, len(str(int(per_s))) - 4)
    return float(round(per_s / digits) * digits)
