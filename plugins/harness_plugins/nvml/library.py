"""NVIDIA's management library, with every return code checked here.

The wheel's wrappers can't be trusted with that: in nvidia-ml-py 13.615.71 ``nvmlDeviceSetClockOffsets``,
``nvmlDeviceGetClockOffsets`` and ``nvmlDeviceSetPowerManagementLimit_v2`` return normally when the driver
refuses. So this module takes from the wheel only the loaded library, the structures and the constants, calls
the C functions itself, and raises :class:`CallFailed` for every code but 0. Structures are filled with a
sentinel before a get, so that an answer which the driver did not write can't be taken for one.

Source: the NVML API reference, https://docs.nvidia.com/deploy/nvml-api/ ; names and units follow it.
"""

from __future__ import annotations

import contextlib
import ctypes
import threading
from collections.abc import Callable, Sequence
from ctypes import byref, c_char, c_int, c_uint, c_ulonglong
from dataclasses import dataclass
from typing import Any

import pynvml

from harness_plugins.nvml.codes import (
    ABSENT,
    DEPRECATED,
    FUNCTION_NOT_FOUND,
    NO_DATA,
    NOT_FOUND,
    TOO_SMALL,
    CallFailed,
)

#: Name of a C function -> the callable that returns its code. The seam for recordings and faults.
Pointer = Callable[[str], Callable[..., int]]

GRAPHICS_CLOCK, SM_CLOCK, MEMORY_CLOCK = 0, 1, 2
CORE_SENSOR = 0
MEMORY_TEMP_FIELD = 82
SENTINEL = 0x5A5A5A5A


@dataclass(frozen=True)
class FieldValue:
    """One entry of a batch read: its own return code, and the value where that is 0."""

    code: int
    value: float | int | None


@dataclass(frozen=True)
class ClockOffset:
    """A clock offset in force and the range that the driver offers for it, MHz."""

    offset_mhz: int
    least_mhz: int
    most_mhz: int


@dataclass(frozen=True)
class CardProcess:
    """A process with a context on the card; ``memory_mib`` is None where the system hides it."""

    process_id: int
    memory_mib: float | None


