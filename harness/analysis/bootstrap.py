"""Bootstrap over repeats (never over frames): a second opinion that assumes no normal distribution.

BCa intervals of Efron, *JASA* 82:171-185, 1987, by ``scipy.stats.bootstrap``. With fewer than about eight
repeats a bootstrap interval is too narrow; the t interval is the one to publish.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from harness.analysis.estimate import NO_INTERVAL, Array

RESAMPLES = 9999
#: Below this many repeats the interval is shown with a caution.
ENOUGH = 8


def bca(
    samples: Sequence[Array],
    statistic: Callable[..., Any],
    confidence: float,
    seed: int = 1,
    resamples: int = RESAMPLES,
    paired: bool = False,
) -> tuple[float, float]:
    """BCa interval of any statistic.

    Args:
        samples: One or more samples, shape (n_i,).
        statistic: Called as ``statistic(*samples, axis=-1)``, vectorised over leading axes.
        confidence: As a fraction.
        seed: Of the resampling; same seed, same interval.
        resamples: Bootstrap samples drawn.
        paired: Draw the same places from every sample.
    """
    from scipy import stats  # half a second to import; nothing else here needs it

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", stats.DegenerateDataWarning)
        found = stats.bootstrap(
            tuple(samples),
            statistic,
            n_resamples=resamples,
            confidence_level=confidence,
            method="BCa",
            paired=paired,
            rng=np.random.default_rng(seed),
        )
    return float(found.confidence_interval.low), float(found.confidence_interval.high)


def bca_of_average(
    samples: Sequence[Array], confidence: float, seed: int = 1, weights: Sequence[float] | None = None
) -> tuple[float, float]:
    """BCa interval of the weighted mean of means; repeats are drawn again within each sample.

    Args:
        samples: One array per title and setting, shape (n_i,); one array alone for a single title.
        confidence: As a fraction.
        seed: As above.
        weights: Of the samples, summing to 1; equal by default.
    Returns:
        NaN, NaN where a sample has fewer than two values.
    """
    if any(sample.size < 2 for sample in samples):
        return NO_INTERVAL
    shares = weights or [1 / len(samples)] * len(samples)
    if all(float(np.ptp(sample)) == 0 for sample in samples):
        center = sum(share * float(sample.mean()) for share, sample in zip(shares, samples, strict=True))
        return center, center

    def mean_of_means(*drawn: Array, axis: int = -1) -> Array:
        return np.asarray(sum(w * part.mean(axis=axis) for w, part in zip(shares, drawn, strict=True)))

    return bca(samples, mean_of_means, confidence, seed)
