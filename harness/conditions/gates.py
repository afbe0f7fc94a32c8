"""Gates: when a cooldown, warm-up or soak is over. Pure: readings in, a verdict out; no clock, no file.

The engine polls a gate about once a second with the latest readings and the time since it began to wait.
A rule on a temperature that the rig does not have is replaced by a wait of fixed length, and the verdict
says so. One that the rig has but does not deliver now (lost, frozen, hanging, absurd) is waited for: the
gate stays shut and says why. At the timeout it stays shut (``timed_out``); what happens then is the plan's
``then``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal, Protocol

import numpy as np

from harness.conditions.steady import (
    Array,
    History,
    has_stopped_falling,
    is_level,
    resolution_of,
    varies_little,
)
from harness.conditions.thermal import Watch, time_until
from harness.plan.schema import Cooldown, Soak, WarmUp

EndedBy = Literal["reached", "stopped-falling", "time", "timeout", "none"]

#: Wait in place of a temperature rule on a rig without that temperature, s.
BLIND_WAIT_S = 60.0
#: What "steady" means for a warm-up: temperature slope, clock variation, and the window for both.
STEADY_C_PER_MIN = 1.0
STEADY_CLOCK_PCT = 2.0
STEADY_WINDOW_S = 30.0
_STOPPED_WINDOW_S = 20.0
_RECENT_S = 5.0
_KEEP_S = 400.0
_LOOK_EVERY_S = 10.0
_APART_S = 0.9
#: A soak whose time is over still waits for the start of a pass, at most this multiple of its timeout.
_PASS_GRACE = 1.5


@dataclass(frozen=True)
class GateReadings:
    """The latest readings; None for what the rig does not have or does not deliver just now.

    Attributes:
        temp_missing: Why the temperature that the rig has is not read now; None where it is, or is not had.
        ambient_missing: The same of the ambient temperature.
        clock_missing: The same of the clock.
    """

    temp_c: float | None = None
    ambient_temp_c: float | None = None
    clock_mhz: float | None = None
    passes: int | None = None
    temp_missing: str | None = None
    ambient_missing: str | None = None
    clock_missing: str | None = None


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


def cooldown_gate(rule: Cooldown, first_start_c: float | None = None, watch: Watch | None = None) -> Gate:
    """Gate of a cooldown.

    Args:
        rule: The plan's rule.
        first_start_c: Temperature at the campaign's first start; None at that first start itself.
        watch: The thermal model's watch on this wait; foretells its end. None: no forecast.
    """
    return _CooldownGate(rule, first_start_c, watch)


def warm_up_gate(rule: WarmUp) -> Gate:
    """Gate of a warm-up: seconds, passes and steadiness, whichever of them the rule states, all together."""
    return _WarmUpGate(rule)


def soak_gate(rule: Soak, watch: Watch | None = None) -> Gate:
    """Gate of a soak; open at once where the rule has no limit. ``watch`` as for a cooldown."""
    return _SoakGate(rule, watch)


def _opened(ended_by: EndedBy, detail: str) -> GateState:
    return GateState(True, ended_by, False, 0.0, detail)


def _waiting(remaining_s: float | None, detail: str) -> GateState:
    return GateState(False, None, False, None if remaining_s is None else max(0.0, remaining_s), detail)


def _timed_out(detail: str) -> GateState:
    return GateState(False, "timeout", True, 0.0, detail)


class _Base:
    """Time since the first update, and the history of what was read."""

    def __init__(self, watch: Watch | None = None) -> None:
        self._start_s: float | None = None
        self._temp = History(_KEEP_S, _APART_S)
        self._clock = History(_KEEP_S, _APART_S)
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


class _CooldownGate(_Base):
    def __init__(self, rule: Cooldown, first_start_c: float | None, watch: Watch | None) -> None:
        super().__init__(watch)
        self._rule = rule
        self._first_start_c = first_start_c
        self._has_rule = (
            rule.until_at_most_c is not None
            or rule.until_above_ambient_k is not None
            or rule.until_within_of_first_k is not None
            or rule.or_stopped_falling
        )
        self._ambient = History(_KEEP_S)

    def update(self, now_s: float, readings: GateReadings) -> GateState:
        rule = self._rule
        waited_s = self._take(now_s, readings)
        self._ambient.add(now_s, readings.ambient_temp_c)
        if not self._has_rule:
            if waited_s >= rule.seconds:
                return _opened("time" if rule.seconds > 0 else "none", f"waited {rule.seconds:g} s")
            return _waiting(rule.seconds - waited_s, f"waiting {rule.seconds:g} s")
        if not len(self._temp) and readings.temp_missing is None:
            blind_s = max(rule.seconds, min(BLIND_WAIT_S, rule.timeout_s))
            if waited_s >= blind_s:
                return _opened("time", f"no temperature on this rig: waited {blind_s:g} s")
            return _waiting(blind_s - waited_s, f"no temperature on this rig: waiting {blind_s:g} s")
        temp_c = self._temp.latest(now_s, _RECENT_S)
        if readings.temp_missing is not None:
            temp_c = None
        target_c, falling_decides, wish = self._target(now_s, readings.ambient_missing)
        shown = f"{temp_c:.0f} °C" if temp_c is not None else readings.temp_missing or "no reading"

        def is_met(t_s: Array, values: Array, at_s: float) -> bool:
            if target_c is not None:
                recent = values[np.searchsorted(t_s, at_s - _RECENT_S) : np.searchsorted(t_s, at_s, "right")]
                if recent.size and float(np.median(recent)) <= target_c:
                    return True
            return falling_decides and has_stopped_falling(
                t_s, values, at_s, rule.stopped_falling_c_per_min, _STOPPED_WINDOW_S
            )

        if waited_s >= rule.seconds and temp_c is not None:
            if target_c is not None and temp_c <= target_c:
                return self._ended(_opened("reached", f"{shown}, {wish}"), waited_s)
            if self._news and is_met(*self._temp.arrays(), now_s):
                return self._ended(_opened("stopped-falling", f"{shown}, has stopped falling"), waited_s)
        left_s = rule.timeout_s - waited_s
        if left_s <= 0:
            return self._ended(_timed_out(f"{'' if temp_c is None else 'still '}{shown}, {wish}"), waited_s)
        expected_s = self._expected_s(now_s, left_s, is_met)
        if expected_s is not None:
            expected_s = max(expected_s, rule.seconds - waited_s)
        return _waiting(expected_s, f"{shown}, waiting for {wish}")

    def _target(self, now_s: float, ambient_missing: str | None) -> tuple[float | None, bool, str]:
        """Highest temperature that will do, whether an end of the fall will do too, and both in words."""
        rule = self._rule
        falling = rule.or_stopped_falling
        tail = " or an end of the fall" if falling else ""
        if rule.until_at_most_c is not None:
            return rule.until_at_most_c, falling, f"at most {rule.until_at_most_c:g} °C{tail}"
        if rule.until_above_ambient_k is not None:
            ambient_c = self._ambient.latest(now_s, 60.0)
            if ambient_c is None and ambient_missing is not None:
                return None, falling, f"the ambient temperature ({ambient_missing}){tail}"
            if ambient_c is None:
                return None, True, "an end of the fall (no ambient temperature on this rig)"
            target_c = ambient_c + rule.until_above_ambient_k
            return target_c, falling, f"at most {target_c:.1f} °C (ambient {ambient_c:.1f} °C){tail}"
        if rule.until_within_of_first_k is not None:
            if self._first_start_c is None:
                return None, True, "an end of the fall (first start of the campaign)"
            target_c = self._first_start_c + rule.until_within_of_first_k
            return (
                target_c,
                falling,
                f"at most {target_c:g} °C (first start {self._first_start_c:g} °C){tail}",
            )
        return None, True, "an end of the fall"


class _SteadyTest:
    """Temperature slope and clock variation, on what the rig has of the two."""

    def __init__(self, slope_c_per_min: float | None, clock_pct: float | None, window_s: float) -> None:
        self._slope_c_per_min = slope_c_per_min
        self._clock_pct = clock_pct
        self._window_s = window_s

    def temp_is_level(self, t_s: Array, values: Array, at_s: float) -> bool:
        """The temperature's own part of the test; true where there is no limit on it."""
        slope = self._slope_c_per_min
        return slope is None or is_level(t_s, values, at_s, slope, self._window_s)

    def blind(self, temp: History, clock: History, readings: GateReadings) -> bool:
        """The rig has nothing that this test looks at."""
        no_temp = not len(temp) and readings.temp_missing is None
        no_clock = not len(clock) and readings.clock_missing is None
        return (self._slope_c_per_min is None or no_temp) and (self._clock_pct is None or no_clock)

    def pending(self, now_s: float, temp: History, clock: History, readings: GateReadings) -> list[str]:
        """What is not steady yet, in words; a quantity that the rig does not have is left out."""
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


