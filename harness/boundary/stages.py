"""A stage that a plugin brings, behind its boundary: what it gives is checked, what it raises is held."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from typing import Any, TypeVar

from harness.boundary import patience
from harness.boundary.crossing import Unfit, cross, printable, quietly
from harness.boundary.patience import within
from harness.clock import SystemClock
from harness.columns import Column
from harness.errors import PluginError
from harness.plan.bearing import unstated
from harness.plan.schema import Conditions, SettingSpec, TitleSpec
from harness.stages import STAGES, Complaint, Rule, Span, Stage
from harness.stages.gate import Gate, GateReadings, GateState, Wait, timed_out
from harness.stages.stage import PHASE_WORDS, Assume
from harness.tables import attempt_columns

T = TypeVar("T")


def guarded_stage(stage: object) -> GuardedStage:
    """A plugin's stage behind its boundary; the one that is there already where it is the same.

    Raises:
        PluginError: It is not what :class:`harness.stages.Stage` says, or its key or a column is taken.
    """
    if not isinstance(stage, Stage):
        raise PluginError(f"levelrig_stages gave {printable(type(stage).__name__, 60)} where Stage belongs")
    key, rule = getattr(stage, "key", None), getattr(stage, "rule", None)
    if not isinstance(key, str) or not re.fullmatch(r"[a-z][a-z0-9]*(_[a-z0-9]+)*", key):
        raise PluginError(f"{printable(key, 60)} is no key of a stage; write small letters, as in fan_rest")
    known = STAGES.get(key)
    if isinstance(known, GuardedStage) and type(known.inner) is type(stage):
        return known
    models = (Conditions, TitleSpec, SettingSpec)
    if any(key in model.model_fields for model in models) or stage.word in PHASE_WORDS:
        raise PluginError(f"stage {key!r}: this key is taken; give it another")
    if not (isinstance(rule, type) and issubclass(rule, Rule)):
        raise PluginError(f"stage {key!r}: its rule is no subclass of harness.stages.Rule")
    if unsaid := unstated(rule):
        raise PluginError(f"stage {key!r}: name in BEARS or APART of its rule: {', '.join(unsaid)}")
    if stage.default is not None:
        raise PluginError(f"stage {key!r}: its default is not None, so it would change every plan")
    if getattr(stage, "place", None) not in ("before-launch", "in-title"):
        raise PluginError(f"stage {key!r}: its place is neither before-launch nor in-title")
    columns = stage.columns()
    names = [column.name for column in columns if isinstance(column, Column)]
    if len(names) != len(columns) or {f"{key}_s", f"{key}_end"} != set(names):
        raise PluginError(f"stage {key!r}: its columns are {key}_s and {key}_end, no others")
    if taken := set(names) & {column.name for column in attempt_columns()}:
        raise PluginError(f"stage {key!r}: there is a column {min(taken)} already")
    return GuardedStage(stage)


class GuardedStage(Stage[Any]):
    """A plugin's stage behind its boundary.

    Where it fails, a gate and what it looks at raise PluginError, which fails the attempt; everything else
    costs only its own share: a sentence, a forecast, a complaint. Tracebacks go to the log.
    """

    def __init__(self, stage: Stage[Any]) -> None:
        self.inner = stage
        self.key, self.rule, self.default = stage.key, stage.rule, stage.default
        self.place, self.before = stage.place, stage.before
        self.loads_card, self.rig_decides = stage.loads_card, stage.rig_decides
        self._columns = tuple(stage.columns())
        self._name = f"stage {self.key}"

    def _cross(self, call: Callable[[], Any], fit: Callable[[Any], T]) -> T:
        return cross(self._name, PluginError, call, fit)

    def _told(self, call: Callable[[], Any], otherwise: str) -> str:
        return quietly(self._name, call, lambda given: printable(_a(str, given)), otherwise)

    def gate(self, rule: Any, wait: Wait) -> Gate:
        longest_s = max(rule.timeout_s, self.forecast(rule, lambda seconds, words: seconds).longest_s)
        return _GuardedGate(self._name, self._cross(lambda: self.inner.gate(rule, wait), _gate), longest_s)

    def looks_at(self, rule: Any) -> tuple[str, ...]:
        return self._cross(lambda: self.inner.looks_at(rule), _names)

    def stretched(self, rule: Any, more_s: float) -> Any:
        return self._cross(lambda: self.inner.stretched(rule, more_s), lambda given: _a(self.rule, given))

    def says(self, rule: Any, temperature: str) -> str:
        return self._told(lambda: self.inner.says(rule, temperature), "by a rule that its plugin can't tell")

    def methods(self, words: str) -> str:
        return self._told(lambda: self.inner.methods(words), super().methods(words))

    def remedy(self, rule: Any, reached_c: float | None, ambient_c: float | None) -> str:
        plain = super().remedy(rule, reached_c, ambient_c)
        return self._told(lambda: self.inner.remedy(rule, reached_c, ambient_c), plain)

    def forecast(self, rule: Any, assume: Assume) -> Span:
        plain = super().forecast(rule, lambda seconds, words: seconds)
        return quietly(self._name, lambda: self.inner.forecast(rule, assume), _span, plain)

    def complaints(self, rule: Any, limits: Mapping[str, Any]) -> Iterator[Complaint]:
        found: list[Complaint] = quietly(
            self._name,
            lambda: list(self.inner.complaints(rule, limits)),
            lambda given: [_a(Complaint, complaint) for complaint in given],
            [],
        )
        return iter(found)

    def watched_as(self, cell_id: str, warmed_by: str | None) -> str | None:
        given = self._told(lambda: self.inner.watched_as(cell_id, warmed_by) or "", "")
        return given or None

    def start_limit_c(self, rule: Any) -> float | None:
        return quietly(self._name, lambda: self.inner.start_limit_c(rule), _finite, None)

    def columns(self) -> tuple[Column, ...]:
        return self._columns


class _GuardedGate:
    """A plugin's gate: one that hangs fails the attempt, one that never ends its wait times out."""

    def __init__(self, name: str, inner: Gate, longest_s: float) -> None:
        self._name = name
        self._inner = inner
        self._longest_s = longest_s
        self._first_s: float | None = None

    def update(self, now_s: float, readings: GateReadings) -> GateState:
        self._first_s = now_s if self._first_s is None else self._first_s
        look = partial(self._inner.update, now_s, readings)
        clock, limit_s = SystemClock(), patience.GATE_LIMIT_S
        state = cross(
            self._name, PluginError, lambda: within(clock, self._name, limit_s, PluginError, look), _state
        )
        ended = state.open or state.timed_out
        if not ended and now_s - self._first_s > self._longest_s + patience.GATE_GRACE_S:
            return timed_out(f"its plugin did not end the wait in {self._longest_s:g} s")
        return state


