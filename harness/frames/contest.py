"""Readings of a log against each other: what a reading is, and the tests that compare several. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.frames.column_relations import in_slow_proportion, is_sum_of, name_of
from harness.frames.sample import SampledColumn

#: Frame rates that are usual, 1/s.
USUAL_FPS = (20.0, 500.0)
#: A reading leads clearly where it is so many points ahead of the next.
CLEAR_LEAD = 2.0
#: A clock and an interval that agree have more points.
CHECKED_POINTS = 4.0


@dataclass
class Reading:
    """One way to read the log.

    Attributes:
        points: For it less against it.
        frametime_s: Mean frame time that it gives, s.
        said_for, said_against: A sentence each.
        doubts: What it could not show of itself.
    """

    clock: SampledColumn | None
    interval: SampledColumn | None
    mapping: dict[str, Any]
    frametime_s: float
    points: float = 0.0
    said_for: list[str] = field(default_factory=list)
    said_against: list[str] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)

    def add(self, points: float, sentence: str) -> None:
        """Take a test's result into account."""
        self.points += points
        (self.said_for if points > 0 else self.said_against).append(sentence)

    @property
    def main(self) -> SampledColumn:
        """The column that gives the frame times."""
        column = self.interval or self.clock
        assert column is not None
        return column

    def steps(self) -> NDArray[np.float64]:
        """Frame times in the column's unit from the second row on."""
        return np.diff(self.main.relative) if self.interval is None else self.main.numbers[1:]

    def title(self) -> str:
        """What it reads, for a person."""
        what = [
            name_of(column) + words
            for column, words in ((self.interval, " as the interval"), (self.clock, " as the time"))
            if column is not None
        ]
        unit = self.mapping.get("unit") or self.mapping.get("time_unit")
        return f"{' and '.join(what)} in {unit} ({1 / self.frametime_s:.4g} frames a second)"

    def gives_the_same(self, other: Reading) -> bool:
        """Whether both lead to the same frame times, as far as their mean tells."""
        return abs(self.frametime_s / other.frametime_s - 1) < 0.005


@dataclass(frozen=True)
class Roles:
    """What columns can be at all.

    Attributes:
        clocks: Never fall but for restarts, and do not count rows.
        intervals: Positive, and neither rising nor falling all along.
        rates: Columns that could be a frame rate or a power.
        said: Why columns were set aside, a sentence each.
    """

    clocks: list[SampledColumn]
    intervals: list[SampledColumn]
    rates: list[SampledColumn]
    said: list[str]


def judge_rate(reading: Reading) -> None:
    fps = 1 / reading.frametime_s
    if not is_usual(reading):
        reading.add(-3, f"{fps:.4g} frames a second are unusual")
        reading.doubts.append(
            f"at {fps:.4g} frames a second {name_of(reading.main)} may be a rate, a load, a power or in "
            "another unit"
        )


def compare(found: list[Reading], pairs: list[Reading], roles: Roles) -> None:
    """Tests of readings against each other."""
    checked = [pair for pair in pairs if pair.points > CHECKED_POINTS]
    for reading in found:
        if checked and reading not in checked and not any(reading.gives_the_same(pair) for pair in checked):
            reading.add(-3, "a pair of columns that agree says otherwise")
    if checked:
        return
    clocks = [r for r in found if r.interval is None]
    alone = [r for r in found if r.clock is None]
    for clock in clocks:
        for other in [r for r in found if r.main.place != clock.main.place]:
            _judge_counter(clock, other, roles)
    for reading in alone:
        part_of = next((c for c in clocks if reading.frametime_s < 0.98 * c.frametime_s), None)
        if part_of is not None:
            share_pct = 100 * reading.frametime_s / part_of.frametime_s
            whole = name_of(part_of.main)
            reading.add(-1.5, f"it is {share_pct:.0f} % of the steps of {whole}: a part of the frame")
        longer = [o for o in alone if is_usual(o) and o.frametime_s > 1.02 * reading.frametime_s]
        whole_one = next((other for other in longer if _correlated(reading, other)), None)
        if whole_one is not None:
            reading.add(-1, f"{name_of(whole_one.main)} moves with it and is longer: the whole frame's")


def _judge_counter(clock: Reading, other: Reading, roles: Roles) -> None:
    """Whether a rising column is energy or work that adds up over the time of another reading."""
    steps = other.steps()
    for power in roles.rates:
        if power.place not in (clock.main.place, other.main.place) and is_sum_of(clock.main, power, steps):
            what = f"the sum of {name_of(power)} over {name_of(other.main)}"
            clock.add(-5, f"{name_of(clock.main)} is {what}: energy or work")
            return
    if not is_usual(other) or not in_slow_proportion(clock.steps(), steps):
        return
    if other.frametime_s > 1.02 * clock.frametime_s:  # less than 1000 W: joules are fewer than milliseconds
        clock.add(
            -2.5,
            f"{name_of(clock.main)} and {name_of(other.main)} keep a proportion that changes slowly, as "
            "energy and time do, and the other one gives the longer frames",
        )


def _correlated(one: Reading, other: Reading) -> bool:
    x, y = one.main.numbers, other.main.numbers
    usable = np.isfinite(x) & np.isfinite(y) & (x > 0) & (y > 0)
    if np.count_nonzero(usable) < 10 or x[usable].std() == 0 or y[usable].std() == 0:
        return False
    return bool(np.corrcoef(np.log(x[usable]), np.log(y[usable]))[0, 1] > 0.5)


def is_usual(reading: Reading) -> bool:
    return USUAL_FPS[0] <= 1 / reading.frametime_s <= USUAL_FPS[1]