class _WarmUpGate(_Base):
    def __init__(self, rule: WarmUp) -> None:
        super().__init__()
        self._rule = rule
        self._steady = _SteadyTest(STEADY_C_PER_MIN, STEADY_CLOCK_PCT, STEADY_WINDOW_S)
        self._unsteady: list[str] = []

    def update(self, now_s: float, readings: GateReadings) -> GateState:
        rule = self._rule
        waited_s = self._take(now_s, readings)
        if rule.passes is None and not rule.until_steady:
            if waited_s >= rule.seconds:
                return _opened("time" if rule.seconds > 0 else "none", f"warmed up {rule.seconds:g} s")
            return _waiting(rule.seconds - waited_s, f"warming up {rule.seconds:g} s")
        least_s, ended_by, pending = rule.seconds, "reached", []
        if rule.passes is not None and (readings.passes is None or readings.passes < rule.passes):
            done = "it reports none" if readings.passes is None else f"{readings.passes} done"
            pending.append(f"{rule.passes} passes of the title ({done})")
        if rule.until_steady:
            if self._steady.blind(self._temp, self._clock, readings):
                least_s = max(least_s, min(BLIND_WAIT_S, rule.timeout_s))
                ended_by = "time" if rule.passes is None else ended_by
            else:
                if self._news or readings.temp_missing or readings.clock_missing:
                    self._unsteady = self._steady.pending(now_s, self._temp, self._clock, readings)
                pending += self._unsteady
        if waited_s < least_s:
            pending.append(f"{least_s:g} s")
        if not pending:
            return _opened("time" if ended_by == "time" else "reached", f"warmed up {waited_s:.0f} s")
        wish = " and ".join(pending)
        if waited_s >= rule.timeout_s:
            return _timed_out(f"warm-up lacks {wish}")
        only_time = len(pending) == 1 and waited_s < least_s
        return _waiting(least_s - waited_s if only_time else None, f"warming up: waiting for {wish}")


