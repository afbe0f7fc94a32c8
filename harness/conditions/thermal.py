"""A running thermal model of the rig: two time constants, fitted wait by wait through the night.

A card is a small heat capacity (die) on a large one (cooler): after a step of power its temperature is a sum
of two exponentials and an end value (lumped-capacitance model, any heat-transfer text). Each wait of the
night is fitted; the next one of its kind starts from what was learned and needs only seconds to say when it
will end. Where a wait does not go as learned, the model says so: something about the cooling has changed.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from harness.numerals import signed

Array = NDArray[np.float64]

_FAST_S = np.geomspace(1.5, 40.0, 12)
_SLOW_S = np.geomspace(12.0, 900.0, 18)
_FINER = np.geomspace(0.8, 1.25, 9)
#: Spread of one reading about the curve, K: rounding to whole degrees plus the sensor's own noise.
_READING_K = 0.5
#: Readings closer than this say nothing new, s.
_APART_S = 2.0
#: How far the end value may be off before the model calls the cooling changed, K.
CHANGED_K = 3.0
_LEAST_POINTS = 6
_LEAST_ERROR = 0.01
_OFFSETS_K = (-0.4, -0.2, 0.0, 0.2, 0.4)
_WEIGHT = 0.2


@dataclass(frozen=True)
class Curve:
    """``end_c + fast_k exp(-t / fast_s) + slow_k exp(-t / slow_s)``, t in s from the wait's start."""

    end_c: float
    fast_k: float
    slow_k: float
    fast_s: float
    slow_s: float

    def at(self, t_s: Array) -> Array:
        """Temperatures, °C."""
        return (
            self.end_c + self.fast_k * np.exp(-t_s / self.fast_s) + self.slow_k * np.exp(-t_s / self.slow_s)
        )


@dataclass
class Learned:
    """What the waits of one kind have in common.

    Attributes:
        fast_s: Fast time constant, s.
        slow_s: Slow time constant, s.
        fast_share: Share of the whole change that is fast.
        end_k: End value above ambient, K; an absolute temperature where there is no ambient sensor.
        end_spread_k: How much that varies from wait to wait.
        rms_k: Usual residual of a fit.
        waits: Waits learned from.
        wait_s: Typical length of the wait.
        wait_error: Typical error of foretelling the next length by that one (of the logarithm).
        curve_error: Typical error of foretelling it by the curve at the wait's start.
        suspect: Waits in succession that did not go as learned.
    """

    fast_s: float
    slow_s: float
    fast_share: float
    end_k: float
    end_spread_k: float = 2.0
    rms_k: float = 0.5
    waits: int = 1
    wait_s: float = 0.0
    wait_error: float = 0.3
    curve_error: float = 0.3
    suspect: int = 0


@dataclass(frozen=True)
class PassGrid:
    """When a title's passes begin, s from the wait's start: the first one seen, and their length if known."""

    first_s: float
    pass_s: float | None


@dataclass
class ThermalModel:
    """Memory of the night, by kind of wait.

    A kind is a family and what it is of: ``cooldown after CELL``, ``soak of CELL``; under another load the
    card takes another course. A kind that was never seen is foretold from the latest of its family (the first
    word), with doubt.
    """

    learned: dict[str, Learned] = field(default_factory=dict)
    passes: dict[str, PassGrid] = field(default_factory=dict)

    def known(self, kind: str) -> Learned | None:
        """What is known of a kind, or of its family; None where that is nothing."""
        if kind in self.learned:
            return self.learned[kind]
        family = kind.partition(" ")[0]
        for other in reversed(self.learned):
            if other.partition(" ")[0] == family:
                return replace(
                    self.learned[other], end_spread_k=6.0, wait_error=0.3, curve_error=0.3, waits=0
                )
        return None

    def watch(self, kind: str) -> WaitCurve:
        """Watch one wait of that kind."""
        return WaitCurve(self, kind)


