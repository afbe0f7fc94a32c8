"""How often to repeat: as often as decides the margin, if the night is long enough for it. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from harness.analysis.planning import resolvable_rows
from harness.plan.forecast import forecast
from harness.plan.schema import Plan

#: Fewer repeats give no interval; more than these are for a plan that a person writes for a reason.
LEAST: Final = 2
MOST: Final = 40
#: What decides is a chance of 0.8, by the plan's own calculation; fewer than this show no scatter worth it.
ENOUGH_TO_TRUST: Final = 3


@dataclass(frozen=True)
class Choice:
    """How often each cell is measured, and why.

    Attributes:
        repeats: Of each cell.
        expected_s: How long all of it is expected to take.
        fit: The most that fit into one night; 0 where not even one of each fits.
        wanted: What decides every title's claim with a chance of 0.8; None where over :data:`MOST`.
        nights: How many nights it takes.
        compared: There are two profiles at least.
        even_of: The order comes out even at multiples of this.
    """

    repeats: int
    expected_s: float
    fit: int
    wanted: int | None
    nights: int
    even_of: int
    compared: bool = True

    @property
    def reason(self) -> str:
        """The choice in a sentence or two."""
        many = f"{self.repeats} repeats"
        if self.nights > 1:
            text = f"{many} of everything take about {self.nights} such nights"
        elif not self.compared:
            return f"{many} describe each title; with one profile nothing is compared"
        elif self.wanted is not None and self.repeats >= self.wanted:
            return f"{many} decide the margin in each title, if titles scatter as usual"
        else:
            text = f"{many} are what the night has time for"
        if self.compared and (self.wanted is None or self.repeats < self.wanted):
            wanted = f"over {MOST}" if self.wanted is None else f"about {self.wanted}"
            text += f"; to decide the margin in each title takes {wanted}, if titles scatter as usual"
        return text


def choose(plan: Plan, night_s: float) -> Choice:
    """The repeats for a plan whose night is this long; what its ``repeats`` says does not matter."""
    profiles = len(plan.profiles)
    even_of = 1 if profiles == 1 else profiles * (1 + profiles % 2)
    wanted = _decides(plan)
    fit = _most_that_fit(plan, night_s)
    if fit < LEAST:
        repeats = LEAST
    elif wanted is None or fit < wanted:
        repeats = fit - fit % even_of or fit
    else:
        repeats = min(fit, math.ceil(wanted / even_of) * even_of)
    expected_s = _expected_s(plan, repeats)
    nights = max(1, math.ceil(expected_s / night_s))
    return Choice(repeats, expected_s, fit, wanted, nights, even_of, profiles > 1)


def with_repeats(plan: Plan, repeats: int) -> Plan:
    """The plan with another fixed count of repeats."""
    return plan.model_copy(update={"plan": plan.plan.model_copy(update={"repeats": repeats})})


def _expected_s(plan: Plan, repeats: int) -> float:
    return forecast(with_repeats(plan, repeats)).expected_s


def _most_that_fit(plan: Plan, night_s: float) -> int:
    low, high = 0, MOST
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if _expected_s(plan, middle) <= night_s else (low, middle - 1)
    return low


def _decides(plan: Plan) -> int | None:
    """Repeats that decide the speed of each title; at least :data:`ENOUGH_TO_TRUST`."""
    if len(plan.profiles) < 2:
        return ENOUGH_TO_TRUST
    rows = resolvable_rows(with_repeats(plan, ENOUGH_TO_TRUST))
    needed: list[int | None] = [
        row["repeats_for_margin"]
        for row in rows
        if row["title"] is not None and row["metric"] in ("average_fps", "score")
    ]
    known = [count for count in needed if count is not None and count <= MOST]
    return max([ENOUGH_TO_TRUST, *known]) if len(known) == len(needed) else None