class Library:
    """The library's calls that this plugin needs. Thread-safe as far as the library is (it is).

    Args:
        pointer: Finds a C function; by default in the installed driver's library. Raises CallFailed.
    """

    def __init__(self, pointer: Pointer | None = None) -> None:
        self._pointer = pointer or _installed_function
        self._known: dict[str, Callable[..., int]] = {}
        self._opened = False
        #: Grows whenever the library is opened anew: handles of before are dead then.
        self.generation = 0

    def call(self, function: str, *arguments: Any) -> None:
        """Call a C function. Raises CallFailed unless it returns 0."""
        code = self.code(function, *arguments)
        if code != 0:
            raise CallFailed(function, code)

    def code(self, function: str, *arguments: Any) -> int:
        """Call a C function and return its code; 13 where the library has no such function."""
        found = self._known.get(function)
        if found is None:
            try:
                found = self._known[function] = self._pointer(function)
            except CallFailed as error:
                return error.code
        return int(found(*arguments))

    def open(self) -> None:
        """Open it, once: the driver counts, and only the last shutdown lets it see the machine anew."""
        if not self._opened:
            self.call("nvmlInitWithFlags", c_uint(0))
            self._opened = True
            self.generation += 1

    def shut(self) -> None:
        self._opened = False
        self.call("nvmlShutdown")

    def open_anew(self) -> None:
        """After the driver or a card was lost. Raises CallFailed."""
        with contextlib.suppress(CallFailed):  # a driver that was reloaded does not know us any more
            self.shut()
        self.open()

    # Who is there.

    def driver_version(self) -> str:
        return self._text("nvmlSystemGetDriverVersion", 80)

    def library_version(self) -> str:
        return self._text("nvmlSystemGetNVMLVersion", 80)

    def count(self) -> int:
        return self._unsigned("nvmlDeviceGetCount_v2")

    def card_by_index(self, index: int) -> Any:
        handle = pynvml.c_nvmlDevice_t()
        self.call("nvmlDeviceGetHandleByIndex_v2", c_uint(index), byref(handle))
        return handle

    def card_by_uuid(self, uuid: str) -> Any:
        handle = pynvml.c_nvmlDevice_t()
        self.call("nvmlDeviceGetHandleByUUID", ctypes.c_char_p(uuid.encode()), byref(handle))
        return handle

    def name(self, card: Any) -> str:
        return self._text("nvmlDeviceGetName", 96, card)

    def uuid(self, card: Any) -> str:
        return self._text("nvmlDeviceGetUUID", 96, card)

    def firmware_version(self, card: Any) -> str:
        return self._text("nvmlDeviceGetVbiosVersion", 32, card)

    def bus_id(self, card: Any) -> str:
        info = pynvml.nvmlPciInfo_t()
        self.call("nvmlDeviceGetPciInfo_v3", card, byref(info))
        bus_id: bytes | str = info.busId
        return bus_id.decode() if isinstance(bus_id, bytes) else bus_id

    def pci_id(self, card: Any) -> tuple[int, int]:
        """Vendor and device number."""
        info = pynvml.nvmlPciInfo_t()
        self.call("nvmlDeviceGetPciInfo_v3", card, byref(info))
        return info.pciDeviceId & 0xFFFF, info.pciDeviceId >> 16

    def link_width(self, card: Any) -> int:
        return self._unsigned("nvmlDeviceGetCurrPcieLinkWidth", card)

    def link_generation(self, card: Any) -> int:
        return self._unsigned("nvmlDeviceGetCurrPcieLinkGeneration", card)

    def architecture(self, card: Any) -> int:
        """Number of the card's generation, growing: 6 Turing, 7 Ampere, 8 Ada, 9 Hopper."""
        return self._unsigned("nvmlDeviceGetArchitecture", card)

    def virtualization(self, card: Any) -> int:
        """0 none, 1 handed through whole to this virtual machine, 2 a share of a card in a virtual machine, 3
        and 4 a card whose shares are given to virtual machines."""
        return self._unsigned("nvmlDeviceGetVirtualizationMode", card)

    def divided(self, card: Any) -> bool:
        """The card is divided into instances (MIG)."""
        now, after = c_uint(), c_uint()
        self.call("nvmlDeviceGetMigMode", card, byref(now), byref(after))
        return bool(now.value)

    def persistence(self, card: Any) -> bool:
        return bool(self._unsigned("nvmlDeviceGetPersistenceMode", card))

    # Readings.

    def fields(self, card: Any, field_ids: Sequence[int]) -> list[FieldValue]:
        """Read fields in one call. Each entry has its own code; the call succeeds while entries fail."""
        values = (pynvml.c_nvmlFieldValue_t * len(field_ids))()
        for entry, field_id in zip(values, field_ids, strict=True):
            entry.fieldId = field_id
            entry.nvmlReturn = SENTINEL
        self.call("nvmlDeviceGetFieldValues", card, c_int(len(field_ids)), byref(values))
        return [FieldValue(v.nvmlReturn, _member(v.valueType, v.value)) for v in values]

    def power_mw(self, card: Any) -> int:
        return self._unsigned("nvmlDeviceGetPowerUsage", card)

    def energy_mj(self, card: Any) -> int:
        total = c_ulonglong()
        self.call("nvmlDeviceGetTotalEnergyConsumption", card, byref(total))
        return total.value

    def core_temp_c(self, card: Any) -> int:
        """Whole degrees; by the present call, on an older driver by the call that it replaces."""
        info = pynvml.c_nvmlTemperature_v1_t()
        info.version, info.sensorType = pynvml.nvmlTemperature_v1, CORE_SENSOR
        code = self.code("nvmlDeviceGetTemperatureV", card, byref(info))
        if code == 0:
            return int(info.temperature)
        if code not in ABSENT:
            raise CallFailed("nvmlDeviceGetTemperatureV", code)
        return self._unsigned("nvmlDeviceGetTemperature", card, c_uint(CORE_SENSOR))

    def temperature_threshold_c(self, card: Any, kind: int) -> int:
        """Kind 0 shutdown, 1 slowdown, 2 highest for memory, 3 highest for the core."""
        return self._unsigned("nvmlDeviceGetTemperatureThreshold", card, c_uint(kind))

    def clock_mhz(self, card: Any, kind: int) -> int:
        return self._unsigned("nvmlDeviceGetClockInfo", card, c_uint(kind))

    def highest_clock_mhz(self, card: Any, kind: int) -> int:
        return self._unsigned("nvmlDeviceGetMaxClockInfo", card, c_uint(kind))

    def limit_reasons(self, card: Any) -> int:
        reasons = c_ulonglong()
        code = self.code("nvmlDeviceGetCurrentClocksEventReasons", card, byref(reasons))
        if code in ABSENT:
            self.call("nvmlDeviceGetCurrentClocksThrottleReasons", card, byref(reasons))
        elif code:
            raise CallFailed("nvmlDeviceGetCurrentClocksEventReasons", code)
        return reasons.value

    def load_pct(self, card: Any) -> int:
        rates = pynvml.c_nvmlUtilization_t()
        self.call("nvmlDeviceGetUtilizationRates", card, byref(rates))
        return int(rates.gpu)

    def memory_mib(self, card: Any) -> tuple[float, float]:
        """Memory in use and in all, MiB."""
        memory = pynvml.c_nvmlMemory_t()
        self.call("nvmlDeviceGetMemoryInfo", card, byref(memory))
        return memory.used / 2**20, memory.total / 2**20

    def fan_count(self, card: Any) -> int:
        return self._unsigned("nvmlDeviceGetNumFans", card)

    def fan_pct(self, card: Any, fan: int) -> int:
        return self._unsigned("nvmlDeviceGetFanSpeed_v2", card, c_uint(fan))

    def fan_rpm(self, card: Any, fan: int) -> int:
        info = pynvml.c_nvmlFanSpeedInfo_t()
        info.version, info.fan = pynvml.nvmlFanSpeedInfo_v1, fan
        self.call("nvmlDeviceGetFanSpeedRPM", card, byref(info))
        return int(info.speed)

    def processes(self, card: Any) -> list[CardProcess]:
        """Processes with a compute or a graphics context, each once."""
        found: dict[int, CardProcess] = {}
        for kind in ("Compute", "Graphics"):
            for process in self._processes(f"nvmlDeviceGet{kind}RunningProcesses_v3", card):
                found.setdefault(process.process_id, process)
        return list(found.values())

    def process_loads(self, card: Any, since_us: int) -> list[tuple[int, int, float]]:
        """Loads of processes that the driver sampled after a time stamp: (process, time stamp µs, %).

        Source: NVML API reference, nvmlDeviceGetProcessUtilization; offered on Linux.
        """
        count, function = c_uint(0), "nvmlDeviceGetProcessUtilization"
        code = self.code(function, card, None, byref(count), c_ulonglong(since_us))
        if code == NOT_FOUND or (code == 0 and count.value == 0):
            return []
        if code not in (0, TOO_SMALL):
            raise CallFailed(function, code)
        samples = (pynvml.c_nvmlProcessUtilizationSample_t * count.value)()
        code = self.code(function, card, samples, byref(count), c_ulonglong(since_us))
        if code == NOT_FOUND:
            return []
        if code:
            raise CallFailed(function, code)
        return [(int(s.pid), int(s.timeStamp), float(s.smUtil)) for s in samples[: count.value] if s.pid]

    def power_samples(self, card: Any, since_us: int) -> list[tuple[int, float]]:
        """The driver's own buffer of power readings younger than a time stamp: (time stamp µs, W).

        The stamps are the driver's wall clock; compare them with one another only.
        """
        kind, count = c_uint(0), c_uint(0)
        arguments = (card, c_uint(0), c_ulonglong(since_us), byref(kind), byref(count))
        code = self.code("nvmlDeviceGetSamples", *arguments, None)
        if code == NOT_FOUND or (code == 0 and count.value == 0):
            return []
        if code:
            raise CallFailed("nvmlDeviceGetSamples", code)
        buffer = (pynvml.c_nvmlSample_t * count.value)()
        code = self.code("nvmlDeviceGetSamples", *arguments, buffer)
        if code == NOT_FOUND:
            return []
        if code:
            raise CallFailed("nvmlDeviceGetSamples", code)
        samples = []
        for sample in buffer[: count.value]:
            value = _member(kind.value, sample.sampleValue)
            if value is not None and sample.timeStamp > since_us:
                samples.append((int(sample.timeStamp), value / 1000))
        return samples

    # Limits and settings: reading.

    def power_limit_mw(self, card: Any) -> int:
        """The limit that was asked for."""
        return self._unsigned("nvmlDeviceGetPowerManagementLimit", card)

    def enforced_power_limit_mw(self, card: Any) -> int:
        """The lowest limit in force, whoever set it."""
        return self._unsigned("nvmlDeviceGetEnforcedPowerLimit", card)

    def default_power_limit_mw(self, card: Any) -> int:
        return self._unsigned("nvmlDeviceGetPowerManagementDefaultLimit", card)

    def power_limit_range_mw(self, card: Any) -> tuple[int, int]:
        least, most = c_uint(), c_uint()
        self.call("nvmlDeviceGetPowerManagementLimitConstraints", card, byref(least), byref(most))
        return least.value, most.value

    def supported_memory_clocks_mhz(self, card: Any) -> list[int]:
        return self._clocks("nvmlDeviceGetSupportedMemoryClocks", card)

    def supported_core_clocks_mhz(self, card: Any, memory_clock_mhz: int) -> list[int]:
        return self._clocks("nvmlDeviceGetSupportedGraphicsClocks", card, c_uint(memory_clock_mhz))

    def clock_offset(self, card: Any, kind: int, performance_state: int = 0) -> ClockOffset:
        """Offset of the core or memory clock, by the present call, else by the older one."""
        info = pynvml.c_nvmlClockOffset_t()
        info.version, info.type, info.pstate = pynvml.nvmlClockOffset_v1, kind, performance_state
        info.clockOffsetMHz = info.minClockOffsetMHz = info.maxClockOffsetMHz = SENTINEL
        code = self.code("nvmlDeviceGetClockOffsets", card, byref(info))
        if code == 0:
            values = (info.clockOffsetMHz, info.minClockOffsetMHz, info.maxClockOffsetMHz)
            if SENTINEL in values:
                raise CallFailed("nvmlDeviceGetClockOffsets", NO_DATA)
            return ClockOffset(*values)
        if code not in ABSENT:
            raise CallFailed("nvmlDeviceGetClockOffsets", code)
        domain = "Gpc" if kind == GRAPHICS_CLOCK else "Mem"
        offset, least, most = c_int(SENTINEL), c_int(SENTINEL), c_int(SENTINEL)
        self.call(f"nvmlDeviceGet{domain}ClkVfOffset", card, byref(offset))
        self.call(f"nvmlDeviceGet{domain}ClkMinMaxVfOffset", card, byref(least), byref(most))
        if SENTINEL in (offset.value, least.value, most.value):
            raise CallFailed(f"nvmlDeviceGet{domain}ClkVfOffset", NO_DATA)
        return ClockOffset(offset.value, least.value, most.value)

    # Settings: changing. Each needs privilege, and each raises when the driver refuses.

    def set_power_limit_mw(self, card: Any, limit_mw: int) -> None:
        self.call("nvmlDeviceSetPowerManagementLimit", card, c_uint(limit_mw))

    def lock_core_clocks_mhz(self, card: Any, least_mhz: int, most_mhz: int) -> None:
        self.call("nvmlDeviceSetGpuLockedClocks", card, c_uint(least_mhz), c_uint(most_mhz))

    def unlock_core_clocks(self, card: Any) -> None:
        self.call("nvmlDeviceResetGpuLockedClocks", card)

    def lock_memory_clocks_mhz(self, card: Any, least_mhz: int, most_mhz: int) -> None:
        self.call("nvmlDeviceSetMemoryLockedClocks", card, c_uint(least_mhz), c_uint(most_mhz))

    def unlock_memory_clocks(self, card: Any) -> None:
        self.call("nvmlDeviceResetMemoryLockedClocks", card)

    def set_clock_offset_mhz(self, card: Any, kind: int, offset_mhz: int, performance_state: int = 0) -> None:
        """By the present call; by the older one where the driver does not know the present one."""
        info = pynvml.c_nvmlClockOffset_t()
        info.version, info.type, info.pstate = pynvml.nvmlClockOffset_v1, kind, performance_state
        info.clockOffsetMHz = offset_mhz
        code = self.code("nvmlDeviceSetClockOffsets", card, byref(info))
        if code in (FUNCTION_NOT_FOUND, DEPRECATED):
            domain = "Gpc" if kind == GRAPHICS_CLOCK else "Mem"
            self.call(f"nvmlDeviceSet{domain}ClkVfOffset", card, c_int(offset_mhz))
        elif code:
            raise CallFailed("nvmlDeviceSetClockOffsets", code)

    # Shapes of answers.

    def _unsigned(self, function: str, *arguments: Any) -> int:
        value = c_uint()
        self.call(function, *arguments, byref(value))
        return value.value

    def _text(self, function: str, size: int, *arguments: Any) -> str:
        buffer = (c_char * size)()
        self.call(function, *arguments, buffer, c_uint(size))
        return bytes(buffer.value).decode(errors="replace")

    def _clocks(self, function: str, *arguments: Any) -> list[int]:
        count = c_uint(0)
        code = self.code(function, *arguments, byref(count), None)
        if code == 0 and count.value == 0:
            return []
        if code not in (0, TOO_SMALL):
            raise CallFailed(function, code)
        clocks = (c_uint * count.value)()
        self.call(function, *arguments, byref(count), clocks)
        return [int(clock) for clock in clocks[: count.value]]

    def _processes(self, function: str, card: Any) -> list[CardProcess]:
        count = c_uint(0)
        code = self.code(function, card, byref(count), None)
        if code == 0:
            return []
        if code != TOO_SMALL:
            raise CallFailed(function, code)
        count.value = count.value * 2 + 5  # more may have started meanwhile
        entries = (pynvml.c_nvmlProcessInfo_v3_t * count.value)()
        self.call(function, card, byref(count), entries)
        hidden = (1 << 64) - 1
        return [
            CardProcess(int(e.pid), None if e.usedGpuMemory == hidden else e.usedGpuMemory / 2**20)
            for e in entries[: count.value]
        ]


_MEMBERS = ("dVal", "uiVal", "ulVal", "ullVal", "sllVal", "siVal", "usVal")


def _member(value_type: int, value: Any) -> float | int | None:
    """The union's member that the answer's own type names; None for a type that is not known."""
    if not 0 <= value_type < len(_MEMBERS):
        return None
    member: float | int = getattr(value, _MEMBERS[value_type])
    return member


_loading = threading.Lock()


def _installed_function(name: str) -> Callable[..., int]:
    """A C function of the driver's library. Uses private names of the wheel, whose version is pinned."""
    try:
        with _loading:
            pynvml._LoadNvmlLibrary()
        function: Callable[..., int] = pynvml._nvmlGetFunctionPointer(name)
    except pynvml.NVMLError as error:
        raise CallFailed(name, int(error.value)) from error
    return function
