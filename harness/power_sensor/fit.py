"""Finds out how a source sees the load, from the loads as they were and the values as they appeared. Pure.

A value is a mean of looks (:mod:`harness.power_sensor.readings`), and what a look saw follows from the known
course of the load. So each candidate (how many looks in a refresh, how long a look, how late) predicts all
values up to two levels; the one that leaves the least open is taken (least squares). That there is a rhythm
at all is claimed only where seeing all of the time leaves far more open, by Bayes' information criterion
(Schwarz, Annals of Statistics 6(2):461-464, 1978) with a margin for the many candidates.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.optimize import minimize, nnls

from harness.power_sensor.course import Array, Course
from harness.power_sensor.freerun import FreeRhythm, best_free_rhythm
from harness.power_sensor.model import SourceModel
from harness.power_sensor.published import Published, published
from harness.power_sensor.readings import Recorded

#: Looks closer than this are not told from seeing all, s.
SHORTEST_RHYTHM_S: Final = 0.0045
_MOST_LOOKS: Final = 24
#: Share of a rhythm that one look takes: tried ones.
_SHARES: Final = (0.05, 0.12, 0.25, 0.4, 0.6, 0.8, 1.0)
#: A look that takes more of its rhythm than this sees all.
_ALL_SHARE: Final = 0.93
#: A value may appear so long after what it averages ended, s.
_LATEST_S: Final = 0.25
#: Share of the scatter that no model of ours explains: noise of the sensor, edges of the loads.
_FLOOR: Final = 3e-4
_MARGIN: Final = 40.0
FEWEST_VALUES: Final = 40
#: A fit that leaves more than this of the scatter open tells nothing.
_MOST_OPEN: Final = 0.5
#: Looks in a rhythm that is no whole part of the refresh are looked for where this much is left open.
_FREE_FROM: Final = 0.03
#: Of the table of the load's course.
_STEP_S: Final = 1e-4
_BOXES_S: Final = tuple(np.geomspace(0.001, 2.5, 36))


@dataclass(frozen=True)
class Fitted:
    """A source's model and what it was fitted to.

    Attributes:
        model: The source.
        off_w: Level without load, W.
        on_w: Level under load, W.
        explained: Share of the values' variance that the model explains.
        values: How many values.
    """

    model: SourceModel
    off_w: float
    on_w: float
    explained: float
    values: int


@dataclass(frozen=True)
class _Way:
    """A candidate: looks in a refresh, refreshes in a value, a look's length and lateness."""

    looks: int
    refreshes: int
    look_s: float
    behind_s: float
    open: float = math.inf
    weights: tuple[float, ...] = ()


def fit_source(recorded: Recorded, course: Course) -> Fitted | None:
    """The source's model; None where its values tell too little of the load.

    Args:
        recorded: Its values over a stretch with loads of many lengths.
        course: The loads.
    """
    series = published(recorded)
    if series is None:
        return None
    inside = (series.times_s > course.begin_s[0] + 0.5) & (series.times_s < course.end_s[-1])
    series = series.only(inside)
    if len(series.values_w) < FEWEST_VALUES or float(np.ptp(series.values_w)) == 0:
        return None
    scene = _Scene(series, course)
    whole = scene.best_box()
    ways = [scene.refined(way) for way in scene.best_combs(whole)]
    best = min(ways, key=lambda way: way.open, default=whole)
    all_of_it = min([scene.seeing_all(whole), whole], key=lambda way: way.open)
    best = scene.weighed(best)
    wanted = best.open > _FREE_FROM
    free = best_free_rhythm(series, course, scene.spread_s(all_of_it)) if wanted else None
    if free is not None and _better(free.open, best.open, len(series.values_w)):
        return scene.free_model(recorded, free)
    if best.look_s >= _ALL_SHARE * scene.rhythm_of(best) or not _better(
        best.open, all_of_it.open, len(series.values_w)
    ):
        best = all_of_it
    if best.open > _MOST_OPEN:
        return None
    return scene.model(recorded, best, sees_all=best is all_of_it and not scene.is_one_look(best))


def _better(open_of: float, than: float, count: int) -> bool:
    """Whether a candidate leaves so much less open that chance does not explain it."""
    gain = count * math.log((than + _FLOOR) / (open_of + _FLOOR))
    return gain > 4 * math.log(count) + _MARGIN and open_of + _FLOOR < 0.85 * (than + _FLOOR)


