"""Finds out how a source sees the load, from the loads as they were and the values as they appeared. Pure.

A value is a mean of looks (:mod:`harness.power_sensor.readings`), and what a look saw follows from the known
course of the load. So each candidate (how many looks in a refresh, how long a look, how late, how smooth the
power is before it) predicts all values up to two levels; the one that leaves the least open is taken (least
squares). That there is a rhythm at all is claimed only where seeing all of the time leaves far more open, by
Bayes' information criterion (Schwarz, Annals of Statistics 6(2):461-464, 1978) with a margin for the many
candidates, and in each half of the values by itself.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize, nnls

from harness.power_sensor.comb import comb_means
from harness.power_sensor.course import Array, Course
from harness.power_sensor.freerun import FreeRhythm, best_free_rhythm
from harness.power_sensor.model import SourceModel
from harness.power_sensor.published import Published, published
from harness.power_sensor.readings import Recorded

#: Looks closer than this are not told from seeing all, s.
SHORTEST_RHYTHM_S: Final = 0.0045
_MOST_LOOKS: Final = 22
#: Share of a rhythm that one look takes: tried ones.
_SHARES: Final = (0.05, 0.12, 0.25, 0.4, 0.6, 0.8, 1.0)
#: A look that takes more of its rhythm than this sees all.
_ALL_SHARE: Final = 0.93
#: A value that averages over less of a refresh than this is one look.
_ONE_LOOK_SHARE: Final = 0.6
#: A value may appear so long after what it averages ended, s.
_LATEST_S: Final = 0.25
#: Time constants that are tried, s.
_LAGS_S: Final = (0.0, 0.004, 0.009, 0.016, 0.026)
_LONGEST_LAG_S: Final = 0.06
#: Share of the scatter that no model of ours explains: noise of the sensor, edges of the loads.
_FLOOR: Final = 3e-4
_MARGIN: Final = 40.0
FEWEST_VALUES: Final = 40
#: A fit that leaves more than this of the scatter open tells nothing.
_MOST_OPEN: Final = 0.5
#: Looks in a rhythm that is no whole part of the refresh are looked for where this much is left open.
_FREE_FROM: Final = 0.03
#: The rhythm found in one half of the values and that in the other must agree within this share.
_AGREE: Final = 0.01
#: No value tells of loads longer ago, s.
_BEFORE_S: Final = 4.0
#: Of the table of the load's course.
_STEP_S: Final = 2e-4
_BOXES_S: Final = tuple(np.geomspace(0.001, 2.5, 34))


@dataclass(frozen=True)
class Fitted:
    """A source's model and what it was fitted to.

    Attributes:
        model: The source.
        off_w: Level without load, W.
        on_w: Level under load, W.
        values: How many values.
    """

    model: SourceModel
    off_w: float
    on_w: float
    values: int


@dataclass(frozen=True)
class _Way:
    """A candidate.

    Attributes:
        looks: In a refresh.
        refreshes: In a value.
        look_s: Length of a look.
        behind_s: From the middle of the newest look to the value's appearance.
        lag_s: Time constant of what smooths the power before.
        weights: Of the looks in a refresh, newest first; empty: alike.
        open: Share of the values' variance that is left open.
    """

    looks: int
    refreshes: int
    look_s: float
    behind_s: float
    lag_s: float = 0.0
    weights: tuple[float, ...] = ()
    open: float = math.inf


def fit_source(recorded: Recorded, course: Course) -> Fitted | None:
    """The source's model; None where its values tell too little of the load.

    Args:
        recorded: Its values over a stretch with loads of many lengths.
        course: The loads.
    """
    series = published(recorded)
    if series is None:
        return None
    series = series.only((series.times_s > course.begin_s[0] + 0.5) & (series.times_s < course.end_s[-1]))
    if len(series.values_w) < FEWEST_VALUES or float(np.ptp(series.values_w)) == 0:
        return None
    near = course.within(float(series.times_s[0]) - _BEFORE_S, float(series.times_s[-1])) or course
    scene = _Scene(series, near)
    whole = scene.best_box()
    if whole.open > _MOST_OPEN and not series.adds_up:
        return None
    if not series.adds_up and whole.look_s < _ONE_LOOK_SHARE * series.refresh_s:
        return scene.model(recorded, whole, rhythm_s=series.refresh_s)
    everything = scene.seeing_all(whole)
    combs = [scene.weighed(scene.refined(way)) for way in scene.best_combs(everything)]
    best = min(combs, key=lambda way: way.open, default=everything)
    free = scene.free_rhythm(everything) if _FREE_FROM < best.open < _MOST_OPEN else None
    if free is not None and scene.clearly_better(free.open, min(best.open, everything.open)):
        return scene.free_model(recorded, free, everything)
    if scene.claims(best, everything):
        return scene.model(recorded, best, rhythm_s=scene.rhythm_of(best))
    return None if everything.open > _MOST_OPEN else scene.model(recorded, everything, rhythm_s=None)


class _Scene:
    """Values and loads, and the tries to bring them together."""

    def __init__(self, series: Published, course: Course) -> None:
        self._series = series
        # Of a value over many refreshes the mean is known better, of one over few it says more of the load:
        self._clean = _without_drift(series.times_s, series.values_w)
        self._total = float(self._clean @ self._clean)
        half = len(self._clean) // 2
        self._halves = (slice(0, half), slice(half, None))
        self._table = lru_cache(maxsize=64)(course.table(_STEP_S).smoothed)

    # --- what a way would give ----------------------------------------------------------------------------

    def left_open(self, predicted: Array, part: slice = slice(None)) -> float:
        """Share of the values' variance that a prediction leaves open, up to level and scale."""
        values = self._clean[part]
        clean = _without_drift(self._series.times_s[part], predicted[part])
        size, total = float(clean @ clean), float(values @ values)
        if size <= 1e-12 or total <= 0:
            return 1.0
        along = float(clean @ values)
        return 1.0 if along <= 0 else max(0.0, 1.0 - along * along / size / total)

    def predicted(self, way: _Way) -> Array:
        """Shares under load that a way sees, one a value."""
        series, table = self._series, self._table(way.lag_s)
        rhythm_s = self.rhythm_of(way)
        if not way.weights and not self._several(way):
            looks_s = series.times_s[:, None] - way.behind_s - np.arange(way.looks) * rhythm_s
            return np.asarray(table.share(looks_s, way.look_s).mean(axis=1), np.float64)
        weights = np.asarray(way.weights or [1 / way.looks] * way.looks)
        most = int(series.count.max()) * way.refreshes
        found = np.zeros(len(series.times_s))
        for refresh in range(most):
            has = series.count * way.refreshes > refresh
            newest_s = series.times_s[has] - way.behind_s - refresh * series.refresh_s
            looks_s = newest_s[:, None] - np.arange(way.looks) * rhythm_s
            found[has] += table.share(looks_s, way.look_s) @ weights
        return np.asarray(found / (series.count * way.refreshes), np.float64)

    def _several(self, way: _Way) -> bool:
        return way.refreshes > 1 or bool(np.any(self._series.count > 1))

    def each_left_open(self, predicted: Array) -> Array:
        """The same as :meth:`left_open` for many predictions: (values, predictions) -> one share each."""
        at = self._series.times_s - self._series.times_s.mean()
        clean = predicted - predicted.mean(axis=0)
        clean = clean - np.outer(at, at @ clean / float(at @ at))
        size, along = np.einsum("ij,ij->j", clean, clean), self._clean @ clean
        with np.errstate(divide="ignore", invalid="ignore"):
            left = 1.0 - along * along / size / self._total
        return np.asarray(np.where((size <= 1e-12) | (along <= 0), 1.0, np.maximum(left, 0.0)), np.float64)

    # --- candidates ---------------------------------------------------------------------------------------

    def best_box(self) -> _Way:
        """The one stretch of time before a value, and the lag, that tell most of it."""
        refresh_s = self._series.refresh_s
        found = []
        for lag_s, box_s in itertools.product(_LAGS_S, (refresh_s,) if self._series.adds_up else _BOXES_S):
            way = _Way(1, 1, float(box_s), 0.0, lag_s)
            behind_s = np.arange(box_s / 2 - 0.03, box_s / 2 + _LATEST_S, max(0.001, box_s / 4))
            found.append(self._best_of(way, behind_s))
        # A counter's values join without a gap, so what they average over is known:
        return self.refined(min(found, key=_open), fixed_look=self._series.adds_up)

    def _best_of(self, way: _Way, behind_s: Array) -> _Way:
        """The way with the lateness of its looks at its best."""
        means = comb_means(self._table(way.lag_s), self.rhythm_of(way), way.look_s)
        count = way.looks * way.refreshes * self._series.count
        left = self.each_left_open(means(self._series.times_s[:, None] - behind_s, count[:, None]))
        best = int(np.argmin(left))
        return replace(way, behind_s=float(behind_s[best]), open=float(left[best]))

    def seeing_all(self, whole: _Way) -> _Way:
        """The way of a source that misses nothing: its values join without a gap."""
        return whole if whole.look_s >= 0.8 * self._series.refresh_s else replace(whole, open=1.0)

    def best_combs(self, whole: _Way) -> list[_Way]:
        """The best way of each number of looks in a refresh, the four best of all."""
        refresh_s = self._series.refresh_s
        spans = {1}
        if not self._series.adds_up and whole.look_s > 1.3 * refresh_s:
            about = round(whole.look_s / refresh_s)
            spans = {max(1, about - 1), max(1, about), about + 1}
        found: list[_Way] = []
        for looks in range(1, _MOST_LOOKS + 1):
            rhythm_s = refresh_s / looks
            if rhythm_s < SHORTEST_RHYTHM_S:
                break
            ways = []
            for refreshes, share, lag_s in itertools.product(sorted(spans), _SHARES, _around(whole.lag_s)):
                look_s = share * rhythm_s
                middle_s = whole.behind_s - (looks * refreshes - 1) * rhythm_s / 2
                step_s = max(0.001, look_s / 3)
                behind_s = np.arange(middle_s - rhythm_s, middle_s + rhythm_s, step_s)
                ways.append(self._best_of(_Way(looks, refreshes, look_s, 0.0, lag_s), behind_s))
            found.append(min(ways, key=_open))
        found.sort(key=_open)
        return found[:4]

    def refined(self, way: _Way, *, fixed_look: bool = False) -> _Way:
        """The same with length, lateness and lag fitted, the length unless it is fixed."""
        limit_s = self.rhythm_of(way) if way.looks > 1 or self._series.adds_up else 4.0

        def made(at: Array) -> _Way:
            look_s = way.look_s if fixed_look else math.exp(at[0])
            return replace(way, look_s=look_s, behind_s=float(at[1]), lag_s=round(float(at[2]), 4))

        def missed(at: Array) -> float:
            if not (2e-4 <= math.exp(at[0]) <= limit_s * 1.001 and 0 <= at[2] <= _LONGEST_LAG_S):
                return 2.0
            return self.left_open(self.predicted(made(at)))

        start = np.array([math.log(min(way.look_s, limit_s)), way.behind_s, way.lag_s])
        steps = np.diag([-0.15, max(0.0005, way.look_s / 8), 0.002])
        simplex = np.vstack((start, start + steps))
        options: Any = {"initial_simplex": simplex, "xatol": 1e-5, "fatol": 1e-7, "maxfev": 140}
        done = minimize(missed, start, method="Nelder-Mead", options=options)
        return replace(made(done.x), open=float(done.fun)) if done.fun < way.open else way

    def weighed(self, way: _Way) -> _Way:
        """The same with weights of its looks where unlike ones leave far less open."""
        if not (2 <= way.looks <= 12 and way.refreshes == 1) or self._several(way):
            return way
        table = self._table(way.lag_s)
        looks_s = self._series.times_s[:, None] - way.behind_s - np.arange(way.looks) * self.rhythm_of(way)
        seen = table.share(looks_s, way.look_s)
        columns = [_without_drift(self._series.times_s, seen[:, look]) for look in range(way.looks)]
        found, _ = nnls(np.column_stack(columns), self._clean)
        if found.sum() <= 0:
            return way
        weighed = replace(way, weights=tuple(float(w) for w in found / found.sum()))
        weighed = replace(weighed, open=self.left_open(self.predicted(weighed)))
        count = len(self._clean)
        gain = count * math.log((way.open + _FLOOR) / (weighed.open + _FLOOR))
        return weighed if gain > way.looks * math.log(count) + _MARGIN else way

    def free_rhythm(self, everything: _Way) -> FreeRhythm | None:
        """A rhythm that is no whole part of the refresh, where both halves of the values have the same."""
        if bool(np.any(self._series.count > 1)):
            return None
        spread_s = self.spread_s(everything)
        table = self._table(everything.lag_s)
        whole = best_free_rhythm(self._series, table, spread_s)
        if whole is None:
            return None
        for part in self._halves:
            inside = np.zeros(len(self._clean), bool)
            inside[part] = True
            half = best_free_rhythm(self._series.only(inside), table, spread_s)
            if half is None or abs(half.rhythm_s / whole.rhythm_s - 1) > _AGREE:
                return None
        return whole

    # --- what is claimed ----------------------------------------------------------------------------------

    def clearly_better(self, open_of: float, than: float) -> bool:
        """Whether a candidate leaves so much less open that chance does not explain it."""
        count = len(self._clean)
        gain = count * math.log((than + _FLOOR) / (open_of + _FLOOR))
        return gain > 4 * math.log(count) + _MARGIN and open_of + _FLOOR < 0.85 * (than + _FLOOR)

    def claims(self, way: _Way, everything: _Way) -> bool:
        """Whether the way's rhythm is there: clearly better than seeing all, in each half too."""
        if way.look_s >= _ALL_SHARE * self.rhythm_of(way):
            return False
        if not self.clearly_better(way.open, everything.open):
            return False
        mine, other = self.predicted(way), self.predicted(everything)
        return all(self.left_open(mine, part) < 0.93 * self.left_open(other, part) for part in self._halves)

    def rhythm_of(self, way: _Way) -> float:
        return self._series.refresh_s / way.looks

    def spread_s(self, way: _Way) -> tuple[float, float]:
        """How long a value averages in all, and how far its middle lies before it appears, s."""
        rhythm_s, count = self.rhythm_of(way), way.looks * way.refreshes
        span_s = way.look_s if count == 1 else count * rhythm_s
        return span_s, way.behind_s + (count - 1) * rhythm_s / 2

    def model(self, recorded: Recorded, way: _Way, rhythm_s: float | None) -> Fitted:
        """The way as a model."""
        span_s, delay_s = self.spread_s(way)
        return self._fitted(
            recorded,
            self.predicted(way),
            {
                "rhythm_s": rhythm_s,
                "look_s": way.look_s,
                "span_s": span_s,
                "delay_s": delay_s,
                "lag_s": way.lag_s,
                "weights": way.weights,
                "explained": 1 - way.open,
            },
        )

    def free_model(self, recorded: Recorded, free: FreeRhythm, everything: _Way) -> Fitted:
        """A rhythm of its own as a model."""
        return self._fitted(
            recorded,
            free.predicted,
            {
                "rhythm_s": free.rhythm_s,
                "rhythm_u": free.rhythm_u,
                "look_s": free.look_s,
                "span_s": free.span_s,
                "delay_s": free.delay_s,
                "lag_s": everything.lag_s,
                "explained": 1 - free.open,
            },
        )

    def _fitted(self, recorded: Recorded, predicted: Array, found: dict[str, object]) -> Fitted:
        values_w = self._series.values_w
        swing_w, off_w = np.polyfit(predicted, values_w, 1)
        rest_w = values_w - off_w - swing_w * predicted
        known = {
            "name": recorded.name,
            "kind": recorded.kind,
            "quantity": recorded.quantity,
            "source": recorded.source,
            "refresh_s": self._series.refresh_s,
            "rhythm_u": max(2e-4, self._series.refresh_u),
            "scatter": float(np.std(rest_w) / swing_w),
        }
        model = SourceModel.model_validate(known | found)
        return Fitted(model, float(off_w), float(off_w + swing_w), len(values_w))


def _open(way: _Way) -> float:
    return way.open


def _around(lag_s: float) -> tuple[float, ...]:
    """Lags that are tried with combs: that of the best box, and less, as a box hides some of it."""
    return (lag_s,) if lag_s < 0.002 else (round(lag_s, 4), round(0.5 * lag_s, 4))


def _without_drift(times_s: Array, values: Array) -> NDArray[np.float64]:
    """Values less a straight line through them."""
    at = times_s - times_s.mean()
    centred = values - values.mean()
    return np.asarray(centred - at * float(at @ centred) / float(at @ at), np.float64)
