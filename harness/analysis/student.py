"""Student's t and the noncentral t in plain Python: what a plan can resolve is told without NumPy and SciPy.

SciPy has both; loading its special functions takes as long as all else that ``check`` does. The tests hold
every function here against it. Upper tails are computed as such, so that small ones keep their digits.

Sources: DLMF 8.17.22 (continued fraction of the incomplete beta function), 8.17.21 (its recurrence), by
Lentz's method; Lenth, "Algorithm AS 243", *Applied Statistics* 38:185-189, 1989 (noncentral t as two Poisson
mixtures of incomplete beta functions), summed over the Poisson weights that count.
"""

from __future__ import annotations

import math
import operator
from functools import lru_cache

_TINY = 1e-300
#: From here on the noise of the mean is next to nothing beside that of the scatter: only shift / t counts.
_LARGEST_SHIFT = 1000.0
#: Weights that spread wider than this are taken at every so many of a quarter of their spread.
_WIDE = 60.0


def upper_tail(df: float, t: float) -> float:
    """P(T > t) of Student's t; ``df`` > 0 need not be whole."""
    tail = 0.5 * _beta_ratio(df / 2, 0.5, df / (df + t * t), t * t / (df + t * t))
    return tail if t >= 0 else 1 - tail


@lru_cache(maxsize=4096)
def upper_quantile(df: float, tail: float) -> float:
    """The t that is exceeded with probability ``tail``, 0 < tail <= 1."""
    if not 0 < tail <= 1:
        raise ValueError(f"a tail is a probability above 0, got {tail}")
    if tail > 0.5:
        return -upper_quantile(df, 1 - tail) if tail < 1 else -math.inf
    low, high = 0.0, 1.0
    while upper_tail(df, high) > tail:
        low, high = high, 2 * high
    t = (low + high) / 2
    for _ in range(200):  # Newton's step, halving the bracket where it leaves it
        excess = upper_tail(df, t) - tail
        low, high = (t, high) if excess > 0 else (low, t)
        following = t + excess / _density(df, t)
        if not low < following < high:
            following = (low + high) / 2
        if abs(following - t) <= 1e-15 * high:
            break
        t = following
    return t


@lru_cache(maxsize=16384)
def noncentral_upper_tail(df: float, shift: float, t: float) -> float:
    """P(T > t) of the noncentral t with noncentrality ``shift``; ``t`` >= 0."""
    if t < 0:
        raise ValueError(f"only the upper half is computed, got t = {t}")
    if abs(shift) > _LARGEST_SHIFT:
        shift, t = math.copysign(_LARGEST_SHIFT, shift), t * _LARGEST_SHIFT / abs(shift)
    if shift - 9 > t * (1 + 12 / math.sqrt(2 * df)):
        return 1.0  # neither the mean nor the scatter strays so far
    x, y = t * t / (df + t * t), df / (df + t * t)
    mean = shift * shift / 2
    reach = 9 * math.sqrt(mean)
    first = max(0, math.floor(mean - reach) - 30)
    last = math.ceil(mean + reach) + 40
    even = _mixture(0.5, df / 2, x, y, mean, first, last)
    odd = _mixture(1.0, df / 2, x, y, mean, first, last)
    return min(max(0.5 * (even + math.copysign(math.erf(abs(shift) / math.sqrt(2)), shift) * odd), 0.0), 1.0)


def _mixture(start: float, b: float, x: float, y: float, mean: float, first: int, last: int) -> float:
    """Mean of I_y(b, j + start) over the weights mean**j / Gamma(j + start + 1/2), j from first to last."""
    if x == 0 or mean == 0:
        return _beta_ratio(b, start, y, x)
    if mean > _WIDE**2:
        # smooth and bell-shaped: every so many of them give the same mean (the trapezoid rule)
        taken = range(first, last, math.floor(math.sqrt(mean) / 4))
        peak = mean * math.log(mean) - math.lgamma(mean + start + 0.5)
        shares = [math.exp(j * math.log(mean) - math.lgamma(j + start + 0.5) - peak) for j in taken]
        ratios = [_beta_ratio(b, j + start, y, x) for j in taken]
        return math.fsum(map(operator.mul, shares, ratios)) / math.fsum(shares)
    a = first + start
    value = _beta_ratio(b, a, y, x)
    step = math.exp(_log_power(a, b, x, y)) / a
    weight, weights, found = 1.0, 0.0, 0.0
    for _ in range(first, last + 1):
        weights += weight
        found += weight * value
        value += step
        step *= x * (a + b) / (a + 1)
        weight *= mean / (a + 0.5)
        a += 1
        if weight > 1e250:
            weight, weights, found = weight * 1e-250, weights * 1e-250, found * 1e-250
    return found / weights


def _density(df: float, t: float) -> float:
    log = math.lgamma((df + 1) / 2) - math.lgamma(df / 2) - (df + 1) / 2 * math.log1p(t * t / df)
    return math.exp(log) / math.sqrt(df * math.pi)


def _log_power(a: float, b: float, x: float, y: float) -> float:
    """Logarithm of x**a y**b / B(a, b), where y = 1 - x."""
    return (
        a * math.log(x) + b * math.log(y) + math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b)
        if x > 0 and y > 0
        else -math.inf
    )


def _beta_ratio(a: float, b: float, x: float, y: float) -> float:
    """The regularised incomplete beta function I_x(a, b), where y = 1 - x to all its digits."""
    if x <= 0 or y <= 0:
        return float(y <= 0)
    power = math.exp(_log_power(a, b, x, y))
    if x < (a + 1) / (a + b + 2):
        return power * _fraction(a, b, x) / a
    return 1 - power * _fraction(b, a, y) / b


def _fraction(a: float, b: float, x: float) -> float:
    """The continued fraction of I_x(a, b), for x below its mean."""
    c, d = 1.0, 1 / _apart(1 - (a + b) * x / (a + 1))
    found = d
    for m in range(1, 100_000):
        even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        d, c = 1 / _apart(1 + even * d), _apart(1 + even / c)
        found *= d * c
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        d, c = 1 / _apart(1 + odd * d), _apart(1 + odd / c)
        found *= d * c
        if abs(d * c - 1) < 1e-16:
            return found
    raise ArithmeticError(f"the continued fraction of I_{x}({a}, {b}) does not settle")


def _apart(value: float) -> float:
    return value if abs(value) > _TINY else _TINY