def _a(kind: type[T], value: Any) -> T:
    """The value, if it is of that kind. Raises Unfit."""
    if not isinstance(value, kind):
        raise Unfit(f"it gave {printable(value, 80)} where {kind.__name__} belongs")
    return value


def _names(value: Any) -> tuple[str, ...]:
    return tuple(_a(str, name) for name in value)


def _gate(value: Any) -> Gate:
    if not callable(getattr(value, "update", None)):
        raise Unfit(f"it gave {printable(value, 80)}, which has no update, as its gate")
    gate: Gate = value
    return gate


def _state(value: Any) -> GateState:
    state = _a(GateState, value)
    ended = state.open or state.timed_out
    if (state.open and state.timed_out) or ended != isinstance(state.ended_by, str):
        raise Unfit(f"its gate gave {printable(state, 200)}, which contradicts itself")
    if state.expected_remaining_s is not None:
        _finite(state.expected_remaining_s)
    return state


def _finite(value: Any) -> float | None:
    if value is not None and not (isinstance(value, int | float) and math.isfinite(value)):
        raise Unfit(f"it gave {printable(value, 80)} where a finite number belongs")
    return value


def _span(value: Any) -> Span:
    span = _a(Span, value)
    if not 0 <= span.shortest_s <= span.expected_s <= span.longest_s < math.inf:
        raise Unfit(f"its forecast {printable(span, 200)} is no length of time")
    return span
