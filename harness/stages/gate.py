"""Gates: when a stage is over. Pure: readings in, a verdict out; no clock, no file.

The engine polls a gate about once a second with the latest readings and the time since it began to wait.
A rule on a quantity that the rig does not have is replaced by a wait of fixed length, and the verdict says
so. One that the rig has but does not deliver now (lost, frozen, hanging, absurd) is waited for: the gate
stays shut and says why. At the timeout it stays shut (``timed_out``); what happens then is the plan's
``then``.

NumPy is imported when a gate is made, not before: a plan is read without it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal, Protocol

if TYPE_CHECKING:
    from harness.conditions.steady import Array, Readings
    from harness.conditions.thermal import WaitCurve

EndedBy = Literal["reached", "stopped-falling", "time", "timeout", "none"]

#: Wait in place of a rule on what the rig does not have, s.
BLIND_WAIT_S = 60.0
_KEEP_S = 400.0
_LOOK_EVERY_S = 10.0
_APART_S = 0.9


@dataclass(frozen=True)
class GateReadings:
    """The latest readings; None for what the rig does not have or does not deliver just now.

    Attributes:
        temp_missing: Why the temperature that the rig has is not read now; None where it is, or is not had.
        ambient_missing: The same of the ambient temperature.
        clock_missing: The same of the clock.
        values: What :meth:`~harness.stages.stage.Stage.looks_at` names, by quantity; what is not read is
            left out.
        missing: Why a quantity of these that the rig has is not read now.
    """

    temp_c: float | None = None
    ambient_temp_c: float | None = None
    clock_mhz: float | None = None
    passes: int | None = None
    temp_missing: str | None = None
    ambient_missing: str | None = None
    clock_missing: str | None = None
    values: Mapping[str, float] = field(default_factory=dict)
    missing: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class GateState:
    """A gate's verdict.

    Attributes:
        open: Go on. Never true together with ``timed_out``.
        ended_by: What ended the wait; None while it lasts.
        timed_out: The rule's timeout is over and the condition is not met.
        expected_remaining_s: How long it will probably take still; None where that can't be told.
        detail: What is being waited for, or what ended it, in words.
        warnings: At the end of a wait: what did not go as in the waits before, in words.
    """

    open: bool
    ended_by: EndedBy | None
    timed_out: bool
    expected_remaining_s: float | None
    detail: str
    warnings: tuple[str, ...] = ()


class Gate(Protocol):
    """One wait."""

    def update(self, now_s: float, readings: GateReadings) -> GateState:
        """Take the latest readings at ``now_s`` (any origin, never backwards; the first call starts it)."""


@dataclass(frozen=True)
class Wait:
    """What a gate may know of its wait.

    Attributes:
        first_start_c: Temperature at the campaign's first start; None at that first start itself.
        watch: The thermal model's watch on this wait; foretells its end. None: no forecast.
    """

    first_start_c: float | None = None
    watch: WaitCurve | None = None


def opened(ended_by: EndedBy, detail: str) -> GateState:
    """The verdict that the condition is met."""
    return GateState(True, ended_by, False, 0.0, detail)


def waiting(remaining_s: float | None, detail: str) -> GateState:
    """The verdict that the wait goes on, for ``remaining_s`` where that is known."""
    return GateState(False, None, False, None if remaining_s is None else max(0.0, remaining_s), detail)


def timed_out(detail: str) -> GateState:
    """The verdict that the condition was not met in time."""
    return GateState(False, "timeout", True, 0.0, detail)


class WatchedGate:
    """Base of gates on temperature and clock: time since the first update, and what was read since."""

    def __init__(self, watch: WaitCurve | None = None) -> None:
        from harness.conditions.steady import Readings

        self._start_s: float | None = None
        self._temp = Readings(_KEEP_S, _APART_S)
        self._clock = Readings(_KEEP_S, _APART_S)
        self._news = False
        self._watch = watch
        self._opens_s: float | None = None
        self._looked_s = -math.inf

    def _take(self, now_s: float, readings: GateReadings) -> float:
        """Keep the readings; returns the seconds waited so far."""
        if self._start_s is None:
            self._start_s = now_s
        kept = self._temp.add(now_s, readings.temp_c), self._clock.add(now_s, readings.clock_mhz)
        self._news = any(kept)
        if self._watch is not None:
            self._watch.add(now_s - self._start_s, readings.temp_c, readings.ambient_temp_c)
        return now_s - self._start_s

    def _expected_s(
        self, now_s: float, left_s: float, is_met: Callable[[Array, Array, float], bool]
    ) -> float | None:
        """Forecast of the time that is left, renewed every few seconds; None without a model."""
        from harness.conditions.steady import resolution_of
        from harness.conditions.thermal import time_until

        if self._watch is None or self._start_s is None:
            return None
        if now_s >= self._looked_s + _LOOK_EVERY_S:
            self._looked_s = now_s
            curve = self._watch.curve()
            if curve is None:
                return None
            seen = self._temp.arrays()
            whole = resolution_of(seen[1]) == 1.0
            ahead_s = time_until(curve, self._start_s, now_s, seen, left_s, whole, is_met)
            self._opens_s = now_s + min(self._watch.blend(now_s - self._start_s, ahead_s), left_s)
        return None if self._opens_s is None else max(1.0, self._opens_s - now_s)

    def _ended(self, state: GateState, waited_s: float) -> GateState:
        """The verdict that ends the wait, with the model's warnings."""
        return state if self._watch is None else replace(state, warnings=self._watch.finish(waited_s))


class SteadyTest:
    """Temperature slope and clock variation, on what the rig has of the two.

    Args:
        slope_c_per_min: Limit on the temperature's slope; None for none.
        clock_pct: Limit on the clock's coefficient of variation, %; None for none.
        window_s: Shortest window that both are told over, s.
    """

    def __init__(self, slope_c_per_min: float | None, clock_pct: float | None, window_s: float) -> None:
        self._slope_c_per_min = slope_c_per_min
        self._clock_pct = clock_pct
        self._window_s = window_s

    def temp_is_level(self, t_s: Array, values: Array, at_s: float) -> bool:
        """The temperature's own part of the test; true where there is no limit on it."""
        from harness.conditions.steady import is_level

        slope = self._slope_c_per_min
        return slope is None or is_level(t_s, values, at_s, slope, self._window_s)

    def blind(self, temp: Readings, clock: Readings, readings: GateReadings) -> bool:
        """The rig has nothing that this test looks at."""
        no_temp = not len(temp) and readings.temp_missing is None
        no_clock = not len(clock) and readings.clock_missing is None
        return (self._slope_c_per_min is None or no_temp) and (self._clock_pct is None or no_clock)

    def pending(self, now_s: float, temp: Readings, clock: Readings, readings: GateReadings) -> list[str]:
        """What is not steady yet, in words; a quantity that the rig does not have is left out."""
        from harness.conditions.steady import varies_little

        open_points = []
        slope, variation = self._slope_c_per_min, self._clock_pct
        if slope is not None:
            if readings.temp_missing is not None:
                open_points.append(f"temperature within {slope:g} °C/min ({readings.temp_missing})")
            elif len(temp) and not self.temp_is_level(*temp.arrays(), now_s):
                open_points.append(f"temperature within {slope:g} °C/min")
        if variation is not None:
            if readings.clock_missing is not None:
                open_points.append(f"clock within {variation:g} % ({readings.clock_missing})")
            elif len(clock) and not varies_little(clock, now_s, variation, self._window_s):
                open_points.append(f"clock within {variation:g} %")
        return open_points
