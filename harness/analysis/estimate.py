"""One estimate with its standard error, and what may be concluded from it.

Everything here works on the scale of the analysis: natural log of a ratio, or a plain difference.

No scatter is ever borrowed: what has none of its own (a single pair) makes no claim, and an average over
such a part rests on the scatter between the parts (:func:`of_average`).

Sources: Student, *Biometrika* 6:1-25, 1908 (paired t); Welch, *Biometrika* 34:28-35, 1947, and
Satterthwaite, *Biometrics Bulletin* 2:110-114, 1946 (unequal variances); Schuirmann, *J. Pharmacokinetics and
Biopharmaceutics* 15:657-680, 1987 (two one-sided tests); Ibragimov & Mueller, *J. Business & Economic
Statistics* 28:453-468, 2010 (the t test over a few parts holds for parts of any unequal scatter, at error
rates up to 8 %); JCGM 100:2008 (GUM), 4.3.7 (a step enters as a rectangular distribution).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from harness.analysis.power import cautious_df

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
        between: The standard error is that between the parts of an average, as a part has none of its own.
        stages: The planned repeats and those of an extension, each by itself; None without one.
        fixed_u: What of the standard error no further repeat makes smaller: the instrument's.
    """

    value: float
    se: float
    df: float
    n: int
    sd: float
    between: bool = False
    stages: tuple[Estimate, Estimate] | None = None
    fixed_u: float = 0.0

    @property
    def known(self) -> bool:
        """True where the scatter is known; equal values show none, so theirs is not."""
        return self.se > 0


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
    df = satterthwaite([a, b], [n - 1, m - 1])
    return Estimate(value, math.sqrt(a + b), df, min(n, m), math.sqrt(v + w))


def of_average(parts: Sequence[Estimate]) -> Estimate:
    """Mean of independent estimates, equal weights (the titles of one plan).

    Where each part knows its scatter, their variances add up, with cautious degrees of freedom. Where one
    does not (a single pair), or knows it from two pairs only while others have more, the interval rests on
    the scatter between the parts, which needs none of theirs and holds whatever they are; NaN for a part
    alone.
    """
    staged = [part.stages for part in parts if part.stages is not None]
    stages = None
    if len(staged) == len(parts):
        stages = of_average([one for one, _ in staged]), of_average([other for _, other in staged])
    values = np.array([part.value for part in parts])
    value, n = float(values.mean()), min(part.n for part in parts)
    dfs = [part.df for part in parts]
    fixed_u = math.hypot(*(part.fixed_u for part in parts)) / len(parts)
    if all(part.known for part in parts) and (min(dfs) > 1 or max(dfs) <= 1):
        variances = [part.se**2 / len(parts) ** 2 for part in parts]
        se = math.sqrt(sum(variances))
        df = cautious_df(satterthwaite(variances, dfs), min(dfs))
        sd = math.sqrt(max(0.0, se**2 - fixed_u**2) * n)
        return Estimate(value, se, df, n, sd, stages=stages, fixed_u=fixed_u)
    across = of_mean(values)
    return Estimate(value, across.se, across.df, n, math.nan, between=across.known, stages=stages)


def satterthwaite(variances: Sequence[float], dfs: Sequence[float]) -> float:
    """Degrees of freedom of a sum of estimated variances."""
    total = sum(variances)
    if total == 0:
        return float(sum(dfs))
    return total**2 / sum(v**2 / df for v, df in zip(variances, dfs, strict=True))


def with_step(estimate: Estimate, u: float) -> Estimate:
    """The estimate with the standard uncertainty of its readings' step in it (step / sqrt(12) a reading).

    Readings of one step share their rounding, so repeats don't make it smaller. The degrees of freedom stay
    those of the repeats: rounded readings tell too little of their own scatter for more (calibration study).
    An estimate without scatter of its own stays without.
    """
    if u <= 0:
        return estimate
    stages = estimate.stages
    if stages is not None:
        stages = with_step(stages[0], u), with_step(stages[1], u)
    return replace(estimate, se=math.hypot(estimate.se, u), stages=stages)


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
    return 2 * float(special.stdtr(estimate.df, -abs(estimate.value) / estimate.se))


def p_same(estimate: Estimate, margin: float) -> float:
    """p-value of "differs by the margin or more": the larger of two one-sided tests. NaN where unknown."""
    if not estimate.known:
        return math.nan
    inside = margin - abs(estimate.value)
    return float(special.stdtr(estimate.df, -inside / estimate.se))
