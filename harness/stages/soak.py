"""Soak: inside the title, until the heat has settled."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, ClassVar

from pydantic import Field

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

#: A soak whose time is over still waits for the start of a pass, at most this multiple of its timeout.
_PASS_GRACE = 1.5
_ASSUMED_S = 180.0


class Soak(Rule):
    """Opens when temperature and clock are steady; without limits there is no soak."""

    BEARS: ClassVar[str] = "slope_at_most_c_per_min clock_variation_at_most_pct window_s"

    slope_at_most_c_per_min: float | None = Field(default=None, gt=0)
    clock_variation_at_most_pct: float | None = Field(default=None, gt=0)
    window_s: float = Field(default=60, gt=0)
    timeout_s: float = Field(default=900, gt=0)

    @property
    def has_limit(self) -> bool:
        """There is something to wait for."""
        return self.slope_at_most_c_per_min is not None or self.clock_variation_at_most_pct is not None


class SoakStage(Stage[Soak]):
    """See the module."""

    key = "soak"
    rule = Soak
    default = Soak()
    place: Place = "in-title"

    def gate(self, rule: Soak, wait: Wait) -> Gate:
        return _SoakGate(rule, wait)

    def says(self, rule: Soak, temperature: str) -> str:
        parts = []
        if rule.slope_at_most_c_per_min is not None:
            parts.append(f"temperature changes by at most {rule.slope_at_most_c_per_min:g} °C/min")
        if rule.clock_variation_at_most_pct is not None:
            parts.append(f"clock varies by at most {rule.clock_variation_at_most_pct:g} %")
        if not parts:
            return "none"
        return (
            f"until over {rule.window_s:g} s the {' and the '.join(parts)}, for {rule.timeout_s:g} s at most"
        )

    def methods(self, words: str) -> str:
        return f"with soak: {words}"

    def forecast(self, rule: Soak, assume: Assume) -> Span:
        if not rule.has_limit:
            return Span()
        return Span.between(rule.window_s, assume(_ASSUMED_S, "temperatures settle"), rule.timeout_s)

    def complaints(self, rule: Soak, limits: Mapping[str, Any]) -> Iterator[Complaint]:
        if rule.window_s > rule.timeout_s:
            yield longer_than_timeout("window_s", rule.window_s, rule.timeout_s)
        if rule.model_fields_set and not rule.has_limit:
            yield Complaint(
                "it has no limit, so there would be no soak",
                "add slope_at_most_c_per_min or clock_variation_at_most_pct, or remove the rule",
            )

    def looks_at(self, rule: Soak) -> tuple[str, ...]:
        temperature = (TEMPERATURE,) if rule.slope_at_most_c_per_min is not None else ()
        clock = ("core_clock_mhz",) if rule.clock_variation_at_most_pct is not None else ()
        return (*temperature, *clock)

    def watched_as(self, cell_id: str, warmed_by: str | None) -> str | None:
        return f"soak of {cell_id}"


class _SoakGate(WatchedGate):
    """A soak's length varies; a title that counts its passes is therefore measured from a pass's start.

    Otherwise each attempt would measure another part of the title's scenes, which can change the average
    far more than the heat that the soak takes out.
    """

    def __init__(self, rule: Soak, wait: Wait) -> None:
        super().__init__(wait.watch)
        self._rule = rule
        self._steady = SteadyTest(
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
        if not rule.has_limit:
            return opened("none", "no soak rule")
        if self._steady.blind(self._temp, self._clock, readings):
            blind_s = max(rule.window_s, min(BLIND_WAIT_S, rule.timeout_s))
            if waited_s >= blind_s:
                return opened("time", f"neither temperature nor clock on this rig: soaked {blind_s:g} s")
            return waiting(blind_s - waited_s, f"neither temperature nor clock: soaking {blind_s:g} s")
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
            return self._ended(opened("reached", f"steady after {waited_s:.0f} s"), self._steady_s)
        if not pending:
            pending = ["the start of the title's next pass"]
        wish = " and ".join(pending)
        left_s = rule.timeout_s - waited_s
        if left_s <= 0 and (pass_begins or waited_s >= _PASS_GRACE * rule.timeout_s):
            return self._ended(timed_out(f"not steady: {wish}"), waited_s)
        expected_s = None
        if rule.slope_at_most_c_per_min is not None and len(self._temp):
            expected_s = self._expected_s(now_s, max(left_s, 1.0), self._steady.temp_is_level)
        if expected_s is None and waited_s < rule.window_s:
            expected_s = rule.window_s - waited_s
        if self._steady_s is not None:
            expected_s = 0.0
        if expected_s is not None and self._watch is not None and readings.passes is not None:
            expected_s = self._watch.next_pass_s(waited_s + expected_s) - waited_s
        return waiting(expected_s, f"soaking: waiting for {wish}")


SOAK = SoakStage()
