"""A plugin's stage may be and raise anything: that costs its plugin, its attempt or its sentence."""

from __future__ import annotations

import math
import threading
from typing import Any, ClassVar

import pytest
from pydantic import Field

from harness.boundary import patience
from harness.boundary.stages import GuardedStage, guarded_stage
from harness.columns import Column
from harness.engine.messages import Phase
from harness.errors import PluginError
from harness.hookspecs import hookimpl
from harness.plugins import PluginHost
from harness.stages import STAGES, Rule, Span, Stage
from harness.stages.gate import Gate, GateReadings, GateState, Wait, waiting
from harness.stages.stage import PHASE_WORDS


class Calm(Rule):
    BEARS: ClassVar[str] = "seconds"

    seconds: float = Field(default=1, gt=0)


class CalmStage(Stage[Calm]):
    key = "calm"
    rule = Calm
    place = "in-title"

    def gate(self, rule, wait):
        raise KeyError("no gate today")

    def says(self, rule, temperature):
        raise RuntimeError("no words either")

    def forecast(self, rule, assume):
        return Span(5, 4, math.nan)

    def complaints(self, rule, limits):
        raise RuntimeError("nor this")

    def start_limit_c(self, rule):
        return "warm"

    def watched_as(self, cell_id, warmed_by):
        return 7


class Unsaid(Rule):
    tries: int = 3


def changed(**parts: Any) -> Stage[Any]:
    return type("Changed", (CalmStage,), parts)()


@pytest.mark.parametrize(
    ("stage", "why"),
    [
        ("calm", "str where Stage belongs"),
        (changed(key="Calm Down"), "is no key of a stage"),
        (changed(key="cooldown"), "this key is taken"),
        (changed(key="temperature"), "this key is taken"),
        (changed(key="measure_s"), "this key is taken"),
        (changed(key="launch"), "this key is taken"),
        (changed(rule=dict), "no subclass of harness.stages.Rule"),
        (changed(rule=Unsaid), r"name in BEARS or APART of its rule: Unsaid\.tries"),
        (changed(default=Calm()), "would change every plan"),
        (changed(place="somewhere"), "neither before-launch nor in-title"),
        (changed(columns=lambda self: (Column("average_fps", "float", "", ""),)), "its columns are calm_s"),
        (changed(key="start_temp", columns=lambda self: [Column("x", "text", "", "")]), "its columns are"),
    ],
)
def test_a_plugin_whose_stage_is_not_fit_is_left_out_and_the_reason_told(stage, why):
    class Plugin:
        @hookimpl
        def levelrig_stages(self):
            return [CalmStage(), stage] if why.startswith("its columns") else [stage]

    host = PluginHost({"made-up": Plugin()})
    (broken,) = host.broken
    with pytest.raises(PluginError, match=why):
        guarded_stage(stage)
    assert broken.name == "made-up"
    assert STAGES.added() == ()


def test_the_words_that_no_stage_may_take_are_those_of_the_phases():
    assert {str(phase) for phase in Phase} <= PHASE_WORDS


def test_what_fails_of_a_stage_costs_only_its_own_share():
    stage = GuardedStage(CalmStage())
    rule = Calm()
    assert stage.says(rule, "temperature") == "by a rule that its plugin can't tell"
    assert stage.forecast(rule, lambda seconds, words: seconds) == Span(0, 60, 600)
    assert list(stage.complaints(rule, {})) == []
    assert stage.start_limit_c(rule) is None
    assert stage.watched_as("a.b.c", None) is None


def test_a_gate_that_fails_or_contradicts_itself_fails_the_attempt():
    with pytest.raises(PluginError, match="stage calm failed: KeyError"):
        GuardedStage(CalmStage()).gate(Calm(), Wait())

    class Torn:
        def update(self, now_s: float, readings: GateReadings) -> GateState:
            return GateState(True, "reached", True, None, "open and too late")

    gate = GuardedStage(changed(gate=lambda self, rule, wait: Torn())).gate(Calm(), Wait())
    with pytest.raises(PluginError, match="contradicts itself"):
        gate.update(0, GateReadings())


def test_a_gate_that_hangs_fails_the_attempt_and_one_that_never_ends_its_wait_times_out(monkeypatch):
    held = threading.Event()
    monkeypatch.setattr(patience, "GATE_LIMIT_S", 0.2)

    class Hangs:
        def update(self, now_s: float, readings: GateReadings) -> GateState:
            held.wait()
            return waiting(None, "")

    class Leaves:
        def update(self, now_s: float, readings: GateReadings) -> GateState:
            raise SystemExit(0)

    class NeverEnds:
        def update(self, now_s: float, readings: GateReadings) -> GateState:
            return waiting(math.nan, "calm soon")

    def gate_of(inner: object) -> Gate:
        return GuardedStage(changed(gate=lambda self, rule, wait: inner)).gate(Calm(timeout_s=20), Wait())

    try:
        with pytest.raises(PluginError, match="return"):
            gate_of(Hangs()).update(0, GateReadings())
    finally:
        held.set()
    with pytest.raises(PluginError, match="SystemExit"):
        gate_of(Leaves()).update(0, GateReadings())
    monkeypatch.setattr(patience, "GATE_LIMIT_S", 60.0)
    endless = gate_of(NeverEnds())
    assert not endless.update(100, GateReadings()).timed_out
    assert not endless.update(119, GateReadings()).timed_out
    late = endless.update(1000, GateReadings())
    assert late.timed_out
    assert late.ended_by == "timeout"
