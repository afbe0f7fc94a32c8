"""Logs of known truth, second set: what the logs are made of.

Written from the wishes for the reader alone and by nothing of the first set. Frame times are whole units of
100 ns, so a file states them exactly, and the figures are worked out in fractions.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

FRAMES = 1400
PER = {"s": 10**7, "ms": 10**4, "us": 10}


@dataclass
class Log:
    """A file, how it is mapped, and what is true of it.

    Attributes:
        truth: Its frames in units of 100 ns; None where the log must not be accepted.
        may_refuse: To refuse it is right as well.
        marked_ok: A mark makes up for figures that are not the truth's.
    """

    name: str
    data: bytes
    mapping: dict[str, Any]
    truth: list[int] | None
    suffix: str = ".csv"
    may_refuse: bool = False
    marked_ok: bool = False


class Logs(list[Log]):
    """Logs, one added after the other; each draws frames of its own."""

    def __init__(self, seed: int) -> None:
        super().__init__()
        self._seed = seed

    def draw(self, **how: Any) -> list[int]:
        """New frames."""
        self._seed += 1
        return walk(self._seed, **how)

    def add(
        self, name: str, data: str | bytes, mapping: dict[str, Any], truth: list[int] | None, **more: Any
    ):
        """One more log."""
        self.append(Log(name, data.encode() if isinstance(data, str) else data, mapping, truth, **more))


def walk(seed: int, n: int = FRAMES, base: float = 9.1, hitches: int = 4) -> list[int]:
    """Frames about ``base`` ms long that wander, in units of 100 ns."""
    draw = random.Random(seed)
    level, found = base, []
    for _ in range(n):
        if draw.random() < 0.01:
            level = base * draw.uniform(0.8, 1.3)
        level += (base - level) * 0.01
        found.append(max(10_000, int(level * draw.lognormvariate(0, 0.06) * 10_000)))
    for _ in range(hitches):
        found[draw.randrange(50, n - 50)] = int(draw.uniform(40, 140) * 10_000)
    return found


def figures(frames: list[int]) -> tuple[int, float, float]:
    """Frames, average FPS and 1 % low (percentile) in exact arithmetic."""
    ordered, n = sorted(frames), len(frames)
    place = Fraction((n - 1) * 99, 100)
    low = int(place)
    slow = ordered[low] + (ordered[min(low + 1, n - 1)] - ordered[low]) * (place - low)
    return n, 1e7 * n / sum(frames), float(Fraction(10**7) / slow)


def num(units: int, per: int, decimal: str = ".", digits: int | None = None, thousands: str = "") -> str:
    """Units of 100 ns as a text, in a unit that has ``per`` of them."""
    digits = len(str(per)) - 1 if digits is None else digits
    whole, rest = divmod(round(Fraction(units, per) * 10**digits), 10**digits)
    text = f"{whole:,}".replace(",", thousands)
    return text + (decimal + str(rest).zfill(digits) if digits else "")


def ends(frames: list[int], start: int = 0) -> list[int]:
    """When each frame ended."""
    found, now = [], start
    for step in frames:
        now += step
        found.append(now)
    return found


def lines(rows: list[list[str]], separator: str = ",", end: str = "\n", last: bool = True) -> str:
    """Rows as text."""
    return end.join(separator.join(row) for row in rows) + (end if last else "")
