"""Frame times that stand in a log more often than its own distribution explains: frozen, doubled, repeated.

Equal neighbours prove nothing by themselves: a steady title on a coarse clock has many. Each rule here asks
what the log would show by chance and allows for frames that follow each other being alike:

* *equal neighbours* against the equal frames two and three places apart, and against the sum of squared
  shares of the values (the chance that two frames drawn from the log are equal). A smooth series can have up
  to about 1.4 times as many equal neighbours as equal next-but-ones (a Gaussian autoregression of first
  order; its steps grow with the root of their number), so 1.5 times is chance.
* *doubled rows*: written twice (or three times) they make runs whose lengths all are even (or divide by
  three). A run of chance is odd at least every second time, so dozens of even ones in a row are no chance.
  This holds on any clock, however coarse.
* *frozen stretches*: a run longer than the value's own chance of staying explains, over all runs of the log.
  A stretch at a common refresh rate or cap is no freeze: a paced title's frame times do repeat exactly.
  Where the clock's step is over 0.1 % of a frame, or frame times take fewer than ten
  values, a long run is a steady title, and nothing is concluded.
* *repeated blocks*: as many frames in a row as make it hopeless that a second stretch equals them by chance.
  The length comes from how fast equal stretches die out with their length.

Values are compared after rounding to 1e-7 of their median: what differs by less is binary noise.
Source of the thresholds: chosen here; a false alarm is meant to be rarer than one in 10^5 logs by chance
alone (``tests/bench/FIGURES.md`` has what was counted).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from harness.checks.rates import EXACTLY_WITHIN, RATE_WITHIN, paced

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Fewer frames say nothing.
LEAST_FRAMES = 64
#: Chance at which a finding counts, over a whole log.
BY_CHANCE = 1e-6
#: Equal neighbours over equal next-but-ones that a smooth series can have.
SMOOTH = 1.5
#: A clock coarser than this share of the median frame time makes long runs normal.
COARSE = 0.001
#: Nor do runs say anything where the frame times take fewer values than this.
LEAST_LEVELS = 10
#: Even (or third) runs in a row that are no chance; each is even at most every second time.
EVEN_RUNS = 32
_LONGEST_BLOCK = 512
_SHORTEST_BLOCK = 8


def repeated(frametime_ms: Floats, limit_pct: float) -> str | None:
    """What stands in the log again and again, if it is more than the limit and than chance.

    Args:
        frametime_ms: 1-D, ms, positive, in order.
        limit_pct: Share of the frames that may be frozen or doubled.
    Returns:
        A sentence; None where nothing is.
    """
    if frametime_ms.size < LEAST_FRAMES:
        return None
    values = _levels(frametime_ms)
    starts, lengths = _runs(values)
    coarse = COARSE if starts.size > 1 else COARSE / 10  # one value throughout: a perfectly paced title?
    fine = resolution(frametime_ms) <= coarse * float(np.median(frametime_ms))
    fine &= starts.size == 1 or np.unique(values).size >= LEAST_LEVELS
    frozen_pct = 100 * _frozen(values, starts, lengths, frametime_ms[starts]) / values.size if fine else 0.0
    if frozen_pct > limit_pct and starts.size == 1:
        return (
            f"every frame took {frametime_ms[0]:.6g} ms, which is at no usual rate: frozen log; if a limiter "
            "paces the title so exactly, set repeated_frames_at_most_pct = false"
        )
    if frozen_pct > limit_pct:
        return f"{frozen_pct:.0f} % of the frame times stand in stretches of one value: frozen log"
    for times in (2, 3):
        doubled_pct = 100 * _multiplied(lengths, times) / values.size
        if doubled_pct > limit_pct:
            by = "twos" if times == 2 else "threes"
            return f"{doubled_pct:.0f} % of the frame times come in {by} of one value: doubled rows"
    equal_pct, chance_pct = equal_neighbours_pct(values)
    if equal_pct - chance_pct > limit_pct:
        return (
            f"{equal_pct:.0f} % of the frame times equal the one before, chance explains {chance_pct:.0f} %: "
            "frozen log or doubled rows"
        )
    block_pct = 100 * _blocks_again(values)
    if block_pct > limit_pct:
        return f"{block_pct:.0f} % of the log stands in it twice"
    return None


def resolution(frametime_ms: Floats) -> float:
    """Step of the decimal grid that all frame times lie on, ms; 0 where they lie on none.

    Binary noise (up to 1e-7 of the median) is no resolution.
    """
    noise = 1e-7 * float(np.median(frametime_ms))
    for exponent in range(3, -10, -1):
        step = 10.0**exponent
        if step < 100 * noise:
            return 0.0
        if float(np.abs(frametime_ms - np.round(frametime_ms / step) * step).max()) <= noise:
            return step
    return 0.0


def equal_neighbours_pct(values: Ints) -> tuple[float, float]:
    """Share of values that equal the one before, and the most that chance explains, both in %."""
    counts = np.unique(values, return_counts=True)[1] / values.size
    one, two, three = (float(np.mean(values[lag:] == values[:-lag])) for lag in (1, 2, 3))
    chance = SMOOTH * max(float(np.sum(counts**2)), two, three)
    scatter = math.sqrt(max(one, chance) / values.size)
    return 100 * one, 100 * min(1.0, chance + 4 * scatter)


def _levels(frametime_ms: Floats) -> Ints:
    step = 1e-7 * float(np.median(frametime_ms))
    if not step > 0:
        return np.zeros(frametime_ms.size, np.int64)
    return np.round(np.minimum(frametime_ms / step, 2.0**62)).astype(np.int64)


def _runs(values: Ints) -> tuple[Ints, Ints]:
    """Start and length of each run of one value."""
    starts = np.concatenate(([0], np.flatnonzero(values[1:] != values[:-1]) + 1))
    return starts, np.diff(np.append(starts, values.size))


def _frozen(values: Ints, starts: Ints, lengths: Ints, run_ms: Floats) -> int:
    """Frames in runs that the value's own chance of staying does not explain, less runs at a usual rate.

    That chance is taken from the value's *other* runs, so that a freeze does not explain itself; a value
    that was seen nowhere else stays as the rest of the log does.
    """
    if lengths.size == 1:
        return 0 if paced(run_ms, RATE_WITHIN)[0] else int(values.size)
    usual = lengths[lengths <= np.quantile(lengths, 0.99)]
    stay = min(0.999, float((usual - 1).sum() + 1) / float(usual.sum() + 2))
    bar = math.log(lengths.size / BY_CHANCE)
    least = 1 + bar / math.log(1 / stay)
    frozen = 0
    long = np.flatnonzero(lengths > least)
    for place in long[~paced(run_ms[long], EXACTLY_WITHIN)]:
        value, length = values[starts[place]], int(lengths[place])
        same = values[starts] == value
        same[place] = False
        others = lengths[same]
        if others.size:
            own_stay = float((others - 1).sum() + 1) / float(others.sum() + 2)
            own = 1 + bar / math.log(1 / max(own_stay, stay))
            if length <= max(own, 3 * int(others.max())):
                continue
        frozen += length
    return frozen


def _multiplied(lengths: Ints, times: int) -> int:
    """Frames in long sequences of runs whose lengths all divide by ``times``."""
    divides = np.concatenate(([False], lengths % times == 0, [False]))
    edges = np.flatnonzero(divides[1:] != divides[:-1])
    begins, ends = edges[::2], edges[1::2]
    ends_at = np.concatenate(([0], np.cumsum(lengths)))
    long = ends - begins >= EVEN_RUNS
    return int((ends_at[ends[long]] - ends_at[begins[long]]).sum())


def _blocks_again(values: Ints) -> float:
    """Share of the log's stretches that stood in it before; 0 where chance could do that."""
    n = values.size
    pairs = n * (n - 1) / 2
    floor = 5 / n  # a second copy of the whole log alone makes equal pairs up to 1/n
    size, chance, fades = 0, 1.0, 0.5
    while chance > floor:
        longer = max(1, 2 * size)
        if longer > _LONGEST_BLOCK:
            return 0.0
        counts = np.unique(_hashes(values, longer), return_counts=True)[1].astype(np.float64)
        found = max(floor, float((counts * (counts - 1)).sum()) / 2 / pairs)
        fades = (found / chance) ** (1 / (longer - size))
        size, chance = longer, found
    fades = max(fades, float(np.mean(values[1:] == values[:-1])))
    if fades >= 1:
        return 0.0
    block = max(_SHORTEST_BLOCK, size + math.ceil(math.log(pairs * chance / BY_CHANCE) / math.log(1 / fades)))
    if block > min(_LONGEST_BLOCK, n // 4):
        return 0.0
    hashes = _hashes(values, block)
    return 1 - np.unique(hashes).size / hashes.size


def _hashes(values: Ints, size: int) -> NDArray[np.uint64]:
    """A number for each stretch of ``size`` values; equal ones have equal numbers, others hardly ever.

    Polynomial in an odd base modulo 2**64, of values that were mixed first.
    """
    with np.errstate(over="ignore"):
        mixed = values.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)
        mixed = (mixed ^ (mixed >> np.uint64(31))) * np.uint64(0xD6E8FEB86659FD93)
        mixed ^= mixed >> np.uint64(32)
        hashes = mixed
        base = np.uint64(0xB5297A4D3F84D5B5)
        built = 1
        while built * 2 <= size:  # doubling: a stretch of 2k is two of k
            hashes = hashes[:-built] * _power(base, built) + hashes[built:]
            built *= 2
        for place in range(built, size):
            hashes = hashes[:-1] * base + mixed[place : place + hashes.size - 1]
        return hashes


def _power(base: np.uint64, exponent: int) -> np.uint64:
    return np.uint64(pow(int(base), exponent, 1 << 64))