class WaitCurve:
    """One wait: takes readings, gives the curve that they follow, and teaches the model at its end."""

    def __init__(self, model: ThermalModel, kind: str) -> None:
        self._model = model
        self._kind = kind
        self._t_s: list[float] = []
        self._temp_c: list[float] = []
        self._ambient_c: float | None = None
        self._first_s: float | None = None
        self._pass_starts_s: list[float] = []

    def add(self, t_s: float, temp_c: float | None, ambient_c: float | None) -> None:
        """Take a reading ``t_s`` seconds into the wait."""
        if ambient_c is not None:
            self._ambient_c = ambient_c
        if temp_c is None or (self._t_s and t_s < self._t_s[-1] + _APART_S):
            return
        self._t_s.append(t_s)
        self._temp_c.append(temp_c)

    def pass_began(self, t_s: float) -> None:
        """A pass of the title began ``t_s`` seconds into the wait."""
        self._pass_starts_s.append(t_s)

    def next_pass_s(self, at_s: float) -> float:
        """First start of a pass from then on, s into the wait; that time itself where no pass is known."""
        grid = self._grid()
        if grid is None:
            return at_s
        if at_s <= grid.first_s:
            return grid.first_s
        if grid.pass_s is None:
            return at_s
        return grid.first_s + math.ceil((at_s - grid.first_s) / grid.pass_s) * grid.pass_s

    def _grid(self) -> PassGrid | None:
        """The passes as seen in this wait, completed by those of the wait before of the same kind."""
        starts, before = self._pass_starts_s, self._model.passes.get(self._kind)
        if not starts:
            return before
        if len(starts) > 1:
            return PassGrid(starts[0], (starts[-1] - starts[0]) / (len(starts) - 1))
        return PassGrid(starts[0], before.pass_s if before is not None else None)

    def curve(self) -> Curve | None:
        """The curve of this wait as known so far; None while too little is known."""
        if not self._t_s:
            return None
        t_s, temp_c = np.asarray(self._t_s), np.asarray(self._temp_c)
        learned = self._model.known(self._kind)
        if learned is not None:
            return fit_with(learned, t_s, temp_c, self._ambient_c or 0.0)
        if len(self._t_s) < 2 * _LEAST_POINTS:
            return None
        return fit_freely(t_s, temp_c, self._ambient_c)

    def blend(self, waited_s: float, ahead_s: float) -> float:
        """Time that is left, s: what the curve says, weighed with how long such waits took before.

        Where a gate waits for the last flicker of a whole degree, the curve alone says little, and the waits
        before, under the same load, say more. Each counts by the inverse square of its error so far.
        """
        total_s = waited_s + ahead_s
        if self._first_s is None:
            self._first_s = total_s
        learned = self._model.known(self._kind)
        if learned is None or learned.wait_s <= 0 or waited_s > 0.8 * learned.wait_s:
            return ahead_s
        apart = abs(math.log(total_s / learned.wait_s))
        if apart > 3 * (learned.curve_error + learned.wait_error):
            return ahead_s  # this wait is of another length: it starts elsewhere, or the room has changed
        by_curve, by_waits = learned.curve_error**-2, learned.wait_error**-2
        logarithm = by_curve * math.log(total_s) + by_waits * math.log(learned.wait_s)
        return max(0.0, math.exp(logarithm / (by_curve + by_waits)) - waited_s)

    def finish(self, waited_s: float) -> tuple[str, ...]:
        """End of the wait: learn from it. Returns warnings where it did not go as learned before.

        Args:
            waited_s: Time until what the curve foretells; what is waited for a pass to begin comes on top.
        """
        if (grid := self._grid()) is not None:
            self._model.passes[self._kind] = grid
        if len(self._t_s) < _LEAST_POINTS or np.ptp(self._temp_c) < 3:
            return ()
        t_s, temp_c = np.asarray(self._t_s), np.asarray(self._temp_c)
        ambient_c = self._ambient_c or 0.0
        before = self._model.learned.get(self._kind)
        if before is not None and (change := self._compare(before, t_s, temp_c, ambient_c)):
            before.suspect += 1
            if before.suspect == 1:
                return ()  # one odd wait may be chance; it is neither told nor learned from
            self._learn(before, t_s, temp_c, ambient_c, waited_s)
            return (change,)
        if before is not None:
            before.suspect = 0
        self._learn(before, t_s, temp_c, ambient_c, waited_s)
        return ()

    def _learn(
        self, before: Learned | None, t_s: Array, temp_c: Array, ambient_c: float, waited_s: float
    ) -> None:
        free = fit_freely(t_s, temp_c, self._ambient_c)
        total_k = free.fast_k + free.slow_k
        share = min(max(free.fast_k / total_k, 0.0), 1.0) if abs(total_k) > 1 else 0.5
        rms_k = float(np.sqrt(np.mean((free.at(t_s) - temp_c) ** 2)))
        end_k = free.end_c - ambient_c
        if before is None:
            self._model.learned[self._kind] = Learned(
                free.fast_s, free.slow_s, share, end_k, rms_k=rms_k, wait_s=waited_s
            )
            return
        weight = max(_WEIGHT, 1 / (before.waits + 1))
        before.fast_s *= (free.fast_s / before.fast_s) ** weight
        before.slow_s *= (free.slow_s / before.slow_s) ** weight
        before.fast_share += weight * (share - before.fast_share)
        before.end_spread_k += weight * (abs(end_k - before.end_k) + 0.5 - before.end_spread_k)
        before.end_k += weight * (end_k - before.end_k)
        before.rms_k += weight * (rms_k - before.rms_k)
        before.waits += 1
        self._learn_length(before, waited_s, weight)

    def _learn_length(self, learned: Learned, waited_s: float, weight: float) -> None:
        if waited_s <= 0:
            return
        if learned.wait_s > 0:
            error = abs(math.log(waited_s / learned.wait_s))
            learned.wait_error = max(_LEAST_ERROR, learned.wait_error + weight * (error - learned.wait_error))
            learned.wait_s *= (waited_s / learned.wait_s) ** weight
        if self._first_s is not None and self._first_s > 0:
            error = abs(math.log(waited_s / self._first_s))
            learned.curve_error = max(
                _LEAST_ERROR, learned.curve_error + weight * (error - learned.curve_error)
            )

    def _compare(self, before: Learned, t_s: Array, temp_c: Array, ambient_c: float) -> str | None:
        """What is unlike the waits before, in words; only once three of them were learned."""
        if before.waits < 3:
            return None
        curve = fit_with(before, t_s, temp_c, ambient_c)
        off_k = curve.end_c - ambient_c - before.end_k
        rms_k = float(np.sqrt(np.mean((curve.at(t_s) - temp_c) ** 2)))
        if abs(off_k) > max(CHANGED_K, 3 * before.end_spread_k):
            above = "above ambient " if self._ambient_c is not None else ""
            causes = "the fan, the cooler's contact or the case" if above else "the fan, the room or the case"
            return f"{self._kind}: settles {signed(off_k, 1)} K {above}from before; look at {causes}"
        if rms_k > max(1.5, 4 * before.rms_k):
            return f"{self._kind}: off the learned course by {rms_k:.1f} K; look at the fan and the airflow"
        return None


