"""What the card is made to do: programs of loads of known rhythm. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.power_sensor.course import Array

#: A load that goes on for long is made of pieces, so that the system never takes the card for hung.
_PIECE_S: Final = 0.1
#: Loads and pauses of the irregular stretch: exponential, within these bounds, s.
_IRREGULAR_MEAN_S: Final = 0.018
_IRREGULAR_S: Final = (0.003, 0.09)

#: Rates of the ladder: usual caps and refresh rates, and what lies between them.
USUAL_RATES_HZ: Final = (
    24.0,
    30.0,
    36.0,
    40.0,
    48.0,
    50.0,
    55.0,
    60.0,
    72.0,
    75.0,
    90.0,
    100.0,
    120.0,
    144.0,
)
DUTIES: Final = (0.25, 0.5, 0.75)


@dataclass(frozen=True)
class Stretch:
    """A part of a program.

    Attributes:
        name: What it is.
        begin_s: From the program's start, s.
        seconds: Its length.
        rate_hz: Loads a second; 0: all on, all off or irregular.
        duty: Share of the time under load.
        shift: Of the loads, as a share of the period.
    """

    name: str
    begin_s: float
    seconds: float
    rate_hz: float = 0.0
    duty: float = 0.0
    shift: float = 0.0

    @property
    def end_s(self) -> float:
        return self.begin_s + self.seconds


@dataclass(frozen=True)
class Program:
    """Stretches and the loads that they are made of.

    Attributes:
        stretches: In order of time, with pauses between them.
        begin_s: Planned begin of each load from the program's start, s, 1-D.
        length_s: Planned length of each, same shape.
    """

    stretches: tuple[Stretch, ...]
    begin_s: Array
    length_s: Array

    @property
    def seconds(self) -> float:
        return self.stretches[-1].end_s


def recognise(scale: float = 1.0, seed: int = 20) -> Program:
    """Rest, full load, steps and an irregular load, from which each source's ways are told.

    Args:
        scale: Of the usual length, 69 s.
        seed: Of the irregular load.
    """
    builder = _Builder()
    builder.add("rest", 4.0 * scale, 0.0)
    builder.add("full", 4.0 * scale, 1.0)
    builder.add("rest again", 3.0 * scale, 0.0)
    builder.add_rate("steps", 10.0 * scale, 1.3, 0.5)
    builder.add_irregular(48.0 * scale, seed)
    return builder.program()


def ladder(
    rhythms_s: Sequence[float],
    scale: float = 1.0,
    rung_s: float = 2.1,
    rates_hz: Sequence[float] = USUAL_RATES_HZ,
) -> Program:
    """Loads of many rates, duties and phases; those of the rhythms found, and of half and twice them, first.

    Args:
        rhythms_s: At which sources look, as far as known, s.
        scale: Of the usual length: of the number of rungs where shorter, of their length where longer.
        rung_s: Length of one rung, s.
        rates_hz: The other rates.
    """
    builder = _Builder()
    locked = sorted({round(m / r, 4) for r in rhythms_s for m in (0.5, 1.0, 2.0) if 4 <= m / r <= 250})
    rung_s *= max(1.0, scale)
    fewer = math.ceil(1 / scale)
    builder.add("rest", 1.0, 0.0)
    for rate_hz in locked[:12]:
        for number in range(0, 4, fewer):
            builder.add_rate("locked", rung_s, rate_hz, 0.5, number / 4)
    for number, rate_hz in enumerate(rates_hz[::fewer]):
        for duty in (0.5, DUTIES[0] if number % 2 else DUTIES[2]):
            builder.add_rate("ladder", rung_s, rate_hz, duty, number * 0.381966)
    builder.add("rest", 1.0, 0.0)
    return builder.program()


class _Builder:
    def __init__(self) -> None:
        self._stretches: list[Stretch] = []
        self._loads: list[tuple[float, float]] = []
        self._now_s = 0.0

    def add(self, name: str, seconds: float, duty: float) -> None:
        """All on or all off."""
        self._stretches.append(Stretch(name, self._now_s, seconds, 0.0, duty))
        if duty:
            pieces = max(1, round(seconds / _PIECE_S))
            step_s = seconds / pieces
            self._loads += [(self._now_s + i * step_s, step_s) for i in range(pieces)]
        self._now_s += seconds

    def add_rate(self, name: str, seconds: float, rate_hz: float, duty: float, shift: float = 0.0) -> None:
        """Loads of one rate; they begin at multiples of the period from the program's start, and a shift."""
        begin_s, period_s = self._now_s, 1 / rate_hz
        self._stretches.append(Stretch(name, begin_s, seconds, rate_hz, duty, shift % 1.0))
        first = int(np.ceil(begin_s / period_s - shift % 1.0))
        last = int((begin_s + seconds) / period_s - shift % 1.0)
        self._loads += [((i + shift % 1.0) * period_s, duty * period_s) for i in range(first, last)]
        self._now_s += seconds

    def add_irregular(self, seconds: float, seed: int) -> None:
        """Loads and pauses of random lengths."""
        rng = np.random.default_rng(seed)
        self._stretches.append(Stretch("irregular", self._now_s, seconds, 0.0, 0.5))
        end_s = self._now_s + seconds
        at_s = self._now_s
        while at_s < end_s:
            on_s, off_s = np.clip(rng.exponential(_IRREGULAR_MEAN_S, 2), *_IRREGULAR_S)
            self._loads.append((at_s, float(on_s)))
            at_s += float(on_s + off_s)
        self._now_s = at_s

    def program(self) -> Program:
        begins, lengths = zip(*self._loads, strict=True)
        return Program(tuple(self._stretches), np.asarray(begins, float), np.asarray(lengths, float))
