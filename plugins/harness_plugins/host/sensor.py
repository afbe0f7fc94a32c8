"""Readings of the machine itself through psutil: processor, memory, load by others."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass

import psutil

from harness.clock import Clock
from harness.processes import own_cpu_s
from harness.rig import Channel, Reading

#: Shortest span over which a load is stated: counters tick at 10 ms on Linux and 15.6 ms on Windows.
LOAD_WINDOW_S = 1.0
_PROCESSOR_CHIPS = ("coretemp", "k10temp", "zenpower", "cpu_thermal")
#: The real temperature first: a Tctl beside a Tdie lies 10 to 27 °C above it (k10temp, see its
#: documentation).
_WHOLE_PACKAGE = ("tctl", "package", "tdie")


@dataclass(frozen=True)
class CpuTimes:
    """CPU seconds since their own origin: of all processors, and of the test's own processes.

    ``total_s`` counts idle time too; ``busy_s`` does not, nor time spent waiting for disks.
    """

    total_s: float
    busy_s: float
    own_s: float


def loads_pct(before: CpuTimes, after: CpuTimes) -> tuple[float | None, float | None]:
    """Load of all processors together, and the part of it by processes outside the test, in %.

    None where no time passed. A process that ended between the two looks takes its CPU time with it unless
    its parent collected it; the part by others is then never stated below 0 nor above the whole.
    """
    total_s = after.total_s - before.total_s
    if total_s <= 0:
        return None, None
    busy_s = min(max(0.0, after.busy_s - before.busy_s), total_s)
    own_s = max(0.0, after.own_s - before.own_s)
    return 100 * busy_s / total_s, 100 * max(0.0, busy_s - own_s) / total_s


def read_cpu_times() -> CpuTimes:
    """The counters now."""
    times = psutil.cpu_times()._asdict()
    # Linux counts a guest's time in user and nice too.
    parts = {name: value for name, value in times.items() if name not in ("guest", "guest_nice")}
    total_s = sum(parts.values())
    idle_s = parts.get("idle", 0.0) + parts.get("iowait", 0.0)
    return CpuTimes(total_s, total_s - idle_s, own_cpu_s())


def processor_temp_c(temperatures: Mapping[str, Sequence[object]]) -> float | None:
    """Processor temperature by ``psutil.sensors_temperatures()``: the package's real one, or the highest."""
    found: list[tuple[int, float]] = []
    for chip in _PROCESSOR_CHIPS:
        for entry in temperatures.get(chip, ()):
            label, current = str(getattr(entry, "label", "")), getattr(entry, "current", None)
            if isinstance(current, int | float) and 0 < current < 150:
                rank = next(
                    (n for n, name in enumerate(_WHOLE_PACKAGE) if label.lower().startswith(name)), -1
                )
                found.append((rank, float(current)))
    return max(found)[1] if found else None


class HostSensor:
    """Sensor ``psutil``. One read of all quantities costs well under 2 ms for 100 processes."""

    name = "psutil"

    def __init__(self, clock: Clock, cpu_times: Callable[[], CpuTimes] = read_cpu_times) -> None:
        self._clock = clock
        self._cpu_times = cpu_times
        self._before = cpu_times()  # the first call of a load function has no span to speak of
        self._before_s = clock.now_s()
        self._loads: tuple[float | None, float | None] = (None, None)
        self._channels = [
            Channel("cpu_load_pct", "psutil.cpu_times", LOAD_WINDOW_S, LOAD_WINDOW_S),
            Channel("foreign_cpu_load_pct", "psutil.Process.cpu_times", LOAD_WINDOW_S, LOAD_WINDOW_S),
            Channel("memory_used_mib", "psutil.virtual_memory", LOAD_WINDOW_S),
        ]
        started_s = time.perf_counter()
        if read_clock_mhz() is not None:
            # With very many processors one look has been seen to take seconds; then look seldom.
            slow = time.perf_counter() - started_s > 0.02
            self._channels.append(
                Channel("cpu_clock_mhz", "psutil.cpu_freq", 10.0 if slow else LOAD_WINDOW_S)
            )
        if read_temp_c() is not None:
            self._channels.append(Channel("cpu_temp_c", "psutil.sensors_temperatures", LOAD_WINDOW_S))

    def channels(self) -> Sequence[Channel]:
        return self._channels

    def read(self, quantities: Collection[str]) -> Mapping[str, Reading]:
        readings: dict[str, Reading] = {}
        if "cpu_load_pct" in quantities or "foreign_cpu_load_pct" in quantities:
            self._renew_loads()
            readings["cpu_load_pct"], readings["foreign_cpu_load_pct"] = self._loads
        if "memory_used_mib" in quantities:
            memory = psutil.virtual_memory()
            readings["memory_used_mib"] = (memory.total - memory.available) / 2**20
        if "cpu_clock_mhz" in quantities:
            readings["cpu_clock_mhz"] = read_clock_mhz()
        if "cpu_temp_c" in quantities:
            readings["cpu_temp_c"] = read_temp_c()
        return {name: value for name, value in readings.items() if name in quantities}

    def _renew_loads(self) -> None:
        now_s = self._clock.now_s()
        if now_s - self._before_s < 0.9 * LOAD_WINDOW_S:
            return
        now = self._cpu_times()
        self._loads = loads_pct(self._before, now)
        self._before, self._before_s = now, now_s

    def close(self) -> None:
        return


def read_clock_mhz() -> float | None:
    """Mean processor clock; None where the system states none. Windows states a fixed one: not a reading."""
    if sys.platform == "win32" or not hasattr(psutil, "cpu_freq"):
        return None
    try:
        frequency = psutil.cpu_freq()
    except (OSError, NotImplementedError, RuntimeError):
        return None
    return float(frequency.current) if frequency is not None and frequency.current > 0 else None


def read_temp_c() -> float | None:
    """Processor temperature; None where psutil has none (it offers none on Windows)."""
    read = getattr(psutil, "sensors_temperatures", None)
    if read is None:
        return None
    try:
        return processor_temp_c(read())
    except OSError:
        return None
