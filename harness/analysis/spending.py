"""How much error each look at the data may spend, so that all looks together keep the rate.

The statistic is a t statistic looked at after every further pair, from few pairs on, where levels made for
normal statistics would be too generous. Under no difference the sequence of t statistics is a Markov chain:
with ``u = sum(x) / sqrt(n sum(x^2))``, the next value of u depends on u and on an independent Student t
variable with n degrees of freedom (Basu's theorem: u is independent of the scale ``sum(x^2)``). The chain is
followed on a grid, so the levels are exact for normal differences up to the grid's error.

Sources: Lan & DeMets, *Biometrika* 70:659-663, 1983 (spending functions); Armitage, McPherson & Rowe,
*JRSS A* 132:235-244, 1969 (following the statistic look by look); Jennison & Turnbull, *Group Sequential
Methods*, 2000 (repeated p-values and intervals).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from scipy import special

from harness.analysis.estimate import Array

#: Edges of the grid, on the scale of standard normal quantiles of the t statistic.
_EDGES: Array = np.linspace(-7.5, 7.5, 241)
_MIDDLES: Array = (_EDGES[:-1] + _EDGES[1:]) / 2
_ALPHAS: Array = np.geomspace(1e-10, 0.5, 60)


def crossing_probabilities(levels: Sequence[float], pairs: Sequence[int]) -> Array:
    """Probability, under no difference, that t first exceeds its one-sided critical value at each look.

    Args:
        levels: One-sided nominal level of each look; 0 for a look that can't stop.
        pairs: Pairs at each look, increasing, at least 2.
    Returns:
        Shape (looks,), summing to the one-sided error rate of all looks.
    """
    mass, n = _first(pairs[0]), pairs[0]
    crossed = []
    for level, look in zip(levels, pairs, strict=True):
        for step in range(n, look):
            mass = _transition(step) @ mass
        n = look
        mass, share = _cut(mass, -float(special.ndtri(level)) if level > 0 else math.inf)
        crossed.append(share)
    return np.array(crossed)


@lru_cache(maxsize=1024)
def nominal_levels(alpha: float, at_least: int, at_most: int) -> tuple[float, ...]:
    """One-sided nominal level of each look, so that all looks together spend ``alpha``.

    The spending function is linear: a share of ``alpha`` as large as the share of the pairs seen.

    Args:
        alpha: One-sided error rate of all looks together.
        at_least, at_most: Pairs at the first and the last look; there is a look after every pair between.
    """
    mass = _first(at_least)
    spent, levels = 0.0, []
    for look in range(at_least, at_most + 1):
        if look > at_least:
            mass = _transition(look - 1) @ mass
        wanted = alpha * look / at_most
        boundary = _boundary(mass, wanted - spent)
        mass, share = _cut(mass, boundary)
        spent += share
        levels.append(float(special.ndtr(-boundary)))
    return tuple(levels)


def repeated_p(p: float, pairs: int, at_least: int, at_most: int) -> float:
    """The smallest one-sided error rate of all looks at which this look would stop.

    Valid however many looks came before. NaN before the first look; beyond the last look the last one's.

    Args:
        p: One-sided p-value of the t test at this look alone.
        pairs: Pairs at this look.
    """
    if math.isnan(p) or pairs < at_least:
        return math.nan
    levels = _levels_by_alpha(at_least, at_most)[:, min(pairs, at_most) - at_least]
    if p >= levels[-1]:
        return 1.0
    if p <= levels[0]:
        return float(_ALPHAS[0]) if p > 0 else 0.0
    return float(np.exp(np.interp(math.log(p), np.log(levels), np.log(_ALPHAS))))


@lru_cache(maxsize=64)
def _levels_by_alpha(at_least: int, at_most: int) -> Array:
    return np.array([nominal_levels(float(alpha), at_least, at_most) for alpha in _ALPHAS])


def _first(n: int) -> Array:
    """Mass of the grid's cells at the first look: the t statistic's quantiles are standard normal."""
    if n < 2:
        raise ValueError(f"a look needs at least 2 pairs, got {n}")
    return np.diff(special.ndtr(_EDGES))


def _boundary(mass: Array, probability: float) -> float:
    """Where the mass above is ``probability``; the top of the grid where there is nothing to spend."""
    above = np.concatenate([np.cumsum(mass[::-1])[::-1], [0.0]])
    return float(np.interp(-probability, -above, _EDGES))


def _cut(mass: Array, boundary: float) -> tuple[Array, float]:
    """The mass below the boundary, and how much lay above."""
    kept = mass * np.clip((boundary - _EDGES[:-1]) / np.diff(_EDGES), 0.0, 1.0)
    return kept, float(mass.sum() - kept.sum())


@lru_cache(maxsize=256)
def _transition(n: int) -> Array:
    """Matrix from the cells at n pairs to the cells at n + 1 pairs."""
    start = _u(_MIDDLES, n) * math.sqrt(n)
    half = _EDGES.size // 2
    upper = _exceeds(_u(_EDGES[half:], n + 1)[:, None], start[None, :], n)
    exceeds = np.concatenate([1 - upper[:0:-1, ::-1], upper])  # the chain is symmetric in sign
    exceeds[0], exceeds[-1] = 1.0, 0.0
    return np.asarray(exceeds[:-1] - exceeds[1:])


def _u(quantile: Array, n: int) -> Array:
    t = special.stdtrit(n - 1, special.ndtr(-np.abs(quantile)))
    return np.asarray(-np.sign(quantile) * t / np.sqrt(n - 1 + t**2))


def _exceeds(v: Array, a: Array, n: int) -> Array:
    """P((a + s) / sqrt((n + 1)(1 + s^2)) > v), v >= 0, where s sqrt(n) is Student t with n degrees."""
    v, a = np.broadcast_arrays(v, a)
    c = v**2 * (n + 1)
    c = np.where(np.abs(1 - c) < 1e-9, 1 - 1e-9, c)  # at c = 1 the quadratic is a line
    root = np.sqrt(np.maximum(c * (1 + a**2 - c), 0.0))
    scale = math.sqrt(n)
    result = special.stdtr(n, -(root - a) / (1 - c) * scale)
    bounded = c > 1
    result[bounded] -= special.stdtr(n, -(-root - a)[bounded] / (1 - c[bounded]) * scale)
    result[bounded & ((a <= 0) | (c >= 1 + a**2))] = 0.0
    return np.asarray(result)