class _SoakGate(_Base):
    """A soak's length varies; a title that counts its passes is therefore measured from a pass's start.

    Otherwise each attempt would measure another part of the title's scenes, which can change the average
    far more than the heat that the soak takes out.
    """

    def __init__(self, rule: Soak, watch: Watch | None) -> None:
        super().__init__(watch)
        self._rule = rule
        self._steady = _SteadyTest(
            rule.slope_at_most_c_per_min, rule.clock_variation_at_most_pct, rule.window_s
        )
        self._unsteady: list[str] = []
        self._steady_s: float | None = None
        self._passes: int | None = None

    def _at_pass_start(self, passes: int | None) -> bool:
        """A pass has begun since the last look; true for a title that counts none."""
        begun = passes is None or (self._passes is not None and passes > self._passes)
        self._passes = passes
        return begun

    def update(self, now_s: float, readings: GateReadings) -> GateState:
        rule = self._rule
        waited_s = self._take(now_s, readings)
        pass_begins = self._at_pass_start(readings.passes)
        if rule.slope_at_most_c_per_min is None and rule.clock_variation_at_most_pct is None:
            return _opened("none", "no soak rule")
        if self._steady.blind(self._temp, self._clock, readings):
            blind_s = max(rule.window_s, min(BLIND_WAIT_S, rule.timeout_s))
            if waited_s >= blind_s:
                return _opened("time", f"neither temperature nor clock on this rig: soaked {blind_s:g} s")
            return _waiting(blind_s - waited_s, f"neither temperature nor clock: soaking {blind_s:g} s")
        if self._watch is not None and pass_begins and readings.passes is not None:
            self._watch.pass_began(waited_s)
        if self._news or readings.temp_missing or readings.clock_missing:
            self._unsteady = self._steady.pending(now_s, self._temp, self._clock, readings)
        pending = self._unsteady
        if pending:
            self._steady_s = None
        elif self._steady_s is None:
            self._steady_s = waited_s
        if self._steady_s is not None and pass_begins:
            return self._ended(_opened("reached", f"steady after {waited_s:.0f} s"), self._steady_s)
        if not pending:
            pending = ["the start of the title's next pass"]
        wish = " and ".join(pending)
        left_s = rule.timeout_s - waited_s
        if left_s <= 0 and (pass_begins or waited_s >= _PASS_GRACE * rule.timeout_s):
            return self._ended(_timed_out(f"not steady: {wish}"), waited_s)
        expected_s = None
        if rule.slope_at_most_c_per_min is not None and len(self._temp):
            expected_s = self._expected_s(now_s, max(left_s, 1.0), self._steady.temp_is_level)
        if expected_s is None and waited_s < rule.window_s:
            expected_s = rule.window_s - waited_s
        if self._steady_s is not None:
            expected_s = 0.0
        if expected_s is not None and self._watch is not None and readings.passes is not None:
            expected_s = self._watch.next_pass_s(waited_s + expected_s) - waited_s
        return _waiting(expected_s, f"soaking: waiting for {wish}")