class _Scene:
    """Values and loads, and the tries to bring them together."""

    def __init__(self, series: Published, course: Course) -> None:
        self._series = series
        self._work = course.table(_STEP_S)
        self._clean = _without_drift(series.times_s, series.values_w)
        self._total = float(self._clean @ self._clean)

    def left_open(self, predicted: Array) -> float:
        """Share of the values' variance that a prediction leaves open, up to level and scale."""
        clean = _without_drift(self._series.times_s, predicted)
        size = float(clean @ clean)
        if size <= 1e-12:
            return 1.0
        along = float(clean @ self._clean)
        return 1.0 if along <= 0 else max(0.0, 1.0 - along * along / size / self._total)

    def predicted(self, way: _Way) -> Array:
        """What a way would give: shares under load, one a value."""
        if way.refreshes == 1:
            weights = np.asarray(way.weights or [1 / way.looks] * way.looks)
            return np.asarray(self._seen(way, self._series.times_s) @ weights, np.float64)
        first, last = int(self._series.number[0]) - way.refreshes + 1, int(self._series.number[-1])
        numbers = np.arange(first, last + 1)
        offsets_s = (numbers - self._series.number[0]) * self._series.refresh_s
        each = self._seen(way, self._series.times_s[0] + offsets_s).mean(axis=1)
        total = np.concatenate((np.zeros(1), np.cumsum(each)))
        until = self._series.number - first + 1
        return np.asarray((total[until] - total[until - way.refreshes]) / way.refreshes, np.float64)

    def _seen(self, way: _Way, times_s: Array) -> Array:
        """What each look of one refresh saw: (time, look), newest look first."""
        steps_s = np.arange(way.looks) * (self._series.refresh_s / way.looks)
        return self._work.share(times_s[:, None] - way.behind_s - steps_s[None, :], way.look_s)

    def best_box(self) -> _Way:
        """The one stretch of time before a value that tells most of it."""
        best = _Way(1, 1, self._series.refresh_s, self._series.refresh_s / 2)
        for box_s in _BOXES_S:
            step_s = max(0.0005, box_s / 4)
            for behind_s in np.arange(box_s / 2 - 0.02, box_s / 2 + _LATEST_S, step_s):
                best = self._tried(_Way(1, 1, float(box_s), float(behind_s)), best)
        return self.refined(best)

    def best_combs(self, whole: _Way) -> list[_Way]:
        """The best way of each number of looks in a refresh."""
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
            best = _Way(looks, 1, rhythm_s, 0.0)
            for refreshes, share in itertools.product(sorted(spans), _SHARES):
                look_s = share * rhythm_s
                latest_s = min(_LATEST_S + rhythm_s, rhythm_s + _LATEST_S)
                middle_s = whole.behind_s - (looks * refreshes - 1) * rhythm_s / 2
                first_s, last_s = (
                    (middle_s - rhythm_s, middle_s + rhythm_s) if looks > 1 else (-0.02, latest_s)
                )
                for behind_s in np.arange(first_s, last_s, max(0.0005, look_s / 3)):
                    best = self._tried(_Way(looks, refreshes, look_s, float(behind_s)), best)
            found.append(best)
        found.sort(key=lambda way: way.open)
        return found[:4]

    def seeing_all(self, whole: _Way) -> _Way:
        """The way of a source that misses nothing: its values join without a gap."""
        refresh_s = self._series.refresh_s
        if not self._series.adds_up:
            return whole if whole.look_s >= refresh_s else replace(whole, open=1.0)
        best = _Way(1, 1, refresh_s, 0.0)
        for behind_s in np.arange(refresh_s / 2 - 0.02, refresh_s / 2 + _LATEST_S, 0.002):
            best = self._tried(_Way(1, 1, refresh_s, float(behind_s)), best)
        return best

    def refined(self, way: _Way) -> _Way:
        """The same with length and lateness of a look fitted."""
        limit_s = self.rhythm_of(way) if way.looks > 1 else 4.0

        def missed(at: Array) -> float:
            look_s = float(np.exp(at[0]))
            if not 2e-4 <= look_s <= limit_s:
                return 2.0
            return self.left_open(self.predicted(replace(way, look_s=look_s, behind_s=float(at[1]))))

        start = np.array([math.log(way.look_s), way.behind_s])
        simplex = start + np.array([[0, 0], [0.15, 0], [0, max(0.0005, way.look_s / 6)]])
        done = minimize(
            missed,
            start,
            method="Nelder-Mead",
            options={"initial_simplex": simplex, "xatol": 1e-4, "fatol": 1e-7, "maxfev": 160},
        )
        if done.fun >= way.open:
            return way
        look_s, behind_s = float(np.exp(done.x[0])), float(done.x[1])
        return replace(way, look_s=look_s, behind_s=behind_s, open=float(done.fun))

    def rhythm_of(self, way: _Way) -> float:
        return self._series.refresh_s / way.looks

    def spread_s(self, way: _Way) -> tuple[float, float]:
        """How long a value averages in all, and how far its middle lies before it appears, s."""
        rhythm_s = self.rhythm_of(way)
        count = way.looks * way.refreshes
        span_s = way.look_s if count == 1 else count * rhythm_s
        return span_s, way.behind_s + (count - 1) * rhythm_s / 2

    def is_one_look(self, way: _Way) -> bool:
        """A value is a single look that is shorter than the time between two values."""
        return way.looks * way.refreshes == 1 and way.look_s < _ALL_SHARE * self._series.refresh_s

    def model(self, recorded: Recorded, way: _Way, *, sees_all: bool) -> Fitted:
        """The way as a model."""
        span_s, delay_s = self.spread_s(way)
        weights = () if sees_all else way.weights
        rhythm_s = None if sees_all else self.rhythm_of(way)
        return self._fitted(
            recorded, self.predicted(way), way.open, rhythm_s, way.look_s, span_s, delay_s, weights
        )

    def free_model(self, recorded: Recorded, free: FreeRhythm) -> Fitted:
        """A rhythm of its own as a model."""
        return self._fitted(
            recorded,
            free.predicted,
            free.open,
            free.rhythm_s,
            free.look_s,
            free.span_s,
            free.delay_s,
            (),
            free.rhythm_u,
        )

    def _fitted(
        self,
        recorded: Recorded,
        predicted: Array,
        left_open: float,
        rhythm_s: float | None,
        look_s: float,
        span_s: float,
        delay_s: float,
        weights: tuple[float, ...],
        rhythm_u: float | None = None,
    ) -> Fitted:
        values_w = self._series.values_w
        swing_w, off_w = np.polyfit(predicted, values_w, 1)
        rest_w = values_w - off_w - swing_w * predicted
        return Fitted(
            SourceModel(
                name=recorded.name,
                kind=recorded.kind,
                quantity=recorded.quantity,
                source=recorded.source,
                refresh_s=self._series.refresh_s,
                rhythm_s=rhythm_s,
                rhythm_u=max(2e-4, self._series.refresh_u if rhythm_u is None else rhythm_u),
                look_s=look_s,
                weights=weights,
                span_s=span_s,
                delay_s=delay_s,
                scatter=float(np.std(rest_w) / swing_w),
                explained=1 - left_open,
            ),
            float(off_w),
            float(off_w + swing_w),
            1 - left_open,
            len(values_w),
        )

    def weighed(self, way: _Way) -> _Way:
        """The same with weights of its looks where unlike ones leave far less open."""
        if not (2 <= way.looks <= 12 and way.refreshes == 1):
            return way
        seen = self._seen(way, self._series.times_s)
        columns = [_without_drift(self._series.times_s, seen[:, look]) for look in range(way.looks)]
        found, _ = nnls(np.column_stack(columns), self._clean)
        if found.sum() <= 0:
            return way
        weighed = replace(way, weights=tuple(float(w) for w in found / found.sum()))
        weighed = replace(weighed, open=self.left_open(self.predicted(weighed)))
        count = len(self._clean)
        gain = count * math.log((way.open + _FLOOR) / (weighed.open + _FLOOR))
        return weighed if gain > way.looks * math.log(count) + _MARGIN else way

    def _tried(self, way: _Way, best: _Way) -> _Way:
        left = self.left_open(self.predicted(way))
        return replace(way, open=left) if left < best.open else best


def _without_drift(times_s: Array, values: Array) -> Array:
    """Values less a straight line through them."""
    at = times_s - times_s.mean()
    centred = values - values.mean()
    return np.asarray(centred - at * float(at @ centred) / float(at @ at), np.float64)
