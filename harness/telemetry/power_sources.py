"""What the card's sources say of one and the same power, how sure each is, and whether they agree.

A card tells its power in up to three ways: an energy counter, readings (instantaneous, or the mean of what
the driver kept since the reading before), and the driver's own average. None is the power itself: each looks
at it by a rhythm of its own, and a load that goes on and off by that rhythm, as frames under a cap do, is
seen at one phase only (Yang, Adamek, Armour, SC24; arXiv 2312.02741). Where sources differ, at least one is
wrong, and nothing in the window tells which.

The test of agreement: the window is cut into equal parts, each source's mean is taken over each, and
Student's t of their differences (paired, so what the title does cancels) asks whether they differ by more
than :data:`AGREE_WITHIN` and what the rhythm is known to do to each. All pairs of an attempt together raise a
false alarm in at most :data:`ERROR_RATE` of attempts (Bonferroni). Differences within the tolerance are those
of the sources' gains (0.1 to 0.4 % between counter and average were measured at steady load on one
data-centre card).

Uncertainties by JCGM 100:2008 (GUM): 4.3.7 (limits as a rectangular distribution), 4.2 (scatter).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy import special

Floats = NDArray[np.float64]

#: Difference between two sources that counts as their gains', as a share of the power.
AGREE_WITHIN: Final = 0.01
#: Share of attempts whose sources agree and that are called disputed all the same, at most.
ERROR_RATE: Final = 0.01
#: Relative standard uncertainty by the rhythm from which on another source is looked for.
WORTH_A_CHANGE: Final = 0.005
#: Quantity -> what a reader calls the source, in the order in which one is preferred.
SOURCES: Final[dict[str, str]] = {
    "energy_j": "energy counter",
    "power_w": "power reading",
    "power_average_w": "averaged reading",
}
_FEWEST_PARTS, _MOST_PARTS = 4, 20
_SHORTEST_PART_S = 1.0
#: So many standard deviations, by the median of the absolute deviations, lie outside. With normal scatter a
#: pair's false alarms keep their share from 14 parts on (0.33 % for 14 and 20, 0.46 % for 8; 200,000 draws).
_OUTSIDE, _MAD_TO_SD, _FEWEST_TO_JUDGE = 8.0, 1.4826, 14


class Readings(Protocol):
    """A window with its readings; :class:`harness.telemetry.summary.Window` is one."""

    start_s: float
    end_s: float

    def readings(self, quantity: str) -> tuple[Floats, Floats]:
        """Times and values that were read, without the nulls; shapes (n,)."""

    def mean(self, quantity: str) -> float | None:
        """Mean over time."""

    def mean_rate(self, counter: str) -> float | None:
        """Mean rate of a counter, per second."""


@dataclass(frozen=True)
class SourceMean:
    """Mean power over the window by one source.

    Attributes:
        quantity: What it is taken from.
        mean_w: The mean.
        u_w: Its standard uncertainty by sampling, step and the window's edges, W.
    """

    quantity: str
    mean_w: float
    u_w: float

    @property
    def words(self) -> str:
        """What a reader calls it."""
        return SOURCES[self.quantity]


@dataclass(frozen=True)
class Disagreement:
    """Two sources that differ by more than their gains may.

    Attributes:
        one, other: The sources.
        difference_w: Other minus one, mean over the window.
    """

    one: SourceMean
    other: SourceMean
    difference_w: float

    @property
    def u_w(self) -> float:
        """Standard uncertainty of either: the other's value as a limit of error, W."""
        return abs(self.difference_w) / math.sqrt(3)

    @property
    def sentence(self) -> str:
        """What a reader must know."""
        share_pct = 100 * self.difference_w / self.one.mean_w
        return (
            f"the {self.one.words} gives {self.one.mean_w:.1f} W, the {self.other.words} "
            f"{self.other.mean_w:.1f} W ({share_pct:+.1f} %)".replace("-", "−")
        )


def source_means(window: Readings) -> tuple[SourceMean, ...]:
    """Mean power by each source that has one, the preferred first."""
    found = []
    for quantity in SOURCES:
        counter = quantity == "energy_j"
        mean_w = window.mean_rate(quantity) if counter else window.mean(quantity)
        if mean_w is None or not mean_w > 0:
            continue
        t_s, values = _touching(window, quantity)
        u_w = _u_of_counter(window, t_s, mean_w) if counter else _u_of_readings(values)
        found.append(SourceMean(quantity, mean_w, u_w))
    return tuple(found)


def best_source(means: Sequence[SourceMean], rhythm_u_w: Mapping[str, float]) -> SourceMean | None:
    """The source to go by: the preferred one, unless another is known to see this title's rhythm far better.

    Args:
        means: Of :func:`source_means`.
        rhythm_u_w: Quantity -> standard uncertainty by the rhythm, W, where it is known.
    """
    if not means:
        return None
    first = means[0]
    own_w = rhythm_u_w.get(first.quantity, 0.0)
    known = [mean for mean in means[1:] if mean.quantity in rhythm_u_w]
    other = min(known, key=lambda mean: rhythm_u_w[mean.quantity], default=None)
    if other is None or own_w < WORTH_A_CHANGE * first.mean_w or rhythm_u_w[other.quantity] > own_w / 2:
        return first
    return other


