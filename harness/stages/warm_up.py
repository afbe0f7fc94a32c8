"""Warm-up: inside the title, until it has loaded, compiled and got going."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, ClassVar

from pydantic import Field

from harness.numerals import counted
from harness.stages.gate import (
    BLIND_WAIT_S,
    Gate,
    GateReadings,
    GateState,
    SteadyTest,
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

#: What "steady" means for a warm-up: temperature slope, clock variation, and the window for both.
STEADY_C_PER_MIN = 1.0
STEADY_CLOCK_PCT = 2.0
STEADY_WINDOW_S = 30.0
_ASSUMED_PASS_S = 60.0
_ASSUMED_STEADY_S = 180.0


class WarmUp(Rule):
    """Inside the title, before the soak. ``passes`` needs a title that counts its passes."""

    BEARS: ClassVar[str] = "seconds passes until_steady"

    seconds: float = Field(default=0, ge=0)
    passes: int | None = Field(default=None, ge=1)
    until_steady: bool = False
    timeout_s: float = Field(default=900, gt=0)

    @property
    def by_time(self) -> bool:
        """It asks for nothing but its seconds."""
        return self.passes is None and not self.until_steady


class WarmUpStage(Stage[WarmUp]):
    """See the module."""

    key = "warm_up"
    rule = WarmUp
    default = WarmUp(seconds=10)
    place: Place = "in-title"
    loads_card = True
    rig_decides = False

    def gate(self, rule: WarmUp, wait: Wait) -> Gate:
        return _WarmUpGate(rule)

    def says(self, rule: WarmUp, temperature: str) -> str:
        parts = [f"{rule.seconds:g} s"] if rule.seconds or rule.by_time else []
        if rule.passes:
            parts.append(f"{counted(rule.passes, 'pass', 'passes')} of the title")
        if rule.until_steady:
            parts.append(f"until the frame rate is steady, for {rule.timeout_s:g} s at most")
        return ", then ".join(parts)

    def methods(self, words: str) -> str:
        return f"warmed up ({words})"

    def forecast(self, rule: WarmUp, assume: Assume) -> Span:
        if rule.by_time:
            return Span.fixed(rule.seconds)
        expected_s = 0.0
        if rule.passes is not None:
            expected_s = rule.passes * assume(_ASSUMED_PASS_S, "one pass of a title is done")
        if rule.until_steady:
            expected_s = max(expected_s, assume(_ASSUMED_STEADY_S, "temperatures settle"))
        return Span.between(rule.seconds, expected_s, rule.timeout_s)

    def complaints(self, rule: WarmUp, limits: Mapping[str, Any]) -> Iterator[Complaint]:
        if rule.seconds > rule.timeout_s and (not rule.by_time or "timeout_s" in rule.model_fields_set):
            yield longer_than_timeout("seconds", rule.seconds, rule.timeout_s)

    def looks_at(self, rule: WarmUp) -> tuple[str, ...]:
        return (TEMPERATURE, "core_clock_mhz") if rule.until_steady else ()

    def stretched(self, rule: WarmUp, more_s: float) -> WarmUp:
        return rule.model_copy(
            update={"seconds": rule.seconds + more_s, "timeout_s": rule.timeout_s + more_s}
        )


class _WarmUpGate(WatchedGate):
    """Seconds, passes and steadiness, whichever of them the rule states, all together."""

    def __init__(self, rule: WarmUp) -> None:
        super().__init__()
        self._rule = rule
        self._steady = SteadyTest(STEADY_C_PER_MIN, STEADY_CLOCK_PCT, STEADY_WINDOW_S)
        self._unsteady: list[str] = []

    def update(self, now_s: float, readings: GateReadings) -> GateState:
        rule = self._rule
        waited_s = self._take(now_s, readings)
        if rule.by_time:
            if waited_s >= rule.seconds:
                return opened("time" if rule.seconds > 0 else "none", f"warmed up {rule.seconds:g} s")
            return waiting(rule.seconds - waited_s, f"warming up {rule.seconds:g} s")
        least_s, ended_by, pending = rule.seconds, "reached", []
        if rule.passes is not None and (readings.passes is None or readings.passes < rule.passes):
            done = "it reports none" if readings.passes is None else f"{readings.passes} done"
            pending.append(f"{counted(rule.passes, 'pass', 'passes')} of the title ({done})")
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
            return opened("time" if ended_by == "time" else "reached", f"warmed up {waited_s:.0f} s")
        wish = " and ".join(pending)
        if waited_s >= rule.timeout_s:
            return timed_out(f"warm-up lacks {wish}")
        only_time = len(pending) == 1 and waited_s < least_s
        return waiting(least_s - waited_s if only_time else None, f"warming up: waiting for {wish}")


WARM_UP = WarmUpStage()
