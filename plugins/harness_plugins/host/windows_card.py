"""Two sensors of Windows itself, for cards of any maker: load by other programs, and resets of the driver."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Final

from harness.errors import SensorUnavailable
from harness.processes import ProgramNames, own_pids
from harness.rig import Channel, Reading
from harness.telemetry.foreign import ProgramLooks
from harness.windows.calls import WindowsCalls
from harness.windows.engines import EngineCounters, loads_of
from harness.windows.eventlog import Subscription, which

LOADS_PERIOD_S: Final = 2.0
ERRORS_PERIOD_S: Final = 0.5
#: What speaks of the card: event 4101 of ``Display`` ("display driver stopped responding and has successfully
#: recovered", of any maker), and the errors that the makers' own drivers write. From memory.
DRIVER_EVENTS: Final = {"Display": (4101,), "nvlddmkm": (13, 14, 153), "amdwddmg": (), "amdkmdag": ()}


class EngineSensor:
    """Sensor ``engines``: the card's load by programs outside the test, as the system's counters tell it.

    Args:
        calls: The system's calls.
        ours: Ids of the processes of the test.
        name_of: Name of a process.
    Raises:
        OSError: The system has no such counters.
    """

    name = "engines"

    def __init__(
        self,
        calls: WindowsCalls,
        ours: Callable[[], frozenset[int]] = own_pids,
        name_of: Callable[[int], str] | None = None,
    ) -> None:
        self._counters = EngineCounters(calls)
        self._ours = ours
        self._name_of = name_of or ProgramNames()
        self._looks = ProgramLooks()

    def channels(self) -> Sequence[Channel]:
        return [Channel("foreign_gpu_load_pct", "GPU Engine(*), PDH", LOADS_PERIOD_S, LOADS_PERIOD_S)]

    def read(self, quantities: Collection[str]) -> Mapping[str, Reading]:
        ours = self._ours()
        try:
            loads = loads_of(self._counters.look(), ours)
        except OSError as error:
            raise SensorUnavailable(str(error)) from error
        foreign = {pid: load_pct for pid, load_pct in loads.items() if pid not in ours}
        self._looks.add((self._name_of(pid), load_pct) for pid, load_pct in foreign.items() if load_pct > 0)
        return {"foreign_gpu_load_pct": min(100.0, sum(foreign.values()))}

    def programs(self) -> Mapping[str, float | None] | None:
        return self._looks.take()

    def close(self) -> None:
        self._counters.close()


class DriverLogSensor:
    """Sensor ``driver-log``: resets and errors of a graphics driver, as the system's event log tells them.

    Raises:
        OSError: The log can't be listened to.
    """

    name = "driver-log"

    def __init__(self, calls: WindowsCalls) -> None:
        self._events = Subscription(calls, which(DRIVER_EVENTS))
        self._count = 0
        self._latest: int | None = None

    def channels(self) -> Sequence[Channel]:
        source = "event log System"
        return [
            Channel("driver_errors", source, ERRORS_PERIOD_S),
            Channel("driver_error_code", source, ERRORS_PERIOD_S, may_be_empty=True),
        ]

    def read(self, quantities: Collection[str]) -> Mapping[str, Reading]:
        for event in self._events.take():
            self._count += 1
            self._latest = event.number
        found = {"driver_errors": self._count, "driver_error_code": self._latest}
        return {name: value for name, value in found.items() if name in quantities}

    def close(self) -> None:
        self._events.close()