def fit_freely(t_s: Array, temp_c: Array, ambient_c: float | None) -> Curve:
    """Fit time constants, amplitudes and end value; a weak prior holds the end where the data are silent."""
    end_guess_c = float(temp_c[-1]) if ambient_c is None else max(ambient_c, min(temp_c[-1], temp_c.min()))
    if temp_c[-1] > temp_c[0]:
        end_guess_c = float(temp_c.max())
    span_k = max(float(np.ptp(temp_c)), 2.0)
    prior_mean = np.array([end_guess_c, 0.0, 0.0])
    prior_weight = np.array([1 / span_k**2, 1 / (4 * span_k) ** 2, 1 / (4 * span_k) ** 2])
    fast_s, slow_s = _pairs(_FAST_S, _SLOW_S)
    solutions, costs = _solve(t_s, temp_c, fast_s, slow_s, prior_mean, prior_weight)
    best = int(np.argmin(costs))
    for _ in range(2):
        fast_s, slow_s = _pairs(fast_s[best] * _FINER, slow_s[best] * _FINER)
        solutions, costs = _solve(t_s, temp_c, fast_s, slow_s, prior_mean, prior_weight)
        best = int(np.argmin(costs))
    return _curve(solutions[best], fast_s[best], slow_s[best])


def _pairs(fast_s: Array, slow_s: Array) -> tuple[Array, Array]:
    """All pairs whose time constants are apart enough to be told from each other."""
    fast, slow = (grid.ravel() for grid in np.meshgrid(fast_s, slow_s, indexing="ij"))
    apart = slow > 2.5 * fast
    return fast[apart], slow[apart]


