"""Cooldown: before each launch the card cools, so that all attempts start equally cool."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any, ClassVar

from pydantic import Field

from harness.columns import Column, F, S
from harness.stages.gate import (
    BLIND_WAIT_S,
    Gate,
    GateReadings,
    GateState,
    Wait,
    WatchedGate,
    opened,
    timed_out,
    waiting,
)
from harness.stages.stage import (
    TEMPERATURE,
    Assume,
    Complaint,
    Place,
    Rule,
    Span,
    Stage,
    longer_than_timeout,
)

if TYPE_CHECKING:
    from harness.conditions.steady import Array

_STOPPED_WINDOW_S = 20.0
_RECENT_S = 5.0
_KEEP_S = 400.0
_ASSUMED_S = 90.0


class Cooldown(Rule):
    """Before each attempt. With no rule given: 10 s. ``seconds`` is the least wait for every rule."""

    BEARS: ClassVar[str] = (
        "seconds until_at_most_c until_above_ambient_k until_within_of_first_k or_stopped_falling"
        " stopped_falling_c_per_min"
    )

    seconds: float = Field(default=0, ge=0, description="wait at least this long")
    until_at_most_c: float | None = Field(default=None, ge=-40, le=150)
    until_above_ambient_k: float | None = Field(default=None, ge=0, le=100)
    until_within_of_first_k: float | None = Field(default=None, gt=0, le=50)
    or_stopped_falling: bool = False
    stopped_falling_c_per_min: float = Field(default=1.0, gt=0, description="falls slower: has stopped")

    @property
    def targets(self) -> tuple[str, ...]:
        """The keys that state a temperature to wait for."""
        keys = ("until_at_most_c", "until_above_ambient_k", "until_within_of_first_k")
        return tuple(key for key in keys if getattr(self, key) is not None)

    @property
    def waits_for_temperature(self) -> bool:
        """Not for time alone."""
        return bool(self.targets) or self.or_stopped_falling


class CooldownStage(Stage[Cooldown]):
    """See the module."""

    key = "cooldown"
    rule = Cooldown
    default = Cooldown(seconds=10)
    place: Place = "before-launch"

    def gate(self, rule: Cooldown, wait: Wait) -> Gate:
        return _CooldownGate(rule, wait)

    def says(self, rule: Cooldown, temperature: str) -> str:
        parts = []
        if rule.until_at_most_c is not None:
            parts.append(f"{temperature} at most {rule.until_at_most_c:g} °C")
        if rule.until_above_ambient_k is not None:
            parts.append(f"{temperature} at most {rule.until_above_ambient_k:g} K above ambient")
        if rule.until_within_of_first_k is not None:
            parts.append(f"{temperature} within {rule.until_within_of_first_k:g} K of the first start")
        if rule.or_stopped_falling:
            parts.append("it has stopped falling")
        until = " or ".join(parts)
        if not until:
            return f"{rule.seconds:g} s"
        least = f"at least {rule.seconds:g} s and " if rule.seconds else ""
        return f"{least}until {until}, for {rule.timeout_s:g} s at most"

    def methods(self, words: str) -> str:
        return f"the rig cooled ({words})"

    def forecast(self, rule: Cooldown, assume: Assume) -> Span:
        if not rule.waits_for_temperature:
            return Span.fixed(rule.seconds)
        expected_s = assume(_ASSUMED_S, "the card cools down to its rule")
        return Span.between(rule.seconds, expected_s, rule.timeout_s)

    def complaints(self, rule: Cooldown, limits: Mapping[str, Any]) -> Iterator[Complaint]:
        if len(rule.targets) > 1:
            yield Complaint(f"{' and '.join(rule.targets)} contradict each other", "keep one of them")
        waits = rule.waits_for_temperature
        if rule.seconds > rule.timeout_s and (waits or "timeout_s" in rule.model_fields_set):
            yield longer_than_timeout("seconds", rule.seconds, rule.timeout_s)
        if not waits and rule.seconds == 0 and rule.model_fields_set - {"seconds"}:
            yield Complaint(
                "it says how to wait but not for what",
                "add seconds, until_at_most_c, until_above_ambient_k, until_within_of_first_k "
                "or or_stopped_falling",
            )
        ceiling = limits.get("core_temp_c")
        if rule.until_at_most_c is not None and isinstance(ceiling, int | float):  # noqa: SIM102
            if rule.until_at_most_c >= ceiling:
                yield Complaint(
                    f"{rule.until_at_most_c:g} °C is not below the safety limit core_temp_c = {ceiling:g}",
                    "lower it: a title would start at the temperature that stops the night",
                    "until_at_most_c",
                )

    def looks_at(self, rule: Cooldown) -> tuple[str, ...]:
        ambient = ("ambient_temp_c",) if rule.until_above_ambient_k is not None else ()
        return (TEMPERATURE, *ambient) if rule.waits_for_temperature else ()

    def watched_as(self, cell_id: str, warmed_by: str | None) -> str | None:
        return None if warmed_by is None else f"cooldown after {warmed_by}"

    def start_limit_c(self, rule: Cooldown) -> float | None:
        return rule.until_at_most_c

    def remedy(self, rule: Cooldown, reached_c: float | None, ambient_c: float | None) -> str:
        if rule.until_at_most_c is None or reached_c is None:
            return super().remedy(rule, reached_c, ambient_c)
        air = "" if ambient_c is None else f" in air of {ambient_c:.0f} °C"
        return (
            f": the card comes down to about {reached_c:.0f} °C{air}, the rule asks for "
            f"{rule.until_at_most_c:g} °C; set until_at_most_c to {math.ceil(reached_c + 1)} or use "
            "until_above_ambient_k or or_stopped_falling"
        )

    def columns(self) -> tuple[Column, ...]:
        return (
            Column("cooldown_s", F, "s", "length of the cooldown"),
            Column("cooldown_end", S, "", "what ended it: reached, stopped-falling, time, timeout, none"),
        )


class _CooldownGate(WatchedGate):
    def __init__(self, rule: Cooldown, wait: Wait) -> None:
        from harness.conditions.steady import Readings

        super().__init__(wait.watch)
        self._rule = rule
        self._first_start_c = wait.first_start_c
        self._ambient = Readings(_KEEP_S)

    def update(self, now_s: float, readings: GateReadings) -> GateState:
        rule = self._rule
        waited_s = self._take(now_s, readings)
        self._ambient.add(now_s, readings.ambient_temp_c)
        if not rule.waits_for_temperature:
            if waited_s >= rule.seconds:
                return opened("time" if rule.seconds > 0 else "none", f"waited {rule.seconds:g} s")
            return waiting(rule.seconds - waited_s, f"waiting {rule.seconds:g} s")
        if not len(self._temp) and readings.temp_missing is None:
            blind_s = max(rule.seconds, min(BLIND_WAIT_S, rule.timeout_s))
            if waited_s >= blind_s:
                return opened("time", f"no temperature on this rig: waited {blind_s:g} s")
            return waiting(blind_s - waited_s, f"no temperature on this rig: waiting {blind_s:g} s")
        temp_c = self._temp.latest(now_s, _RECENT_S)
        if readings.temp_missing is not None:
            temp_c = None
        target_c, falling_decides, wish = self._target(now_s, readings.ambient_missing)
        shown = f"{temp_c:.0f} °C" if temp_c is not None else readings.temp_missing or "no reading"

        def is_met(t_s: Array, values: Array, at_s: float) -> bool:
            from harness.conditions.steady import has_stopped_falling, recent_median

            if target_c is not None:
                recent_c = recent_median(t_s, values, at_s, _RECENT_S)
                if recent_c is not None and recent_c <= target_c:
                    return True
            return falling_decides and has_stopped_falling(
                t_s, values, at_s, rule.stopped_falling_c_per_min, _STOPPED_WINDOW_S
            )

        if waited_s >= rule.seconds and temp_c is not None:
            if target_c is not None and temp_c <= target_c:
                return self._ended(opened("reached", f"{shown}, {wish}"), waited_s)
            if self._news and is_met(*self._temp.arrays(), now_s):
                return self._ended(opened("stopped-falling", f"{shown}, has stopped falling"), waited_s)
        left_s = rule.timeout_s - waited_s
        if left_s <= 0:
            return self._ended(timed_out(f"{'' if temp_c is None else 'still '}{shown}, {wish}"), waited_s)
        expected_s = self._expected_s(now_s, left_s, is_met)
        if expected_s is not None:
            expected_s = max(expected_s, rule.seconds - waited_s)
        return waiting(expected_s, f"{shown}, waiting for {wish}")

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


COOLDOWN = CooldownStage()
