"""The card of a plan: which graphics cards are here, and which of them everything else is about. Pure.

One card is *the* card: of controls, sensors, limits, scenes, ``doctor`` and ``characterise``. Its identity is
what stays when its place in any list changes: the maker's own (a UUID), else its PCI address.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from harness.errors import ControlRefused, HarnessError

#: Table and key by which a plan names its card.
CARD_KEY: Final = "rig.card"
_ADDRESS: Final = re.compile(r"(?:([0-9a-f]{4,8}):)?([0-9a-f]{2}:[0-9a-f]{2}\.[0-7])")


@dataclass(frozen=True)
class GraphicsCard:
    """One graphics card of this machine.

    Attributes:
        identity: What it is known by for good: its UUID, else its PCI address.
        name: As its driver or maker calls it.
        driver: Who drives it (``nvml``, ``amdgpu``, ``xe``, ``i915``).
        address: PCI address, as ``0000:03:00.0``; empty where it can't be known.
        integrated: It is part of the processor.
        controls: Kinds of control that can tune it.
        index: Its place in its driver's list at this moment; never an identity.
        pci_id: Vendor and device number; None where they can't be known.
    """

    identity: str
    name: str
    driver: str
    address: str = ""
    integrated: bool = False
    controls: tuple[str, ...] = ()
    index: int | None = None
    pci_id: tuple[int, int] | None = None

    @property
    def device(self) -> str:
        """What readings name it by: the PCI address, which every driver knows; else its identity."""
        return self.address or self.identity

    def facts(self) -> dict[str, str | bool]:
        """Who it is, for ``rig.json``. An address alone would be the same for another card in its slot."""
        known = self.identity
        if known == self.address and self.pci_id is not None:
            known += "/{:04x}:{:04x}".format(*self.pci_id)
        found: dict[str, str | bool] = {"uuid": known, "model": self.name, "driver": self.driver}
        if self.address:
            found["pci_address"] = self.address
        if self.integrated:
            found["integrated"] = True
        return found

    def __str__(self) -> str:
        own = ", the processor's own" if self.integrated else ""
        return f"{self.name} ({self.device}{own})"


class CardChoiceError(HarnessError):
    """It can't be told which card is meant.

    Attributes:
        what: What is wrong.
        remedy: What to write.
        absent: The card that is meant is not here, or does not answer now.
    """

    exit_code = 2

    def __init__(self, what: str, remedy: str, *, absent: bool = False) -> None:
        self.what, self.remedy, self.absent = what, remedy, absent
        super().__init__(f"{what}; {remedy}")


def normal_address(text: str) -> str:
    """A PCI address in one form, ``0000:03:00.0``; empty for what is none."""
    found = _ADDRESS.fullmatch(text.strip().lower())
    return "" if found is None else f"{int(found[1] or '0', 16):04x}:{found[2]}"


def merged(cards: Sequence[GraphicsCard]) -> list[GraphicsCard]:
    """Each card once, in order of address: of two that claim one address the one with more controls counts,
    as another plugin may see a card that it can't tune."""
    best: dict[str, GraphicsCard] = {}
    for card in cards:
        known = best.get(card.device)
        if known is None or len(card.controls) > len(known.controls):
            best[card.device] = card
    return [best[device] for device in sorted(best)]


def candidates(cards: Sequence[GraphicsCard]) -> list[GraphicsCard]:
    """Cards that a plan without a word may mean: a processor's own graphics is none beside a card."""
    return [card for card in cards if not card.integrated] or list(cards)


def cards_called(cards: Sequence[GraphicsCard], word: str | int) -> list[GraphicsCard]:
    """Cards that a plan's word may mean: an address or UUID, the beginning of a UUID, a part of the name."""
    if isinstance(word, int):
        return [card for card in cards if card.index == word]
    plain = word.strip().lower()
    if address := normal_address(plain):
        return [card for card in cards if card.address == address]
    for fits in (
        lambda card: card.identity.lower() == plain,
        lambda card: len(plain) >= 8 and card.identity.lower().startswith(plain),
        lambda card: plain in card.name.lower(),
    ):
        if found := [card for card in cards if plain and fits(card)]:
            return found
    return []


def choose_card(cards: Sequence[GraphicsCard], words: Sequence[tuple[str, str | int]]) -> GraphicsCard | None:
    """The card of a plan.

    Args:
        cards: All cards of this machine; see :func:`merged`.
        words: (table and key, word) wherever the plan names a card; all must mean the same one.
    Returns:
        The card; None where the machine has none and the plan names none.
    Raises:
        CardChoiceError: Several may be meant, none is of that name, or two words mean different cards.
    """
    if not words:
        open_to_choice = candidates(cards)
        if len(open_to_choice) > 1:
            raise CardChoiceError(
                f"this machine has {len(open_to_choice)} cards and the plan does not say which one is meant",
                _what_to_write(open_to_choice),
            )
        return open_to_choice[0] if open_to_choice else None
    chosen: tuple[str, GraphicsCard] | None = None
    for where, word in words:
        found = cards_called(cards, word)
        if not found:
            there = "; ".join(map(str, cards)) or "none"
            remedy = _what_to_write(cards) if cards else "see `levelrig doctor`"
            what = f"{where} = {_quoted(word)}: no such card answers in this machine (there: {there})"
            raise CardChoiceError(what, remedy, absent=True)
        if len(found) > 1:
            what = f"{where} = {_quoted(word)} may mean {len(found)} cards"
            raise CardChoiceError(what, _what_to_write(found))
        if chosen is not None and chosen[1] != found[0]:
            raise CardChoiceError(
                f"{chosen[0]} means {chosen[1]}, {where} means {found[0]}",
                "a plan is about one card: write it once, as card under [rig], and leave it out elsewhere",
            )
        chosen = chosen or (where, found[0])
    return chosen[1] if chosen else None


def leave_alone(deviations: Sequence[str], by: str, to_set: str) -> None:
    """Several cards and no record of what was changed: none is touched, and what differs is said.

    Args:
        deviations: In what the cards differ from their maker's state.
        by: What a person names a card by, as ``ADDRESS``.
        to_set: What is set then.
    Raises:
        ControlRefused: Some differ.
    """
    if deviations:
        raise ControlRefused(
            f"{'; '.join(deviations)}; no record tells that levelrig changed it, so it is not touched: "
            f"name the card, as in `levelrig restore --card {by}`, to set {to_set}"
        )


def _what_to_write(cards: Sequence[GraphicsCard]) -> str:
    lines = ", or ".join(f'card = "{card.device}" for {card.name}' for card in cards)
    return f"write under [rig]: {lines}"


def _quoted(word: str | int) -> str:
    return str(word) if isinstance(word, int) else f'"{word}"'
