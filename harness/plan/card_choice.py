"""Which card a plan means, by its own words. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from harness.card import CARD_KEY, CardChoiceError, GraphicsCard, choose_card
from harness.errors import PlanError, Problem
from harness.plan.kinds import Kinds
from harness.plan.schema import Plan


def card_words(plan: Plan | None, kinds: Kinds) -> list[tuple[str, str | int]]:
    """(table and key, word) wherever a plan names its card: ``[rig]``, and keys of its controls and sensors.

    A number at its default of 0 is no word: it stands in every plan.
    """
    if plan is None:
        return []
    words: list[tuple[str, str | int]] = []
    if plan.rig.card is not None:
        words.append((CARD_KEY, plan.rig.card))
    named = [("control", f"profiles.{p.name}", p.control, p.options) for p in plan.profiles]
    named += [("sensor", f"sensors[{n}]", s.kind, s.options) for n, s in enumerate(plan.sensors, 1)]
    for role, where, kind_name, options in named:
        kind = kinds.get((role, kind_name))
        for key in () if kind is None else kind.card_keys:
            word = options.get(key)
            if isinstance(word, str | int) and word and not isinstance(word, bool):
                words.append((f"{where}.{key}", word))
    return words


def card_of_plan(plan: Plan | None, kinds: Kinds, cards: Sequence[GraphicsCard]) -> GraphicsCard | None:
    """The card that the plan is about; None where this machine has none. Raises CardChoiceError."""
    return choose_card(cards, card_words(plan, kinds))


def as_plan_error(source: str, error: CardChoiceError) -> PlanError:
    """The same as a complaint about the plan."""
    return PlanError(source, [Problem(CARD_KEY, error.what, error.remedy, of_machine=error.absent)])
