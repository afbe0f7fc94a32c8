"""NVIDIA cards below the plugin's own code: C functions that answer from tables, several cards at a time.

Structures and constants are those of the wheel ``nvidia-ml-py``; what a function does is as the NVML API
reference says (https://docs.nvidia.com/deploy/nvml-api/), or seen on a data-centre card (driver 580).
"""

from __future__ import annotations

import ctypes
from dataclasses import dataclass, field
from typing import Any

from harness_plugins.nvml.card import Card
from harness_plugins.nvml.library import Library

BOOST_MHZ, MEMORY_MHZ = 2100, 9501
NOT_SUPPORTED, LOST = 3, 15


@dataclass
class State:
    """One card. ``deaf`` names setters that say yes and do nothing; ``faults`` answers codes instead."""

    uuid: str
    address: str = "0000:01:00.0"
    name: str = "Lumen 90"
    generation: int = 8
    limit_mw: int = 300_000
    core_lock: tuple[int, int] | None = None
    memory_lock: tuple[int, int] | None = None
    offsets: dict[int, int] = field(default_factory=lambda: {0: 0, 2: 0})
    divided: bool = False
    virtualization: int = 0
    memory_temp_c: int | None = None
    reasons: int = 0
    lost: bool = False
    deaf: set[str] = field(default_factory=set)
    faults: dict[str, int] = field(default_factory=dict)
    log: list[str] = field(default_factory=list)

    def settings(self) -> tuple[Any, ...]:
        return self.limit_mw, self.core_lock, self.memory_lock, self.offsets[0], self.offsets[2]

    def reset(self) -> None:
        """The driver was reset, or the machine slept: all settings are the maker's, old handles are dead."""
        self.limit_mw, self.core_lock, self.memory_lock = 300_000, None, None
        self.offsets = {0: 0, 2: 0}
        self.lost = True

    def clock_mhz(self, kind: int) -> int:
        lock = self.memory_lock if kind == 2 else self.core_lock
        highest = MEMORY_MHZ if kind == 2 else BOOST_MHZ
        return highest if lock is None else min(highest, lock[1])


FACTORY = (300_000, None, None, 0, 0)


