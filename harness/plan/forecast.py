"""How long the night will take, from the plan alone or with what was learned from attempts. Pure.

Three figures for each phase: the shortest possible, the expected, and the longest that the plan's timeouts
allow when every repeat is accepted at its first attempt. What the plan leaves open (how long a card takes
to cool, how long a title runs) is assumed, and each assumption is listed with the forecast.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from harness.plan.cells import expand
from harness.plan.order import arrange
from harness.plan.schema import Cell, Cooldown, Plan, Slot, Soak, WarmUp

PHASES = ("cooldown", "start", "warm-up", "soak", "window", "close")

#: What is assumed of phases that no rule bounds, s.
ASSUMED_S = {
    "cooldown rule": 90.0,
    "steady rule": 180.0,
    "start": 5.0,
    "pass": 60.0,
    "window": 120.0,
    "close": 2.0,
}


@dataclass(frozen=True)
class Span:
    """A length of time: shortest, expected, longest, s."""

    shortest_s: float = 0.0
    expected_s: float = 0.0
    longest_s: float = 0.0

    def __add__(self, other: Span) -> Span:
        return Span(
            self.shortest_s + other.shortest_s,
            self.expected_s + other.expected_s,
            self.longest_s + other.longest_s,
        )


def _fixed(seconds: float) -> Span:
    return Span(seconds, seconds, seconds)


@dataclass(frozen=True)
class Forecast:
    """Length of a night.

    Attributes:
        attempts: Repeats to measure, sentinels included.
        phases: Phase -> its total over the night.
        longest_with_retries_s: As ``longest_s``, with every repeat accepted only at its last attempt.
        ends_early: The plan's own limit cuts the expected night short.
        assumptions: What was assumed, in words.
    """

    attempts: int
    phases: Mapping[str, Span]
    longest_with_retries_s: float
    ends_early: bool
    assumptions: tuple[str, ...] = field(default=())

    @property
    def total(self) -> Span:
        """All phases together."""
        return sum(self.phases.values(), start=Span())

    @property
    def shortest_s(self) -> float:
        """Shortest possible night."""
        return self.total.shortest_s

    @property
    def expected_s(self) -> float:
        """Expected night."""
        return self.total.expected_s

    @property
    def longest_s(self) -> float:
        """Longest night without a rejected attempt."""
        return self.total.longest_s


def forecast(
    plan: Plan,
    slots: Sequence[Slot] | None = None,
    learned_s: Mapping[str, float] | None = None,
) -> Forecast:
    """Forecast the slots of a plan (all of them, or those that are left).

    Args:
        plan: The plan.
        slots: What to measure; None for the whole night.
        learned_s: Phase -> its typical length, s, as measured on this rig; replaces the assumption.
    """
    cells = {cell.cell_id: cell for cell in expand(plan)}
    wanted = arrange(plan, tuple(cells.values())) if slots is None else slots
    assumptions: dict[str, None] = {}
    phases = dict.fromkeys(PHASES, Span())
    for slot in wanted:
        for phase, span in _attempt(plan, cells[slot.cell_id], assumptions).items():
            learned = (learned_s or {}).get(phase)
            if learned is not None:
                kept_s = min(max(learned, span.shortest_s), span.longest_s)
                span = Span(span.shortest_s, kept_s, span.longest_s)
            phases[phase] = phases[phase] + span
    total = sum(phases.values(), start=Span())
    limit_s = plan.limits.night_ends_after_s
    return Forecast(
        attempts=len(wanted),
        phases=phases,
        longest_with_retries_s=total.longest_s * plan.retries.attempts_per_repeat,
        ends_early=limit_s is not None and total.expected_s > limit_s,
        assumptions=tuple(assumptions) if learned_s is None else (),
    )


def _attempt(plan: Plan, cell: Cell, assumptions: dict[str, None]) -> dict[str, Span]:
    title = cell.title
    spans = {
        "cooldown": _cooldown(plan.conditions.cooldown, assumptions),
        "start": Span(0.0, _assume("start", "a title starts", assumptions), title.deadline_s),
        "warm-up": _warm_up(title.warm_up or plan.conditions.warm_up, assumptions),
        "soak": _soak(title.soak or plan.conditions.soak, assumptions),
        "close": Span(0.0, _assume("close", "a title ends and its log is read", assumptions), 60.0),
    }
    if title.measure_s is not None:
        spans["window"] = _fixed(title.measure_s)
    else:
        length_s = _assume("window", f"{title.name} runs (it has no measure_s)", assumptions)
        spans["window"] = Span(0.0, min(length_s, title.deadline_s), title.deadline_s)
    # The deadline bounds everything between start and end together.
    running = ("start", "warm-up", "soak", "window")
    over_s = sum(spans[phase].longest_s for phase in running) - title.deadline_s
    for phase in ("start", "soak", "warm-up"):
        span = spans[phase]
        cut_s = min(max(0.0, over_s), span.longest_s - span.expected_s)
        spans[phase] = Span(span.shortest_s, span.expected_s, span.longest_s - cut_s)
        over_s -= cut_s
    return spans


def _assume(what: str, words: str, assumptions: dict[str, None]) -> float:
    seconds = ASSUMED_S[what]
    assumptions[f"{words} in {seconds:g} s"] = None
    return seconds


def _cooldown(rule: Cooldown, assumptions: dict[str, None]) -> Span:
    targets = (rule.until_at_most_c, rule.until_above_ambient_k, rule.until_within_of_first_k)
    if all(target is None for target in targets) and not rule.or_stopped_falling:
        return _fixed(rule.seconds)
    longest_s = max(rule.seconds, rule.timeout_s)
    expected_s = _assume("cooldown rule", "the card cools down to its rule", assumptions)
    return Span(rule.seconds, min(max(expected_s, rule.seconds), longest_s), longest_s)


def _warm_up(rule: WarmUp, assumptions: dict[str, None]) -> Span:
    if rule.passes is None and not rule.until_steady:
        return _fixed(rule.seconds)
    expected_s = 0.0
    if rule.passes is not None:
        expected_s = rule.passes * _assume("pass", "one pass of a title is done", assumptions)
    if rule.until_steady:
        expected_s = max(expected_s, _assume("steady rule", "temperatures settle", assumptions))
    longest_s = max(rule.seconds, rule.timeout_s)
    return Span(rule.seconds, min(max(expected_s, rule.seconds), longest_s), longest_s)


def _soak(rule: Soak, assumptions: dict[str, None]) -> Span:
    if rule.slope_at_most_c_per_min is None and rule.clock_variation_at_most_pct is None:
        return Span()
    expected_s = _assume("steady rule", "temperatures settle", assumptions)
    return Span(rule.window_s, min(max(expected_s, rule.window_s), rule.timeout_s), rule.timeout_s)
