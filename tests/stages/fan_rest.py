"""Two stages that a plugin from elsewhere brings, in one file: this is all that there is of them."""

from __future__ import annotations

from typing import ClassVar

from pydantic import Field

from harness.hookspecs import hookimpl
from harness.stages import Rule, Span, Stage
from harness.stages.gate import GateReadings, opened, timed_out, waiting


class FanRest(Rule):
    """Before a launch: until the fan is quiet."""

    BEARS: ClassVar[str] = "until_at_most_pct"
    APART: ClassVar[str] = "timeout_s then told_as"

    until_at_most_pct: float = Field(ge=0, le=100)
    told_as: str = "quiet"


class FanRestStage(Stage[FanRest]):
    key = "fan_rest"
    rule = FanRest
    place = "before-launch"

    def gate(self, rule, wait):
        return FanRestGate(rule)

    def says(self, rule, temperature):
        return f"until the fan runs at {rule.until_at_most_pct:g} % or less"

    def looks_at(self, rule):
        return ("fan_pct",)

    def forecast(self, rule, assume):
        return Span.between(0.0, assume(7.0, "the fan comes to rest"), rule.timeout_s)


class FanRestGate:
    def __init__(self, rule: FanRest) -> None:
        self.rule = rule
        self.start_s: float | None = None

    def update(self, now_s: float, readings: GateReadings):
        self.start_s = now_s if self.start_s is None else self.start_s
        fan_pct = readings.values.get("fan_pct")
        if fan_pct is not None and fan_pct <= self.rule.until_at_most_pct:
            return opened("reached", f"fan at {fan_pct:.0f} %")
        if now_s - self.start_s >= self.rule.timeout_s:
            return timed_out("the fan still runs")
        return waiting(None, f"waiting for a {self.rule.told_as} fan")


class LongBreath(Rule):
    """In the title, before the soak: a wait of fixed length."""

    BEARS: ClassVar[str] = "seconds"

    seconds: float = Field(gt=0)


class LongBreathStage(Stage[LongBreath]):
    key = "long_breath"
    rule = LongBreath
    place = "in-title"
    before = "soak"
    rig_decides = False

    def gate(self, rule, wait):
        return LongBreathGate(rule)

    def says(self, rule, temperature):
        return f"{rule.seconds:g} s"

    def forecast(self, rule, assume):
        return Span.fixed(rule.seconds)


class LongBreathGate:
    def __init__(self, rule: LongBreath) -> None:
        self.rule = rule

    def update(self, now_s: float, readings: GateReadings):
        if now_s >= self.rule.seconds:
            return opened("time", "breathed")
        return waiting(self.rule.seconds - now_s, "breathing")


@hookimpl
def levelrig_stages():
    return [FanRestStage(), LongBreathStage()]