class Driver:
    """A machine of such cards, in the driver's order. Callable as the seam of :class:`Library`."""

    def __init__(self, *cards: State) -> None:
        self.cards = list(cards)
        self._known = list(cards)  # a handle stays a card's own, wherever it is listed

    def opened(self) -> list[Card]:
        """Every card, opened."""
        return [Card(Library(self), index) for index in range(len(self.cards))]

    def __call__(self, name: str) -> Any:
        def call(*arguments: Any) -> int:
            card = self._card(arguments[0]) if arguments and name.startswith("nvmlDevice") else None
            if card is not None:
                if "Set" in name or "Reset" in name:
                    card.log.append(name)
                if card.lost:
                    return LOST
                if name in card.faults:
                    return card.faults[name]
                if name in card.deaf:
                    return 0
            method = getattr(self, name, None)
            if method is None:
                return NOT_SUPPORTED
            given = arguments if card is None else (card, *arguments[1:])
            return method(*given) or 0

        return call

    def _card(self, handle: Any) -> State | None:
        if not isinstance(handle, ctypes._Pointer):
            return None
        number = ctypes.cast(handle, ctypes.c_void_p).value
        return self._known[number - 1] if number else None

    def _point(self, out: Any, card: State) -> None:
        ctypes.c_void_p.from_buffer(out._obj).value = self._known.index(card) + 1

    def nvmlInitWithFlags(self, flags: Any) -> None:
        for card in self.cards:
            card.lost = False  # who opens the library again gets handles that live

    def nvmlShutdown(self) -> None: ...

    def nvmlSystemGetDriverVersion(self, buffer: Any, size: Any) -> None:
        buffer.value = b"580.1"

    def nvmlDeviceGetCount_v2(self, out: Any) -> None:
        out._obj.value = len(self.cards)

    def nvmlDeviceGetHandleByIndex_v2(self, index: Any, out: Any) -> int:
        if index.value >= len(self.cards):
            return 2
        self._point(out, self.cards[index.value])
        return 0

    def nvmlDeviceGetHandleByUUID(self, uuid: Any, out: Any) -> int:
        found = [card for card in self.cards if card.uuid.encode() == uuid.value]
        if not found:
            return 6
        self._point(out, found[0])
        return 0

    def nvmlDeviceGetUUID(self, card: State, buffer: Any, size: Any) -> None:
        buffer.value = card.uuid.encode()

    def nvmlDeviceGetName(self, card: State, buffer: Any, size: Any) -> None:
        buffer.value = card.name.encode()

    def nvmlDeviceGetPciInfo_v3(self, card: State, out: Any) -> None:
        out._obj.busId = f"0000{card.address}".encode()
        out._obj.pciDeviceId = 0x2684 << 16 | 0x10DE

    def nvmlDeviceGetArchitecture(self, card: State, out: Any) -> None:
        out._obj.value = card.generation

    def nvmlDeviceGetMigMode(self, card: State, now: Any, after: Any) -> None:
        now._obj.value = after._obj.value = int(card.divided)

    def nvmlDeviceGetVirtualizationMode(self, card: State, out: Any) -> None:
        out._obj.value = card.virtualization

    def nvmlDeviceGetPowerManagementLimit(self, card: State, out: Any) -> None:
        out._obj.value = card.limit_mw

    def nvmlDeviceGetEnforcedPowerLimit(self, card: State, out: Any) -> None:
        out._obj.value = card.limit_mw

    def nvmlDeviceGetPowerManagementDefaultLimit(self, card: State, out: Any) -> None:
        out._obj.value = 300_000

    def nvmlDeviceGetPowerManagementLimitConstraints(self, card: State, least: Any, most: Any) -> None:
        least._obj.value, most._obj.value = 100_000, 320_000

    def nvmlDeviceSetPowerManagementLimit(self, card: State, limit: Any) -> None:
        card.limit_mw = limit.value

    def nvmlDeviceGetClockOffsets(self, card: State, info: Any) -> None:
        info._obj.clockOffsetMHz = card.offsets[info._obj.type]
        info._obj.minClockOffsetMHz, info._obj.maxClockOffsetMHz = -500, 500

    def nvmlDeviceSetClockOffsets(self, card: State, info: Any) -> None:
        card.offsets[info._obj.type] = info._obj.clockOffsetMHz

    def nvmlDeviceGetSupportedMemoryClocks(self, card: State, count: Any, buffer: Any) -> int:
        return self._list(count, buffer, [MEMORY_MHZ, 5001])

    def nvmlDeviceGetSupportedGraphicsClocks(self, card: State, memory: Any, count: Any, buffer: Any) -> int:
        return self._list(count, buffer, list(range(BOOST_MHZ, 209, -15)))

    def _list(self, count: Any, buffer: Any, values: list[int]) -> int:
        count._obj.value = len(values)
        if buffer is None:
            return 7
        buffer[: len(values)] = values
        return 0

    def nvmlDeviceSetGpuLockedClocks(self, card: State, least: Any, most: Any) -> None:
        card.core_lock = (least.value, most.value)

    def nvmlDeviceResetGpuLockedClocks(self, card: State) -> None:
        card.core_lock = None

    def nvmlDeviceSetMemoryLockedClocks(self, card: State, least: Any, most: Any) -> None:
        card.memory_lock = (least.value, most.value)

    def nvmlDeviceResetMemoryLockedClocks(self, card: State) -> None:
        card.memory_lock = None

    def nvmlDeviceGetClockInfo(self, card: State, kind: Any, out: Any) -> None:
        out._obj.value = card.clock_mhz(kind.value)

    def nvmlDeviceGetCurrentClocksEventReasons(self, card: State, out: Any) -> None:
        out._obj.value = card.reasons

    def nvmlDeviceGetTemperatureV(self, card: State, info: Any) -> None:
        info._obj.temperature = 51

    def nvmlDeviceGetNumFans(self, card: State, out: Any) -> None:
        out._obj.value = 2

    def nvmlDeviceGetFanSpeed_v2(self, card: State, fan: Any, out: Any) -> None:
        out._obj.value = 40

    def nvmlDeviceGetFanSpeedRPM(self, card: State, info: Any) -> None:
        info._obj.speed = 1500

    def nvmlDeviceGetFieldValues(self, card: State, count: Any, values: Any) -> None:
        for entry in values._obj:
            entry.nvmlReturn = NOT_SUPPORTED
            if entry.fieldId == 82 and card.memory_temp_c is not None:
                entry.nvmlReturn, entry.valueType, entry.value.uiVal = 0, 1, card.memory_temp_c