def disagreements(
    window: Readings,
    means: Sequence[SourceMean],
    *,
    within: float = AGREE_WITHIN,
    error_rate: float = ERROR_RATE,
    bound_w: Mapping[str, float] = MappingProxyType({}),
) -> tuple[Disagreement, ...]:
    """Pairs of sources that differ by more than ``within``, the largest difference first.

    Args:
        window: The window.
        means: Of :func:`source_means`.
        within: Share of the power that counts as a difference of gains.
        error_rate: Of all pairs together.
        bound_w: Quantity -> how far the rhythm can put it off, where that is known: it explains so much.
    """
    pairs = [(one, other) for i, one in enumerate(means) for other in means[i + 1 :]]
    edges_s = _parts(window, [mean.quantity for mean in means])
    if not pairs or edges_s is None:
        return ()
    by_part = {mean.quantity: _energies_j(window, mean.quantity, edges_s) for mean in means}
    length_s = float(edges_s[1] - edges_s[0])
    found = []
    for one, other in pairs:
        parts_w = (by_part[other.quantity] - by_part[one.quantity]) / length_s
        difference_w = float(parts_w.mean())
        alike_w = _alike(parts_w)
        se_w = float(alike_w.std(ddof=1)) / math.sqrt(parts_w.size)
        allowed_w = within * one.mean_w + se_w * float(
            special.stdtrit(alike_w.size - 1, 1 - error_rate / 2 / len(pairs))
        )
        allowed_w += bound_w.get(one.quantity, 0.0) + bound_w.get(other.quantity, 0.0)
        if abs(difference_w) > allowed_w:
            found.append(Disagreement(one, other, difference_w))
    return tuple(sorted(found, key=lambda pair: -abs(pair.difference_w)))


def _alike(parts_w: Floats) -> Floats:
    """The parts whose scatter tells how far the sources differ by chance.

    Parts far outside of the rest, as of a counter that stood still for a while, are no chance: they count
    in the mean difference and not in its scatter. Of few parts nothing can be said to be outside.
    """
    if parts_w.size < _FEWEST_TO_JUDGE:
        return parts_w
    off_w = np.abs(parts_w - np.median(parts_w))
    return np.asarray(parts_w[off_w <= _OUTSIDE * _MAD_TO_SD * np.median(off_w)], np.float64)


def _parts(window: Readings, quantities: Sequence[str]) -> Floats | None:
    """Edges of equal parts of the window that every source covers; None where it is too short for a test."""
    begin_s, end_s, step_s = window.start_s, window.end_s, 0.0
    for quantity in quantities:
        t_s, values = window.readings(quantity)
        if quantity == "energy_j":  # where a counter no longer moves it tells nothing
            t_s = t_s[moves(values)]
        begin_s, end_s = max(begin_s, float(t_s[0])), min(end_s, float(t_s[-1]))
        inside_s = t_s[(t_s >= window.start_s) & (t_s <= window.end_s)]
        step_s = max(step_s, float(np.median(np.diff(inside_s))) if inside_s.size > 1 else math.inf)
    shortest_s = max(_SHORTEST_PART_S, 5 * step_s)
    if not end_s - begin_s >= _FEWEST_PARTS * shortest_s:
        return None
    count = min(_MOST_PARTS, int((end_s - begin_s) / shortest_s))
    return np.linspace(begin_s, end_s, count + 1)


def _energies_j(window: Readings, quantity: str, edges_s: Floats) -> Floats:
    """Energy by that source in each part, J, shape (parts,)."""
    t_s, values = window.readings(quantity)
    if quantity == "energy_j":
        moved = moves(values)
        total = values[moved] - values[moved][0]
        return np.diff(np.interp(edges_s, t_s[moved], total))
    total = np.concatenate([[0.0], np.cumsum(np.diff(t_s) * (values[1:] + values[:-1]) / 2)])
    inner = np.interp(edges_s, t_s, total)
    # between two readings the power is a straight line, so its energy is not: the part of it up to the edge
    at = np.clip(np.searchsorted(t_s, edges_s, "right") - 1, 0, t_s.size - 2)
    share = np.clip((edges_s - t_s[at]) / (t_s[at + 1] - t_s[at]), 0, 1)
    inner -= (values[at + 1] - values[at]) * (t_s[at + 1] - t_s[at]) * share * (1 - share) / 2
    return np.diff(inner)


def moves(total: Floats) -> NDArray[np.bool_]:
    """Readings of a counter at which it moved: polled faster than it moves, it is a staircase.

    All of them where it moved at each, or at fewer than two.
    """
    moved = np.concatenate([[False], np.diff(total) != 0])
    if moved[1:].all() or moved.sum() < 2:
        return np.ones(total.shape, dtype=np.bool_)
    return moved


def _touching(window: Readings, quantity: str) -> tuple[Floats, Floats]:
    t_s, values = window.readings(quantity)
    inside = (t_s >= window.start_s) & (t_s <= window.end_s)
    return t_s[inside], values[inside]


def _u_of_counter(window: Readings, t_s: Floats, mean_w: float) -> float:
    """Each edge falls anywhere between two moves of the counter, and the move is seen up to one read late."""
    _, total = _touching(window, "energy_j")
    moved_s = t_s[moves(total)] if total.size else t_s
    step_s = float(np.median(np.diff(moved_s))) if moved_s.size > 1 else 0.0
    return math.sqrt(2) * mean_w * step_s / math.sqrt(12) / (window.end_s - window.start_s)


def _u_of_readings(values: Floats) -> float:
    """Scatter from reading to reading, which what a title does hardly touches (von Neumann's, 1941)."""
    if values.size < 3:
        return 0.0
    return math.sqrt(float(np.mean(np.diff(values) ** 2)) / 2 / values.size)
