"""Questions about the night: how long, which margin, which limit, and whether the card may be changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from harness.card import GraphicsCard, cards_called
from harness.errors import NoAnswer
from harness.newplan.compose import CAUTION
from harness.newplan.dialogue import Dialogue, one_of
from harness.newplan.machine import Machine
from harness.newplan.wording import hours, number

#: Core temperature that no plan should let a card pass without its reviewer's word, °C.
_USUAL_LIMIT_C: Final = 88.0
#: Below the temperature at which the card slows down by itself, K.
_BELOW_SLOWDOWN_K: Final = 3.0


def ask_card(dialogue: Dialogue, cards: Sequence[GraphicsCard]) -> GraphicsCard:
    """The card under test, of several. Raises NoAnswer."""
    known = [str(place) for place in range(1, len(cards) + 1)]
    for place, card in zip(known, cards, strict=True):
        dialogue.explain(f"  {place}: {card}")
    return cards[int(dialogue.ask("Which card is tested", one_of(known), option="--card", default="1")) - 1]


def card_called(text: str, cards: Sequence[GraphicsCard]) -> GraphicsCard:
    """The card that a person means by address, UUID or name. Raises ValueError."""
    found = cards_called(cards, text)
    if len(found) != 1:
        there = "; ".join(map(str, cards)) or "none"
        raise ValueError(f"{text!r} means {len(found) or 'none'} of the cards here; choose one of: {there}")
    return found[0]


def ask_hours(dialogue: Dialogue) -> float:
    """How long the night may be, in hours. Raises NoAnswer."""
    return dialogue.ask("How long may the night be, in hours", hours, option="--hours", default="8")


def ask_margin_pct(dialogue: Dialogue) -> float:
    """The difference that counts as none, in %. Raises NoAnswer."""
    question = "A difference of how many percent would nobody notice"
    return dialogue.ask(question, margin_pct, option="--margin-pct", default="3")


def margin_pct(text: str) -> float:
    """A margin in %. Raises ValueError."""
    value = number(text.strip().removesuffix("%"))
    if not 0 < value < 50:
        raise ValueError(f"{text!r} is not between 0 and 50; write a few percent, as in 3")
    return value


def ask_limit_c(dialogue: Dialogue, machine: Machine) -> float | None:
    """The core temperature that ends the night; None for no limit, and where none is read."""
    if "core_temp_c" not in machine.quantities:
        return None
    question = "Core temperature that ends the night, °C, inside what the card's maker states (0: none)"
    return dialogue.ask(
        question, limit_c, option="--core-temp-limit-c", default=f"{usual_limit_c(machine):g}"
    )


def usual_limit_c(machine: Machine) -> float:
    """A usual limit, below what the card states for itself."""
    slows = [t.slows_at_c for t in machine.tunings if t.slows_at_c is not None]
    return min([_USUAL_LIMIT_C, *(value - _BELOW_SLOWDOWN_K for value in slows)])


def limit_c(text: str) -> float | None:
    """A temperature limit in °C; None for 0. Raises ValueError."""
    value = number(text)
    if value == 0:
        return None
    if not 30 <= value <= 120:
        raise ValueError(f"{text!r} is not between 30 and 120 °C; write what the maker allows, as in 88")
    return value


def ask_permission(dialogue: Dialogue, machine: Machine, profiles: Sequence[Mapping[str, Any]]) -> bool:
    """Whether the plan may change the card; asked where a profile would. No default, and no ``--yes``.

    Raises:
        NoAnswer: The answer is no, and then there is no such plan to write; or there is none.
    """
    changing = changing_profiles(profiles, machine)
    if not changing:
        return False
    dialogue.say("")
    dialogue.say(CAUTION)
    question = f"May this plan change the card ({', '.join(changing)})"
    if dialogue.agree(question, option="--allow-hardware-changes", default=None):
        return True
    raise NoAnswer(
        f"nothing was written: {', '.join(changing)} can't be measured without changing the card; leave out "
        "what changes it, as with profiles that set processor threads only"
    )


def changing_profiles(profiles: Sequence[Mapping[str, Any]], machine: Machine) -> list[str]:
    """Names of those that change hardware."""
    return [
        str(profile["name"])
        for profile in profiles
        if (kind := machine.kinds.get(("control", str(profile.get("control", "factory"))))) is not None
        and kind.changes_hardware
    ]


def usual_question(answers: Sequence[Mapping[str, Any]], reference: str) -> str:
    """The question that a plan with these profiles answers."""
    names = [str(p.get("label", p["name"])) for p in answers if p["name"] != reference]
    if not names:
        return f"How fast is the card in its state {reference}?"
    rest = "".join(f", and is {name}" for name in names[1:])
    return f"Is {names[0]} as good as {reference}{rest}?"
