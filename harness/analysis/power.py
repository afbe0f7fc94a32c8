"""Probability that a comparison decides, and the repeats that it takes; by the noncentral t.

Everything works on the scale of the analysis: natural log of a ratio, or a plain difference.
"""

from __future__ import annotations

import math
from functools import lru_cache

from harness.analysis.student import noncentral_upper_tail, upper_quantile

#: Degrees of freedom that are as good as infinitely many.
_MOST_DF = 1e5


def cautious_df(found: float, smallest: float) -> float:
    """Midway between Satterthwaite's degrees of freedom and the smallest of the parts.

    Satterthwaite's are too many where few repeats hide which part scatters most: 5 % of wrong claims become
    6.7 % with five titles of three repeats, one of which scatters ten times as much, and 7.9 % with three,
    three and two repeats. Midway keeps 5.5 % and less there; equal titles pay with intervals 9 % (ten titles
    of three repeats) to 14 % (three) wider.
    """
    return (found + smallest) / 2


def power_of_difference(value: float, sd: float, n: float, alpha: float, df: float | None = None) -> float:
    """Probability that a two-sided paired t test finds a true difference.

    Args:
        value: The true difference.
        sd: Scatter of one pair.
        n: Pairs.
        alpha: Two-sided error rate.
        df: Degrees of freedom where they are not ``n - 1``.
    """
    df = n - 1 if df is None else df
    if sd <= 0:
        return float(value != 0)
    return _found(abs(value) * math.sqrt(n) / sd, alpha, df)


def smallest_difference(sd: float, n: float, alpha: float, df: float, power: float = 0.8) -> float:
    """The true difference that is found with that probability; arguments as above, 0 without scatter."""
    return max(sd, 0.0) / math.sqrt(n) * _shift_that_is_found(alpha, df, power)


@lru_cache(maxsize=256)
def _shift_that_is_found(alpha: float, df: float, power: float) -> float:
    low, high = 0.0, 1.0
    below, above = alpha - power, _found(high, alpha, df) - power
    while above < 0:
        low, below, high = high, above, 2 * high
        above = _found(high, alpha, df) - power
    kept = 0
    for _ in range(100):  # false position; an end that was kept twice counts half (the Illinois rule)
        if high - low <= 1e-13 * high or above == 0:
            break
        middle = min(max(high - above * (high - low) / (above - below), low), high)
        value = _found(middle, alpha, df) - power
        if value >= 0:
            high, above, below = middle, value, below / 2 if kept > 0 else below
            kept = 1
        else:
            low, below, above = middle, value, above / 2 if kept < 0 else above
            kept = -1
        if abs(value) < 1e-13:
            return middle
    return high


def _found(shift: float, alpha: float, df: float) -> float:
    """Probability that a two-sided t test finds a difference of so many standard errors."""
    if shift == 0:
        return alpha
    critical = upper_quantile(df, alpha / 2)
    return noncentral_upper_tail(df, shift, critical) + noncentral_upper_tail(df, -shift, critical)


def power_of_same(
    value: float, sd: float, margin: float, n: float, alpha: float, df: float | None = None
) -> float:
    """Probability that both one-sided tests pass at that true difference; arguments as above.

    A lower bound, and close where it matters (above one half): it leaves out that both can fail at once.
    """
    df = n - 1 if df is None else df
    if sd <= 0:
        return float(abs(value) < margin)
    critical = upper_quantile(df, alpha)
    root = math.sqrt(n) / sd
    near = noncentral_upper_tail(df, (margin - abs(value)) * root, critical)
    far = noncentral_upper_tail(df, (margin + abs(value)) * root, critical)
    return max(near + far - 1, 0.0)


def repeats_that_decide(
    value: float,
    sd: float,
    margin: float,
    alpha: float,
    power: float = 0.8,
    at_most: int = 1000,
    titles: float = 1,
    same_alpha: float | None = None,
    fixed_u: float = 0.0,
) -> int | None:
    """Pairs in all that would decide with probability ``power``, were value and scatter as measured.

    Decided means that the interval excludes no difference, or that both one-sided tests pass.

    Args:
        value, sd, margin: On the scale of the analysis; ``sd`` of one pair.
        alpha: Error rate of each kind of claim.
        power: Probability of a decision.
        at_most: Give up beyond this many.
        titles: Degrees of freedom in those of one title, for an average of several; ``sd`` is then the
            average's.
        same_alpha: One-sided error rate of ``same``, where it is another than ``alpha``: half of it where
            the two-sided interval decides.
        fixed_u: Standard uncertainty that no repeat makes smaller (an instrument's).
    Returns:
        The count, at least 2; None where more than ``at_most`` would be needed or ``sd`` is unknown.
    """
    if math.isnan(sd) or math.isnan(value):
        return None

    level = alpha if same_alpha is None else same_alpha

    def decides(n: int) -> bool:
        whole, df = math.sqrt(sd**2 + n * fixed_u**2), titles * (n - 1)
        if fixed_u > 0:
            df = min(_MOST_DF, df * (whole / sd) ** 4 if sd > 0 else _MOST_DF)
        different = power_of_difference(value, whole, n, alpha, df)
        return max(different, power_of_same(value, whole, margin, n, level, df)) >= power

    if not decides(at_most):
        return None
    low, high = 1, at_most
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if decides(middle) else (middle, high)
    return high
