"""Windows: what each process loads on each engine of each graphics adapter, of any maker.

Source: learn.microsoft.com, "PdhOpenQuery", "PdhAddEnglishCounter" (names in English whatever the system's
language), "PdhCollectQueryData", "PdhGetFormattedCounterArray" functions; the counter set "GPU Engine" and
the form of its instances from memory: ``pid_<id>_luid_<high>_<low>_phys_<n>_eng_<n>_engtype_<word>``.
"""

from __future__ import annotations

import ctypes
import re
from collections.abc import Mapping
from typing import Any, Final

from harness.windows.calls import WindowsCalls

COUNTER: Final = r"\GPU Engine(*)\Utilization Percentage"
_MORE_DATA: Final = 0x800007D2
_FORMAT_DOUBLE_NOT_CAPPED: Final = 0x200 | 0x8000
_VALID: Final = (0, 1)  # PDH_CSTATUS_VALID_DATA, PDH_CSTATUS_NEW_DATA
_INSTANCE: Final = re.compile(r"pid_(\d+)_luid_(0x[0-9A-Fa-f]+_0x[0-9A-Fa-f]+)_(phys_\d+_eng_\d+)")

#: Adapter -> engine -> process -> load, %.
EngineLoads = Mapping[str, Mapping[str, Mapping[int, float]]]


class CounterItem(ctypes.Structure):
    """``PDH_FMT_COUNTERVALUE_ITEM_W`` with the value as a double."""

    _fields_ = (
        ("name", ctypes.c_wchar_p),
        ("status", ctypes.c_uint32),
        ("double_value", ctypes.c_double),
    )


class EngineCounters:
    """The counters, open. The first look begins a span; each later one gives the loads since the last.

    Raises:
        OSError: The system offers no such counters.
    """

    def __init__(self, calls: WindowsCalls) -> None:
        self._calls = calls
        query, counter = ctypes.c_void_p(), ctypes.c_void_p()
        self._require("PdhOpenQueryW", None, None, ctypes.addressof(query))
        self._query: Any = query.value
        try:
            self._require("PdhAddEnglishCounterW", self._query, COUNTER, None, ctypes.addressof(counter))
            self._require("PdhCollectQueryData", self._query)
        except OSError:
            self.close()
            raise
        self._counter = counter.value

    def look(self) -> EngineLoads:
        """Loads since the last look. Raises OSError where the system does not tell."""
        self._require("PdhCollectQueryData", self._query)
        size, count = ctypes.c_uint32(0), ctypes.c_uint32(0)
        buffer = None
        for _ in range(4):  # processes come and go between asking for the size and for the values
            code = self._calls(
                "PdhGetFormattedCounterArrayW",
                self._counter,
                _FORMAT_DOUBLE_NOT_CAPPED,
                ctypes.addressof(size),
                ctypes.addressof(count),
                None if buffer is None else ctypes.addressof(buffer),
            )
            if code != _MORE_DATA:
                break
            buffer = ctypes.create_string_buffer(size.value)
        if code or buffer is None:
            if code == 0:
                return {}
            raise OSError(f"PdhGetFormattedCounterArrayW: {code:#x}")
        items = (CounterItem * count.value).from_buffer(buffer)
        return by_adapter({str(i.name): i.double_value for i in items if i.status in _VALID})

    def close(self) -> None:
        """Give them back. Safe to call twice."""
        if self._query is not None:
            self._calls("PdhCloseQuery", self._query)
            self._query = None

    def _require(self, name: str, *arguments: Any) -> None:
        code = self._calls(name, *arguments)
        if code:
            raise OSError(f"{name}: {code:#x}")


def by_adapter(instances: Mapping[str, float]) -> EngineLoads:
    """Loads by the names of their instances; a name of another form is left out."""
    found: dict[str, dict[str, dict[int, float]]] = {}
    for name, load_pct in instances.items():
        parts = _INSTANCE.match(name)
        if parts is not None:
            engine = found.setdefault(parts[2].lower(), {}).setdefault(parts[3], {})
            pid = int(parts[1])
            engine[pid] = engine.get(pid, 0.0) + load_pct
    return found


def loads_of(looks: EngineLoads, ours: frozenset[int]) -> dict[int, float]:
    """Process -> load of its busiest engine, %, on the adapters that our own processes work on; on all
    adapters while ours work on none."""
    working = {
        adapter
        for adapter, engines in looks.items()
        if any(engine.get(pid, 0.0) > 0 for engine in engines.values() for pid in ours)
    }
    found: dict[int, float] = {}
    for adapter in working or set(looks):
        for engine in looks[adapter].values():
            for pid, load_pct in engine.items():
                found[pid] = max(found.get(pid, 0.0), load_pct)
    return found