def fit_with(learned: Learned, t_s: Array, temp_c: Array, ambient_c: float) -> Curve:
    """Fit amplitudes and end value, starting from what was learned (normal prior, least squares)."""
    end_c = ambient_c + learned.end_k
    change_k = float(temp_c[0]) - end_c
    loose_k = 0.15 * abs(change_k) + 1.0
    prior_mean = np.array([end_c, learned.fast_share * change_k, (1 - learned.fast_share) * change_k])
    prior_weight = np.array([1 / (learned.end_spread_k + 0.5) ** 2, 1 / loose_k**2, 1 / loose_k**2])
    scale = np.array([0.85, 1.0, 1.18])
    fast_s = np.full(3, learned.fast_s)
    slow_s = learned.slow_s * scale
    solutions, costs = _solve(t_s, temp_c, fast_s, slow_s, prior_mean, prior_weight)
    costs = costs + (np.log(scale) / 0.2) ** 2
    best = int(np.argmin(costs))
    return _curve(solutions[best], fast_s[best], slow_s[best])


def _curve(solution: Array, fast_s: float, slow_s: float) -> Curve:
    end_c, fast_k, slow_k = (float(value) for value in solution)
    return Curve(end_c, fast_k, slow_k, float(fast_s), float(slow_s))


def _solve(
    t_s: Array, temp_c: Array, fast_s: Array, slow_s: Array, prior_mean: Array, prior_weight: Array
) -> tuple[Array, Array]:
    """Penalised least squares for (end, fast, slow) at every pair of time constants, all at once.

    Returns:
        Solutions, shape (pairs, 3), and costs, shape (pairs,).
    """
    design = np.empty((fast_s.size, t_s.size, 3))
    design[:, :, 0] = 1.0
    design[:, :, 1] = np.exp(-t_s / fast_s[:, None])
    design[:, :, 2] = np.exp(-t_s / slow_s[:, None])
    precision = 1 / _READING_K**2
    left = precision * np.einsum("pni,pnj->pij", design, design) + np.diag(prior_weight)
    right = precision * np.einsum("pni,n->pi", design, temp_c) + prior_weight * prior_mean
    solutions: Array = np.linalg.solve(left, right[..., None])[..., 0]
    residuals = np.einsum("pni,pi->pn", design, solutions) - temp_c
    costs: Array = precision * (residuals**2).sum(axis=1) + (
        prior_weight * (solutions - prior_mean) ** 2
    ).sum(axis=1)
    return solutions, costs


def time_until(
    curve: Curve,
    start_s: float,
    now_s: float,
    seen: tuple[Array, Array],
    longest_s: float,
    whole_degrees: bool,
    is_met: Callable[[Array, Array, float], bool],
) -> float:
    """Seconds until a gate will open, by letting its own test look at the readings that the curve foretells.

    Args:
        curve: Course of the wait.
        start_s: Time at which the wait began; the curve's t = 0.
        now_s: Time now.
        seen: Times and values of the readings so far.
        longest_s: How far to look ahead.
        whole_degrees: The sensor gives whole degrees.
        is_met: The gate's test: times, values and the time of the look -> open.

    Returns:
        The median over where the curve may lie between two whole degrees; ``longest_s`` where the gate does
        not open within it.
    """
    ahead_s = now_s + np.arange(1.0, max(longest_s, 1.0) + 1.0)
    t_s = np.concatenate([seen[0], ahead_s])
    exact = curve.at(ahead_s - start_s)
    opens_s = []
    for offset_k in _OFFSETS_K if whole_degrees else (0.0,):
        foretold = np.round(exact + offset_k) if whole_degrees else exact
        values = np.concatenate([seen[1], foretold])
        opens_s.append(_first_met(t_s, values, ahead_s, is_met))
    return min(float(np.median(opens_s)) - now_s, longest_s)


def _first_met(
    t_s: Array, values: Array, ahead_s: Array, is_met: Callable[[Array, Array, float], bool]
) -> float:
    """Time at which the test is first met (it is taken to stay met); infinite where it is not."""
    if not is_met(t_s, values, float(ahead_s[-1])):
        return float("inf")
    low, high = -1, ahead_s.size - 1  # not met at low, met at high
    while high - low > 1:
        middle = (low + high) // 2
        if is_met(t_s, values, float(ahead_s[middle])):
            high = middle
        else:
            low = middle
    return float(ahead_s[high])
