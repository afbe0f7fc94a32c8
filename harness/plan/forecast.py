"""How long the night will take, from the plan alone or with what was learned from attempts. Pure.

Three figures for each phase: the shortest possible, the expected, and the longest that the plan's timeouts
allow when every repeat is accepted at its first attempt. What the plan leaves open (how long a card takes
to cool, how long a title runs) is assumed, and each assumption is listed with the forecast.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from harness.plan.cells import expand
from harness.plan.hours import Calendar, NightHours, calendar
from harness.plan.order import arrange
from harness.plan.schema import Cell, Plan, Slot, rules_in_force
from harness.plan.steps_table import window_s
from harness.stages import STAGES, Span

_START_S, _WINDOW_S, _CLOSE_S = 5.0, 120.0, 2.0  # assumed
_CLOSE_LONGEST_S = 60.0
_LIKELY, _LIKELY_AS_LEARNED = (0.1, 2.5), (0.7, 1.5)


@dataclass(frozen=True)
class Forecast:
    """Length of a night.

    Attributes:
        attempts: Repeats to measure, sentinels included.
        phases: Phase -> its total over the night.
        likely: Phase -> range in which its total will probably lie, s: what is fixed exactly, what is assumed
            from a tenth to two and a half times of it (chosen here, no source), within the plan's bounds.
        longest_with_retries_s: As ``longest_s``, with every repeat accepted only at its last attempt.
        ends_early: The plan's own limit cuts the expected night short.
        assumptions: What was assumed, in words.
    """

    attempts: int
    phases: Mapping[str, Span]
    likely: Mapping[str, tuple[float, float]]
    longest_with_retries_s: float
    ends_early: bool
    assumptions: tuple[str, ...] = field(default=())

    @property
    def total(self) -> Span:
        """All phases together."""
        return sum(self.phases.values(), start=Span())

    @property
    def likely_s(self) -> tuple[float, float]:
        """Range in which the night's length will probably lie, s, without rejected attempts."""
        return sum(low for low, _ in self.likely.values()), sum(high for _, high in self.likely.values())

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
    phases: dict[str, Span] = {}
    likely: dict[str, tuple[float, float]] = {}
    for slot in wanted:
        for phase, span in _attempt(plan, cells[slot.cell_id], assumptions).items():
            learned = (learned_s or {}).get(phase)
            if learned is not None:
                kept_s = min(max(learned, span.shortest_s), span.longest_s)
                span = Span(span.shortest_s, kept_s, span.longest_s)
            phases[phase] = phases.get(phase, Span()) + span
            low_s, high_s = likely.get(phase, (0.0, 0.0))
            least, most = _LIKELY if learned is None else _LIKELY_AS_LEARNED
            low_s += max(span.shortest_s, least * span.expected_s)
            likely[phase] = low_s, high_s + min(span.longest_s, most * span.expected_s)
    total = sum(phases.values(), start=Span())
    limit_s = plan.limits.night_ends_after_s
    return Forecast(
        attempts=len(wanted),
        phases={phase: phases[phase] for phase in _phases() if phase in phases},
        likely={phase: likely[phase] for phase in _phases() if phase in phases},
        longest_with_retries_s=total.longest_s * plan.retries.attempts_per_repeat,
        ends_early=limit_s is not None and total.expected_s > limit_s,
        assumptions=tuple(assumptions) if learned_s is None else (),
    )


def _phases() -> tuple[str, ...]:
    """Every phase that a forecast can name, in order."""
    before, running = ([s.word for s in STAGES.at(place)] for place in ("before-launch", "in-title"))
    return (*before, "start", *running, "window", "close")


def _attempt(plan: Plan, cell: Cell, assumptions: dict[str, None]) -> dict[str, Span]:
    """Phase -> its length, in the order of the phases."""

    def assume(seconds: float, words: str) -> float:
        assumptions[f"{words} in {seconds:g} s"] = None
        return seconds

    title = cell.title
    rules = rules_in_force(plan.conditions, title)
    before = {s.word: s.forecast(rule, assume) for s, rule in rules if s.place == "before-launch"}
    running = {"start": Span(0.0, assume(_START_S, "a title starts"), title.deadline_s)}
    running |= {s.word: s.forecast(rule, assume) for s, rule in rules if s.place == "in-title"}
    close = Span(0.0, assume(_CLOSE_S, "a title ends and its log is read"), _CLOSE_LONGEST_S)
    if title.measure_s is not None:
        window = Span.fixed(title.measure_s)
    elif stepped_s := window_s(title.steps):
        window = Span(stepped_s, stepped_s, title.deadline_s)
    else:
        length_s = assume(_WINDOW_S, f"{title.name} runs (it has no measure_s)")
        window = Span(0.0, min(length_s, title.deadline_s), title.deadline_s)
    # The deadline bounds everything between start and end together.
    over_s = sum(span.longest_s for span in (*running.values(), window)) - title.deadline_s
    for phase in ("start", *(phase for phase in reversed(running) if phase != "start")):
        span = running[phase]
        cut_s = min(max(0.0, over_s), span.longest_s - span.expected_s)
        running[phase] = Span(span.shortest_s, span.expected_s, span.longest_s - cut_s)
        over_s -= cut_s
    return {**before, **running, "window": window, "close": close}


def plan_calendar(plan: Plan, work_s: float, now_utc: datetime) -> Calendar | None:
    """How so much work of a plan is spread over its nights, from now on; None where it states no hours."""
    night = forecast(plan)
    attempt_s = night.expected_s / max(night.attempts, 1)
    return calendar(NightHours.of(plan.night), work_s, attempt_s, now_utc)
