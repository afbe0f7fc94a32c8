"""One extension of a fixed plan after a look, with the error rate kept.

A plan that says ``may_extend_once`` spends four fifths of each number's error rate on its first look, when
all planned repeats are done, and keeps the rest for one extension, of any length chosen after that look. The
repeats of the extension are a stage of their own: the one-sided p-values of both stages, each from its own t
statistic and so independent, are combined with equal weights, ``(z1 + z2) / sqrt(2)``, against a bound that
spends what is left. This is the conditional error principle: after the first stage the extension is tested at
the conditional error ``A(z1) = 1 - Phi(sqrt(2) c - z1)``, which no choice of its length can change.

The price: before an extension intervals are those of 4 % instead of 5 % (about 4 % wider). What was decided
at the first look may come out undecided in the end, as one number has one verdict.

Sources: Mueller & Schaefer, *Biometrics* 57:886-891, 2001 (conditional error principle); Lehmacher & Wassmer,
*Biometrics* 55:1286-1290, 1999 (inverse normal combination and its intervals).
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from scipy import special

from harness.analysis.estimate import Array, Estimate
from harness.analysis.estimate import interval as one_stage
from harness.analysis.settings import FIRST_LOOK

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(200)


@lru_cache(maxsize=4096)
def final_level(alpha: float) -> float:
    """One-sided nominal level of the combined statistic, so that both looks together spend ``alpha``."""
    bound = float(-special.ndtri(FIRST_LOOK * alpha))
    z = (bound + 10) / 2 * _NODES + (bound - 10) / 2
    mass = (bound + 10) / 2 * _WEIGHTS * np.exp(-(z**2) / 2) / math.sqrt(2 * math.pi)

    def crossed(c: float) -> float:
        return float((mass * special.ndtr(z - math.sqrt(2) * c)).sum())

    low, high = 0.0, 12.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if crossed(middle) > (1 - FIRST_LOOK) * alpha else (low, middle)
    return float(special.ndtr(-high))


def spent(p: float) -> float:
    """The one-sided error rate of both looks at which a combined p-value just stands; 0.5 at most."""
    rates, levels = _levels()
    if p >= math.exp(levels[-1]):
        return 0.5
    return math.exp(float(np.interp(math.log(max(p, 1e-300)), levels, rates)))


@lru_cache(maxsize=1)
def _levels() -> tuple[Array, Array]:
    """Error rates and the final levels that spend them, as logarithms."""
    rates = np.linspace(math.log(1e-12), math.log(0.5), 300)
    return rates, np.log([final_level(math.exp(rate)) for rate in rates])


def interval(first: Estimate, second: Estimate, alpha: float) -> tuple[float, float]:
    """Two-sided interval from both stages at the error rate ``alpha`` of both looks.

    Where the extension has no scatter of its own (a single repeat), the first look's interval stands.
    """
    if not (first.known and second.known):
        return one_stage(first, 1 - FIRST_LOOK * alpha)
    bound = float(-special.ndtri(final_level(alpha / 2)))
    return _where(first, second, bound), _where(first, second, -bound)


def p_above(first: Estimate, second: Estimate, value: float) -> float:
    """Error rate of both looks at which "not above ``value``" is just rejected, one-sided; NaN if unknown."""
    if not (first.known and second.known):
        return math.nan
    return spent(float(special.ndtr(-_combined(first, second, value))))


def _combined(first: Estimate, second: Estimate, value: float) -> float:
    return (_z(first, value) + _z(second, value)) / math.sqrt(2)


def _z(stage: Estimate, value: float) -> float:
    """Normal score of a stage's t statistic; larger where the stage lies farther above the value."""
    t = (stage.value - value) / stage.se
    tail = max(float(special.stdtr(stage.df, -abs(t))), 1e-300)
    return math.copysign(float(-special.ndtri(tail)), t)


def _where(first: Estimate, second: Estimate, score: float) -> float:
    """The value at which the combined statistic has that score; it falls as the value rises."""
    middle = (first.value + second.value) / 2
    reach = first.se + second.se + abs(first.value - second.value)
    low, high = middle - reach, middle + reach
    while _combined(first, second, low) < score:
        low -= 2 * (high - low)
    while _combined(first, second, high) > score:
        high += 2 * (high - low)
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if _combined(first, second, middle) > score else (low, middle)
    return (low + high) / 2
