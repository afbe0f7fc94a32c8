"""Rhythms that only locked loads show: of sources whose values average over many looks. Pure.

A source that seemed to see all of the time, and yet is off where the load meets the rhythm by which another
source of the same card looks, looks in that rhythm too. How much of the time it sees then follows from how
far it is off.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from harness.power_sensor.course import Array
from harness.power_sensor.model import PowerSensorModel, Rung, SourceModel
from harness.power_sensor.rhythm import RhythmError, rhythm_error

#: Expected error of a rung, as a share of the swing, from which on it counts as on the rhythm; and up to
#: which it counts as off it.
_ON, _OFF = 0.03, 0.005
_FEWEST: Final = 3
#: Errors on the rhythm must be so many times those off it, and so large, to be taken for its work.
_TIMES, _LEAST = 2.5, 0.012
#: Errors on the rhythm that are less than this share of those expected show that a source sees all.
_SEES_ALL: Final = 0.35
#: A source is looked into again where its errors are so many times those expected; and no look is taken to be
#: shorter than this share of its rhythm.
_MORE, _SHARPEST = 1.15, 0.03
_SHARES: Final = (0.99, 0.97, 0.95, 0.92, 0.88, 0.84, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3, 0.2)


def with_rhythms(model: PowerSensorModel) -> PowerSensorModel:
    """The model, its sources that seemed to see all held against the ladder."""
    known = [one for one in model.sources if one.rhythm_s is not None]
    return model.model_copy(
        update={
            "sources": tuple(
                _held(model, one, known) if one.rhythm_s is None else _sharpened(model, one)
                for one in model.sources
            )
        }
    )


def _held(model: PowerSensorModel, source: SourceModel, known: Sequence[SourceModel]) -> SourceModel:
    """The source with the fastest rhythm of another that its errors show; where the ladder does not
    tell, a counter is assumed to add up those looks."""
    first: SourceModel | None = None
    for other in sorted(known, key=lambda one: one.rhythm_s or 0.0):
        if other.rhythm_s is None or other.rhythm_s > source.span_s:
            continue
        alike = source.model_copy(
            update={
                "rhythm_s": other.rhythm_s,
                "rhythm_u": other.rhythm_u,
                "look_s": min(other.look_s, 0.2 * other.rhythm_s),
                "lag_s": other.lag_s,
                "weights": (),
            }
        )
        first = first or alike
        rungs = [rung for rung in model.rungs if source.name in rung.error]
        expected = np.asarray([_expected(model, alike, rung).swing_bound for rung in rungs])
        errors = np.asarray([rung.error[source.name] for rung in rungs])
        on, off = expected > _ON, expected < _OFF
        if on.sum() < _FEWEST or off.sum() < _FEWEST:
            continue
        there, elsewhere = _rms(errors[on]), float(1.4826 * np.median(np.abs(errors[off])))
        if there > max(_TIMES * elsewhere, _LEAST):
            return _seeing_as_much(model, alike, _those(rungs, on), there)
        expected_rms = _rms(np.asarray([_scatter(_expected(model, alike, r)) for r in _those(rungs, on)]))
        if there < _SEES_ALL * expected_rms:
            return source
    if source.kind == "counter" and first is not None:
        return first.model_copy(update={"assumed": True})
    return source


def _those(rungs: Sequence[Rung], on: NDArray[np.bool_]) -> list[Rung]:
    return [rung for rung, is_on in zip(rungs, on, strict=True) if is_on]


def _sharpened(model: PowerSensorModel, source: SourceModel) -> SourceModel:
    """The source with shorter looks, where it is off by more than its own let be: a value that appears now
    earlier, now later, makes them seem longer."""
    assert source.rhythm_s is not None
    sharpest = source.model_copy(update={"look_s": min(source.look_s, _SHARPEST * source.rhythm_s)})
    rungs = [rung for rung in model.rungs if source.name in rung.error]
    on = [rung for rung in rungs if _expected(model, sharpest, rung).swing_bound > _ON]
    if len(on) < _FEWEST:
        return source
    there = _rms(np.asarray([rung.error[source.name] for rung in on]))
    expected = _rms(np.asarray([_scatter(_expected(model, source, rung)) for rung in on]))
    if there <= _MORE * expected:
        return source
    shorter = [share * source.look_s for share in _SHARES if share * source.look_s >= sharpest.look_s]
    for look_s in shorter:
        tried = source.model_copy(update={"look_s": look_s})
        if _rms(np.asarray([_scatter(_expected(model, tried, rung)) for rung in on])) >= there:
            return tried
    return sharpest


def _seeing_as_much(
    model: PowerSensorModel, alike: SourceModel, rungs: Sequence[Rung], there: float
) -> SourceModel:
    """The same with looks as long as the errors let them be."""
    assert alike.rhythm_s is not None
    for share in _SHARES:
        tried = alike.model_copy(update={"look_s": share * alike.rhythm_s})
        if _rms(np.asarray([_scatter(_expected(model, tried, rung)) for rung in rungs])) >= there:
            return tried
    return alike


def _expected(model: PowerSensorModel, source: SourceModel, rung: Rung) -> RhythmError:
    only = model.model_copy(update={"sources": (source,)})
    duty = min(1.0, max(0.01, rung.duty))
    return rhythm_error(only, rate_hz=rung.rate_hz, duty=duty, window_s=rung.seconds)[source.name]


def _scatter(error: RhythmError) -> float:
    """Root mean square over all phases, as a share of the swing."""
    if error.relative_bound <= 0:
        return 0.0
    return error.relative_u / error.relative_bound * error.swing_bound


def _rms(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2)))
