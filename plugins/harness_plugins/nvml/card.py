"""One card through the library: opened once for the whole session, opened again by its own identity."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any, TypeVar

from harness.card import GraphicsCard, normal_address
from harness_plugins.nvml.codes import INVALID_ARGUMENT, NOT_FOUND, CallFailed
from harness_plugins.nvml.library import GRAPHICS_CLOCK, MEMORY_CLOCK, Library

T = TypeVar("T")


class Card:
    """An open card. Shared by sensor and control, so that one of them keeps the driver's state alive.

    On Linux a driver without persistence may forget its settings when the last program lets go of the card;
    so the card stays open until the program ends.

    Args:
        library: The driver's calls; not opened yet.
        index: Which card, by the driver's order at this moment. From then on its UUID is its identity.

    Raises:
        CallFailed: No driver, no such card, or no access.
    """

    def __init__(self, library: Library, index: int = 0) -> None:
        self.library = library
        self.index = index
        self._lock = threading.RLock()
        library.open()
        self._handle: Any = library.card_by_index(index)
        self._generation = library.generation
        self.uuid = library.uuid(self._handle)
        try:
            self.address = normal_address(library.bus_id(self.handle))
        except CallFailed:
            self.address = ""

    @property
    def handle(self) -> Any:
        """The driver's handle; found again by UUID where the library was opened anew. Raises CallFailed."""
        with self._lock:
            if self._generation != self.library.generation:
                self._handle = self.library.card_by_uuid(self.uuid)
                self._generation = self.library.generation
            return self._handle

    @property
    def device(self) -> str:
        """What readings and messages name it by: its PCI address, else its UUID."""
        return self.address or self.uuid

    def __str__(self) -> str:
        return f"card {self.device}"

    def as_card(self) -> GraphicsCard:
        """The same for everybody else. Raises CallFailed."""
        return GraphicsCard(
            identity=self.uuid,
            name=self.name(),
            driver="nvml",
            address=self.address,
            controls=("nvml",),
            index=self.index,
            pci_id=self.ask("pci_id"),
        )

    def reopen(self) -> None:
        """Shut the library and find the same card again, wherever it is now. Raises CallFailed."""
        with self._lock:
            self.library.open_anew()
            self.library.power_limit_mw(self.handle)  # a handle alone does not prove that the card answers

    def answered(self, call: Callable[[], T]) -> T:
        """What a call gives; made once more where the card was gone and came back. Raises CallFailed."""
        try:
            return call()
        except CallFailed as error:
            if not error.lost:
                raise
            self.reopen()
            return call()

    def name(self) -> str:
        return self.library.name(self.handle)

    def ask(self, call: str, *arguments: Any) -> Any:
        """A reading of this card by the name of the library's method; None where the card lacks it.

        Raises:
            CallFailed: For every other reason.
        """
        try:
            return getattr(self.library, call)(self.handle, *arguments)
        except CallFailed as error:
            if error.absent or error.code == INVALID_ARGUMENT:  # as for a fan that is not there
                return None
            raise

    def facts(self) -> dict[str, Any]:
        """Who the card is, what limits it has and how it is attached; what it does not tell is left out."""
        found: dict[str, Any] = {"uuid": self.uuid, "driver_version": self.library.driver_version()}
        for key, call in (
            ("model", "name"),
            ("firmware_version", "firmware_version"),
            ("link_generation", "link_generation"),
            ("link_width", "link_width"),
            ("persistence", "persistence"),
        ):
            found[key] = self.ask(call)
        memory = self.ask("memory_mib")
        found["memory_total_mib"] = memory and round(memory[1])
        limits = self.ask("power_limit_range_mw")
        if limits:
            found["power_limit_range_w"] = [limits[0] / 1000, limits[1] / 1000]
        for key, call in (
            ("power_limit_w", "power_limit_mw"),
            ("factory_power_limit_w", "default_power_limit_mw"),
        ):
            value = self.ask(call)
            found[key] = None if value is None else value / 1000
        found["highest_core_clock_mhz"] = self.ask("highest_clock_mhz", GRAPHICS_CLOCK)
        found["highest_memory_clock_mhz"] = self.ask("highest_clock_mhz", MEMORY_CLOCK)
        found["slowdown_temp_c"] = self.ask("temperature_threshold_c", 1)
        return {key: value for key, value in found.items() if value is not None}

    def deviations(self) -> list[str]:
        """Tuning in force that can be seen to differ from the maker's. A clock lock can't be seen."""
        found = []
        limit_mw, factory_mw = self.ask("power_limit_mw"), self.ask("default_power_limit_mw")
        if limit_mw is not None and factory_mw is not None and limit_mw != factory_mw:
            found.append(f"{self}: power limit is {limit_mw / 1000:g} W, factory {factory_mw / 1000:g} W")
        for kind, words in ((GRAPHICS_CLOCK, "core"), (MEMORY_CLOCK, "memory")):
            offset = self.ask("clock_offset", kind)
            if offset is not None and offset.offset_mhz != 0:
                found.append(f"{self}: {words} clock offset is {offset.offset_mhz:+d} MHz, factory 0")
        return found


_library = Library()
_cards: dict[str, Card] = {}
_opening = threading.Lock()


def installed_cards() -> list[Card]:
    """Every card of this machine, in the driver's order, each opened once per process. Raises CallFailed."""
    with _opening:
        try:
            return _listed()
        except CallFailed as error:
            if not error.lost or not _cards:
                raise
            _library.open_anew()
            return _listed()


def _listed() -> list[Card]:
    _library.open()
    found = []
    for index in range(_library.count()):
        uuid = _library.uuid(_library.card_by_index(index))
        if uuid not in _cards:
            _cards[uuid] = Card(_library, index)
        _cards[uuid].index = index
        found.append(_cards[uuid])
    return found


def installed_card(uuid: str = "") -> Card:
    """The card with that UUID; without one the only card of the machine. Raises CallFailed."""
    if uuid in _cards:
        return _cards[uuid]
    cards = [card for card in installed_cards() if uuid in ("", card.uuid)]
    if len(cards) != 1:
        raise CallFailed("nvmlDeviceGetHandleByUUID", NOT_FOUND)
    return cards[0]
