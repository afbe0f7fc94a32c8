"""One estimate with its standard error, and what may be concluded from it.

Everything here works on the scale of the analysis: natural log of a ratio, or a plain difference.

Sources: Student, *Biometrika* 6:1-25, 1908 (paired t); Welch, *Biometrika* 34:28-35, 1947, and
Satterthwaite, *Biometrics Bulletin* 2:110-114, 1946 (unequal variances; Welch's refinement of the degrees of
freedom from memory, derived in :func:`_average_df`); Schuirmann, *J. Pharmacokinetics and Biopharmaceutics*
15:657-680, 1987 (two one-sided tests).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

Array = NDArray[np.float64]
NO_INTERVAL = (math.nan, math.nan)


@dataclass(frozen=True)
class Estimate:
    """A mean or a difference.

    Attributes:
        value: The estimate.
        se: Its standard error; NaN where the scatter is unknown (a single repeat).
        df: Degrees of freedom of the standard error; NaN where it is unknown.
        n: Repeats or pairs that it rests on (the smaller group where they differ).
        sd: Scatter of one pair (or of one repeat of each group), for planning; NaN where unknown.
    """

    value: float
    se: float
    df: float
    n: int
    sd: float

    @property
    def known(self) -> bool:
        """True where the scatter is known."""
        return not math.isnan(self.se)


def of_mean(values: Array) -> Estimate:
    """Mean of independent values, shape (n,), n >= 1. Pass differences for a paired comparison."""
    n = values.size
    mean = float(values.mean())
    if n < 2:
        return Estimate(mean, math.nan, math.nan, n, math.nan)
    sd = float(values.std(ddof=1))
    return Estimate(mean, sd / math.sqrt(n), n - 1, n, sd)


def of_two_groups(values: Array, reference: Array) -> Estimate:
    """Difference of two means with unequal variances (Welch); shapes (n,) and (m,), both >= 1."""
    n, m = values.size, reference.size
    value = float(values.mean() - reference.mean())
    if n < 2 or m < 2:
        return Estimate(value, math.nan, math.nan, min(n, m), math.nan)
    v, w = float(values.var(ddof=1)), float(reference.var(ddof=1))
    a, b = v / n, w / m
    df = _satterthwaite([a, b], [n - 1, m - 1])
    return Estimate(value, math.sqrt(a + b), df, min(n, m), math.sqrt(v + w))


def of_average(parts: Sequence[Estimate]) -> Estimate:
    """Mean of independent estimates, equal weights (the titles of one plan).

    A part whose scatter is unknown takes the pooled scatter of the others; where none is known, the
    average's isn't either.
    """
    value = float(np.mean([part.value for part in parts]))
    n = min(part.n for part in parts)
    known = [part for part in parts if part.known]
    if not known:
        return Estimate(value, math.nan, math.nan, n, math.nan)
    count = len(parts)
    variances, dfs = [part.se**2 / count**2 for part in known], [part.df for part in known]
    pooled = sum(part.df * part.sd**2 for part in known) / sum(dfs)
    borrowed = sum(pooled / max(part.n, 1) for part in parts if not part.known) / count**2
    df = _average_df([*variances, borrowed], [*dfs, sum(dfs)], sum(dfs))
    se = math.sqrt(sum(variances) + borrowed)
    return Estimate(value, se, df, n, se * math.sqrt(n))


def _satterthwaite(variances: Sequence[float], dfs: Sequence[float]) -> float:
    total = sum(variances)
    if total == 0:
        return float(sum(dfs))
    return total**2 / sum(v**2 / df for v, df in zip(variances, dfs, strict=True))


def _average_df(variances: Sequence[float], dfs: Sequence[float], at_most: float) -> float:
    """Degrees of freedom of a sum of estimated variances, midway between Satterthwaite's and Welch's.

    Satterthwaite's ``(sum v)**2 / sum(v**2 / df)`` comes out too small where the estimates scatter: with
    few repeats or heavy tails its intervals cover 97 % where 95 % are stated. Welch's, with ``df + 2`` and 2
    taken off, puts unbiased estimates in, but is too large for three repeats of very unequal titles, where
    5 % of wrong claims become 5.8 %. With 1 in the place of 2 both stay close (calibration study). The true
    value lies between the smallest df and their sum, which bound the estimate.
    """
    total = sum(variances)
    if total == 0:
        return at_most
    found = total**2 / sum(v**2 / (df + 1) for v, df in zip(variances, dfs, strict=True)) - 1
    return min(max(found, min(dfs)), at_most)


def interval(estimate: Estimate, confidence: float) -> tuple[float, float]:
    """Two-sided t-interval; ``confidence`` as a fraction. NaN, NaN where the scatter is unknown."""
    if not estimate.known:
        return NO_INTERVAL
    half = float(special.stdtrit(estimate.df, 0.5 + confidence / 2)) * estimate.se
    return estimate.value - half, estimate.value + half


def p_difference(estimate: Estimate) -> float:
    """Two-sided p-value of "no difference". NaN where the scatter is unknown."""
    if not estimate.known:
        return math.nan
    if estimate.se == 0:
        return float(estimate.value == 0)
    return 2 * float(special.stdtr(estimate.df, -abs(estimate.value) / estimate.se))


def p_same(estimate: Estimate, margin: float) -> float:
    """p-value of "differs by the margin or more": the larger of two one-sided tests. NaN where unknown."""
    if not estimate.known:
        return math.nan
    inside = margin - abs(estimate.value)
    if estimate.se == 0:
        return float(inside <= 0)
    return float(special.stdtr(estimate.df, -inside / estimate.se))


def power_of_difference(
    value: float, sd: float, n: Array, alpha: float, df: float | Array | None = None
) -> Array:
    """Probability that a two-sided paired t test finds a true difference, by the noncentral t.

    Args:
        value: The true difference.
        sd: Scatter of one pair.
        n: Pairs, shape (k,).
        alpha: Two-sided error rate.
        df: Degrees of freedom where they are not ``n - 1``.
    Returns:
        Shape (k,).
    """
    df = n - 1 if df is None else df + 0 * n
    if sd <= 0:
        return np.full(n.shape, float(value != 0))
    shift = abs(value) * np.sqrt(n) / sd
    critical = np.asarray(special.stdtrit(df, 1 - alpha / 2), dtype=np.float64)
    return _beyond(df, shift, critical) + _beyond(df, -shift, critical)


def power_of_same(
    value: float, sd: float, margin: float, n: Array, alpha: float, df: float | Array | None = None
) -> Array:
    """Probability that both one-sided tests pass at that true difference; arguments as above.

    A lower bound, and close where it matters (above one half): it leaves out that both can fail at once.
    """
    df = n - 1 if df is None else df + 0 * n
    if sd <= 0:
        return np.full(n.shape, float(abs(value) < margin))
    critical = np.asarray(special.stdtrit(df, 1 - alpha), dtype=np.float64)
    root = np.sqrt(n) / sd
    near = _beyond(df, (margin - abs(value)) * root, critical)
    far = _beyond(df, (margin + abs(value)) * root, critical)
    return np.maximum(near + far - 1, 0.0)


def _beyond(df: Array, shift: Array, critical: Array) -> Array:
    """P(noncentral t > critical); 1 where the shift is beyond what the distribution's code can tell."""
    far = shift - critical > 12
    beyond = 1 - special.nctdtr(df, np.where(far, 0.0, shift), critical)
    return np.asarray(np.where(far, 1.0, np.fmax(beyond, 0.0)))  # 0 in the place of NaN


def repeats_that_decide(
    value: float,
    sd: float,
    margin: float,
    alpha: float,
    power: float = 0.8,
    at_most: int = 1000,
    titles: int = 1,
) -> int | None:
    """Pairs in all that would decide with probability ``power``, were value and scatter as measured.

    Decided means that the interval excludes no difference, or that both one-sided tests pass.

    Args:
        value, sd, margin: On the scale of the analysis; ``sd`` of one pair.
        alpha: Error rate of each kind of claim.
        power: Probability of a decision.
        at_most: Give up beyond this many.
        titles: Titles averaged, which share the degrees of freedom; ``sd`` is then that of the average.
    Returns:
        The count, at least 2; None where more than ``at_most`` would be needed or ``sd`` is unknown.
    """
    if math.isnan(sd) or math.isnan(value):
        return None

    def decides(n: int) -> bool:
        count = np.array([float(n)])
        df = titles * (count - 1)
        different = power_of_difference(value, sd, count, alpha, df)
        return bool(max(different[0], power_of_same(value, sd, margin, count, alpha, df)[0]) >= power)

    if not decides(at_most):
        return None
    low, high = 1, at_most
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if decides(middle) else (middle, high)
    return high
