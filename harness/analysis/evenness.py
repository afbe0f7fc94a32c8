"""Whether a profile's runs scatter more than the reference's, and how often they came out slow.

An unstable setting shows in two ways before it crashes: its runs scatter more, and now and then one is slow.
A mean of few repeats tells neither, and an interval around it is wrong where a rare slow run was not met. So
both are tested, before any verdict:

* **Scatter.** In each title the share of the sum of squares that is the profile's follows a beta distribution
  where both scatter alike, whatever the title's own scatter (a ratio of variances on its bounded scale). The
  shares, less their means, are added over titles and compared with their distribution.
* **Slow runs.** A run is slow that lies more than the plan's margin below the median of its title under its
  profile. The slowest is tested by its deleted studentised residual among all runs of its title, the better
  of two looks (runs, or paired differences), times the number of runs looked at (Bonferroni).

Both tests together fire wrongly in at most 5 % of campaigns with even normal runs (all compared profiles and
primary metrics counted; heavier tails fire oftener, as they should). Where one fires, the row over titles and
every title's row of that profile lose ``same`` and what favours the less even side: the verdict is
*withheld*, with the reason. Where none fires, a slow run may still be rare: ``slow_at_most_pct`` is the exact
one-sided 95 % bound (0 slow of 9 still allows 28 %).

Sources: Snedecor & Cochran, *Statistical Methods*, for the ratio of variances; Cook & Weisberg, *Residuals
and Influence in Regression*, 1982, 2.2.2 (outlier test by deleted residuals, Bonferroni); Clopper & Pearson,
*Biometrika* 26:404-413, 1934 (exact bounds).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import special

from harness.analysis.estimate import Array
from harness.analysis.repeats import CellKey, CellRepeats
from harness.analysis.settings import AnalysisSettings
from harness.metrics import ComparedMetric

#: Campaigns with even normal runs in which a profile is wrongly called uneven, at most.
ERROR_RATE = 0.05
#: One-sided confidence of the bound on slow runs.
BOUND_CONFIDENCE = 0.95
_DRAWS = 40_000


@dataclass(frozen=True)
class Evenness:
    """How even the runs of one profile are, beside the reference's, in one metric.

    Attributes:
        metric, profile: What was looked at.
        runs, reference_runs: Runs of each side in the titles that both have, where that side has three and
            more; with fewer none can be told to be slower than the median.
        sd_pct, reference_sd_pct: Scatter of a run around its title's mean, % of it; NaN where unknown.
        slow, reference_slow: Runs slower than their title's median by more than the margin.
        slow_at_most_pct: Exact upper bound on the share of slow runs of the profile, one-sided 95 %.
        reference_slow_at_most_pct: The same of the reference.
        p_scatter, p_slow, p_reference_slow: p-values of the tests, each for itself.
        less_even: The side that a test found less even: a profile's name; empty for neither.
    """

    metric: str
    profile: str
    runs: int
    reference_runs: int
    sd_pct: float
    reference_sd_pct: float
    slow: int
    reference_slow: int
    slow_at_most_pct: float
    reference_slow_at_most_pct: float
    p_scatter: float
    p_slow: float
    p_reference_slow: float
    less_even: str


def evenness_of(
    cells: Mapping[CellKey, CellRepeats],
    metric: ComparedMetric,
    profile: str,
    settings: AnalysisSettings,
    tests: int,
) -> Evenness | None:
    """Compare the runs of a profile with the reference's in one ratio metric.

    Args:
        tests: Pairs of profile and metric that are looked at in the campaign; they share the error rate.
    Returns:
        None where no title has runs of both.
    """
    pairs = [
        (_Side(cell, metric, settings, key[0]), _Side(other, metric, settings, key[0]))
        for key, cell in cells.items()
        if key[2] == profile
        and (other := cells.get((*key[:2], settings.reference))) is not None
        and cell.present(metric.name).size
        and other.present(metric.name).size
    ]
    if not pairs:
        return None
    ours, theirs = [a for a, _ in pairs], [b for _, b in pairs]
    margin = settings.margin(metric)
    runs, others = (sum(side.told() for side in sides) for sides in (ours, theirs))
    slow, other_slow = (sum(side.slow(margin) for side in sides) for sides in (ours, theirs))
    p_scatter, more = _scatter(pairs)
    p_slow, p_other = (_slowest(pairs, place, margin) for place in (0, 1))
    level = ERROR_RATE / tests / 3
    less_even = ""
    if min(p_slow, p_other) <= level:
        less_even = profile if p_slow <= p_other else settings.reference
    elif p_scatter <= level:
        less_even = profile if more else settings.reference
    return Evenness(
        metric.name,
        profile,
        runs,
        others,
        _sd_pct(ours),
        _sd_pct(theirs),
        slow,
        other_slow,
        100 * at_most(slow, runs),
        100 * at_most(other_slow, others),
        p_scatter,
        p_slow,
        p_other,
        less_even,
    )


def at_most(events: int, runs: int, confidence: float = BOUND_CONFIDENCE) -> float:
    """Exact one-sided upper bound of a probability from ``events`` in ``runs`` (Clopper-Pearson)."""
    return 1.0 if events >= runs else float(special.betaincinv(events + 1, runs - events, confidence))


def at_least(events: int, runs: int, confidence: float = BOUND_CONFIDENCE) -> float:
    """Exact one-sided lower bound of a probability from ``events`` in ``runs`` (Clopper-Pearson)."""
    return 0.0 if events <= 0 else float(special.betaincinv(events, runs - events + 1, 1 - confidence))


class _Side:
    """The runs of one cell: logarithms, larger is faster."""

    def __init__(
        self, cell: CellRepeats, metric: ComparedMetric, settings: AnalysisSettings, title: str
    ) -> None:
        lower = metric.better == "lower"
        if metric.name == "score":
            lower = title in settings.lower_score_titles
        sign = -1.0 if lower else 1.0
        self.values: Array = sign * np.log(cell.present(metric.name))
        self.by_block = {block: sign * math.log(value) for block, value in cell.by_block(metric.name).items()}
        self._median = float(np.median(self.values))
        self._squares = float(((self.values - self.values.mean()) ** 2).sum())

    def told(self) -> int:
        """Runs that can be told to be slow or not; a median of two is no measure of either."""
        return self.values.size if self.values.size >= 3 else 0

    def slow(self, margin: float) -> int:
        """Runs slower than the median by more than the margin, of those that can be told."""
        return int((self.values < self._median - margin).sum()) if self.told() else 0

    def squares(self) -> float:
        return self._squares


def _sd_pct(sides: Sequence[_Side]) -> float:
    df = sum(side.values.size - 1 for side in sides)
    return 100 * math.sqrt(sum(side.squares() for side in sides) / df) if df else math.nan


def _scatter(pairs: Sequence[tuple[_Side, _Side]]) -> tuple[float, bool]:
    """Two-sided p-value of equal scatter, and whether the profile's came out larger."""
    found, design = 0.0, []
    for ours, theirs in pairs:
        a, b = ours.squares(), theirs.squares()
        if min(ours.values.size, theirs.values.size) > 1 and a + b > 0:
            dfs = ours.values.size - 1, theirs.values.size - 1
            found += a / (a + b) - dfs[0] / sum(dfs)
            design.append(dfs)
    if not design:
        return math.nan, False
    drawn = _shares(tuple(sorted(design)))
    above = _tail(drawn, found) if found > 0 else _tail(-drawn, -found)
    return min(1.0, 2 * above), found > 0


