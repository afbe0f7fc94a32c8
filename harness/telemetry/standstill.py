"""Tells a frozen sensor from a steady one: a reading that does not answer to a step of what drives it.

Equal readings prove nothing: a sensor of whole degrees reads the same for an hour on a steady card. A sensor
is called frozen only where something else, its *witness*, took a clear step, stayed there, and the value
did not move by its smallest step before, during or after:

- a temperature of the card, where the card's power took a step of at least 25 % of the most it can draw (or
  was seen to draw) and at least 25 W within 5 s: all levels of the 10 s before it and of the 10 s after it
  (memory: 45 s) lie that far apart. A step of that size makes 7 K or more in the end, several of them in the
  first seconds. Where power is not read, the card's load is the witness: a step of 60 points, 30 s.
- the card's power, where its load took a step of 60 points, 10 s.
- the processor's temperature, where its power (as above) or its load (50 points) took a step, 20 s.
- an energy counter that stands still for 10 s and for 10 times the longest pause it has shown: it must
  grow while the card has power. Whatever the same sensor reads that has stood still since then is as old.

A slow change is no step: a governor that holds a temperature at its limit by giving power back over minutes
is left alone. So are a fan, a clock, a load and the air, which may rightly stand still. What can't be told:
a sensor that freezes while nothing changes is called so at the next step only, and a source without a counter
whose every reading freezes, load and power included, looks like an idle card.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping
from typing import Final, NamedTuple

#: Time between two looks, s.
LOOK_EVERY_S: Final = 1.0
_SMOOTH_S = 2.0
_BEFORE_S = 10.0
_STEP_WITHIN_S = 5.0
_LEAST_SHARE = 0.25
_LEAST_W = 25.0
_COUNTER_STILL_S = 10.0
_COUNTER_PAUSES = 10.0


class _Rule(NamedTuple):
    """A witness, the step that it must take (None: by the most power known), and how long it must last."""

    witness: str
    step: float | None
    hold_s: float


_CARD_TEMP = (_Rule("power_w", None, 10.0), _Rule("power_average_w", None, 10.0))
_RULES: Final[dict[str, tuple[_Rule, ...]]] = {
    "core_temp_c": (*_CARD_TEMP, _Rule("gpu_load_pct", 60.0, 30.0)),
    "hotspot_temp_c": (*_CARD_TEMP, _Rule("gpu_load_pct", 60.0, 30.0)),
    "memory_temp_c": (_Rule("power_w", None, 45.0), _Rule("power_average_w", None, 45.0)),
    "power_w": (_Rule("gpu_load_pct", 60.0, 10.0),),
    "power_average_w": (_Rule("gpu_load_pct", 60.0, 10.0),),
    "cpu_temp_c": (_Rule("cpu_power_w", None, 20.0), _Rule("cpu_load_pct", 50.0, 20.0)),
}
#: Limit that tells the most a witness can draw.
_MOST = {"power_w": "power_limit_w", "power_average_w": "power_limit_w"}
_COUNTERS: Final = ("energy_j", "cpu_energy_j")
_UNITS = {"power_w": "W", "power_average_w": "W", "cpu_power_w": "W"}


class _Witness:
    """Smoothed level of one quantity, once a second."""

    def __init__(self, longest_s: float) -> None:
        self._keep_s = longest_s + _BEFORE_S + _STEP_WITHIN_S + 3 * LOOK_EVERY_S
        self._t_s: deque[float] = deque()
        self._levels: deque[float] = deque()
        self.most = 0.0
        self.span = self._lowest = self._highest = 0.0

    def take(self, now_s: float, value: float | None) -> None:
        """Keep the reading of this look; a reading that is missing ends what was known."""
        t_s, levels = self._t_s, self._levels
        if value is None or (t_s and now_s - t_s[-1] > 3 * LOOK_EVERY_S):
            t_s.clear()
            levels.clear()
            self.span = 0.0
        if value is None:
            return
        level = value
        if levels:
            level = levels[-1] + (value - levels[-1]) * (1 - math.exp((t_s[-1] - now_s) / _SMOOTH_S))
        t_s.append(now_s)
        levels.append(level)
        lost = False  # an end of what the levels span
        while t_s[0] < now_s - self._keep_s:
            t_s.popleft()
            lost = levels.popleft() in (self._lowest, self._highest) or lost
        self.most = max(self.most, level)
        if lost or len(levels) == 1:
            self._lowest, self._highest = min(levels), max(levels)
        else:
            self._lowest, self._highest = min(self._lowest, level), max(self._highest, level)
        self.span = self._highest - self._lowest

    def step(self, now_s: float, least: float, hold_s: float) -> tuple[float, float] | None:
        """Levels before and after a step that has lasted ``hold_s``; None where there was none."""
        after_s = now_s - hold_s
        before_s = after_s - _STEP_WITHIN_S
        if self.span < least or self._t_s[0] > before_s - _BEFORE_S:
            return None
        known = list(zip(self._t_s, self._levels, strict=True))
        before = [level for t_s, level in known if before_s - _BEFORE_S <= t_s <= before_s]
        after = [level for t_s, level in known if t_s >= after_s]
        if not before or not after:
            return None
        if min(after) - max(before) >= least:
            return max(before), min(after)
        return (min(before), max(after)) if min(before) - max(after) >= least else None


class StandstillWatch:
    """Looks once a second for sensors that do not answer. Pure: readings and times in, sentences out.

    Args:
        sensor_of: Quantity -> name of the sensor that delivers it.
    """

    def __init__(self, sensor_of: Mapping[str, str]) -> None:
        self._sensor_of = sensor_of
        self._rules = {
            quantity: [rule for rule in rules if rule.witness in sensor_of]
            for quantity, rules in _RULES.items()
            if quantity in sensor_of
        }
        holds: dict[str, float] = {}
        for rules in self._rules.values():
            for rule in rules:
                holds[rule.witness] = max(holds.get(rule.witness, 0.0), rule.hold_s)
        self._witnesses = {name: _Witness(hold_s) for name, hold_s in holds.items()}
        self._counters = {name: _Pauses() for name in _COUNTERS if name in sensor_of}

    def look(
        self,
        now_s: float,
        latest: Callable[[str], float | None],
        moved_s: Callable[[str], float],
    ) -> dict[str, str]:
        """Quantities that are found frozen now, with a sentence each.

        Args:
            now_s: Time of the look.
            latest: Fresh reading of a quantity; None where there is none.
            moved_s: When its value last changed; -inf where it was never read.
        """
        for name, witness in self._witnesses.items():
            witness.take(now_s, latest(name))
        found: dict[str, str] = {}
        for quantity, rules in self._rules.items():
            still_since_s = moved_s(quantity)
            for rule in rules:
                if not -math.inf < still_since_s <= now_s - rule.hold_s - _STEP_WITHIN_S:
                    continue
                witness = self._witnesses[rule.witness]
                least = rule.step if rule.step is not None else self._least_w(rule.witness, latest)
                step = witness.step(now_s, least, rule.hold_s)
                if step is not None and latest(quantity) is not None:
                    unit = _UNITS.get(rule.witness, "%")
                    found[quantity] = (
                        f"{quantity} has stood still at {latest(quantity):g} for "
                        f"{now_s - still_since_s:.0f} s although {rule.witness} went from {step[0]:.0f} to "
                        f"{step[1]:.0f} {unit}"
                    )
        for name, pauses in self._counters.items():
            if latest(name) is not None and pauses.stands_still(now_s, moved_s(name)):
                found |= self._whole_source(name, now_s, moved_s)
        return found

    def _least_w(self, witness: str, latest: Callable[[str], float | None]) -> float:
        most = max(self._witnesses[witness].most, latest(_MOST.get(witness, "")) or 0.0)
        return max(_LEAST_W, _LEAST_SHARE * most)

    def _whole_source(self, counter: str, now_s: float, moved_s: Callable[[str], float]) -> dict[str, str]:
        """The counter, and the rest of its sensor where nothing there has moved since it stopped."""
        sensor, stopped_s = self._sensor_of[counter], moved_s(counter)
        own = [quantity for quantity, name in self._sensor_of.items() if name == sensor]
        why = f"has stood still for {now_s - stopped_s:.0f} s, and an energy counter can't"
        if any(moved_s(quantity) > stopped_s + 1.0 for quantity in own):
            return {counter: f"{counter} {why}"}
        return dict.fromkeys(own, f"{sensor} repeats old readings: its {counter} {why}")


class _Pauses:
    """The longest time that a counter has taken between two moves."""

    def __init__(self) -> None:
        self._last_s = -math.inf
        self._longest_s = 0.0
        self._moves = 0

    def stands_still(self, now_s: float, moved_s: float) -> bool:
        if moved_s == -math.inf:
            return False
        if moved_s > self._last_s:
            if self._last_s > -math.inf:
                self._longest_s = max(self._longest_s, moved_s - self._last_s)
                self._moves += 1
            self._last_s = moved_s
        return self._moves >= 3 and now_s - moved_s > max(
            _COUNTER_STILL_S, _COUNTER_PAUSES * max(self._longest_s, LOOK_EVERY_S / 2)
        )