def _tail(drawn: Array, found: float) -> float:
    return float(((drawn >= found).sum() + 1) / (drawn.size + 1))


@lru_cache(maxsize=256)
def _shares(design: tuple[tuple[int, int], ...]) -> Array:
    """Draws of the added shares, less their means, where both sides scatter alike; always the same ones."""
    draw = np.random.default_rng(20_260_101)
    total = np.zeros(_DRAWS)
    for a, b in design:
        total += draw.beta(a / 2, b / 2, _DRAWS) - a / (a + b)
    return total


def _slowest(pairs: Sequence[tuple[_Side, _Side]], place: int, margin: float) -> float:
    """p-value of the slowest slow run of one side, all runs of that side in all titles counted."""
    count = sum(pair[place].values.size for pair in pairs)
    best = 1.0
    for pair in pairs:
        side = pair[place]
        if side.slow(margin):
            best = min(best, 2 * _deleted(pair, place), 2 * _deleted_pair(pair, place))
    return min(1.0, best * count)


def _deleted(pair: tuple[_Side, _Side], place: int) -> float:
    """One-sided p-value of the side's slowest run, among the runs of both sides around their own means."""
    mine, other = pair[place].values, pair[1 - place].values
    at = int(mine.argmin())
    rest = np.delete(mine, at)
    df = rest.size - 1 + max(0, other.size - 1)
    squares = float(((rest - rest.mean()) ** 2).sum()) + pair[1 - place].squares()
    return _t_tail(mine[at] - rest.mean(), squares, df, 1 + 1 / rest.size)


def _deleted_pair(pair: tuple[_Side, _Side], place: int) -> float:
    """The same by paired differences, which the blocks' own scatter does not hide."""
    mine, other = pair[place].by_block, pair[1 - place].by_block
    shared = sorted(mine.keys() & other.keys())
    if len(shared) < 4:
        return 1.0
    differences = np.array([mine[block] - other[block] for block in shared])
    at = int(differences.argmin())
    rest = np.delete(differences, at)
    return _t_tail(
        differences[at] - rest.mean(),
        float(((rest - rest.mean()) ** 2).sum()),
        rest.size - 1,
        1 + 1 / rest.size,
    )


def _t_tail(distance: float, squares: float, df: int, factor: float) -> float:
    if df < 1 or squares <= 0 or distance >= 0:
        return 1.0
    return float(special.stdtr(df, distance / math.sqrt(squares / df * factor)))
