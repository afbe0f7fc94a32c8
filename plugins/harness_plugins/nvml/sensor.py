"""Sensor ``nvml``: what an NVIDIA card reports of itself.

What is read how, as measured on a data-centre card (driver 580): power, clocks, temperatures and energy
change ten times a second; a read costs 0.05 to 0.15 ms, the energy counter 4 ms. A counter loses nothing
between two reads, so it is read twice a second only. The driver also keeps a power reading every 20 ms; the
mean of those since the last row misses nothing, where one instant reading in 100 ms sees a fifth of a
changing load. Where that buffer exists ``power_w`` comes from it.
"""

from __future__ import annotations

import dataclasses
import functools
import threading
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

import tenacity

from harness.errors import SensorUnavailable
from harness.processes import ProgramNames, is_ours
from harness.rig import Channel, Reading
from harness.telemetry.foreign import ProgramLooks
from harness_plugins.nvml.card import Card
from harness_plugins.nvml.codes import INVALID_ARGUMENT, NO_PERMISSION, UNKNOWN, CallFailed
from harness_plugins.nvml.errors import DriverErrors
from harness_plugins.nvml.library import GRAPHICS_CLOCK, MEMORY_CLOCK, MEMORY_TEMP_FIELD, FieldValue

REFRESH_S = 0.1
ENERGY_PERIOD_S = 0.5
ERRORS_PERIOD_S = 0.5
SLOW_PERIOD_S = 2.0
#: Longest stretch of the driver's power buffer that one row may stand for.
BUFFER_SPAN_S = 2.0
#: Of a fan's speed. Source: nvml.h on nvmlDeviceGetFanSpeed_v2 and nvmlDeviceGetFanSpeedRPM, from memory: the
#: reported speed is the intended one; a fan that is blocked does not show.
INTENDED = "the speed that the driver intends, not a measured one"
#: From this architecture on the plain power reading is an average over one second (NVML API reference).
FIRST_AVERAGING_ARCHITECTURE = 7


@dataclass(frozen=True)
class _Field:
    """A quantity that comes from the batch call."""

    quantity: str
    field_id: int
    scale: float
    period_s: float = REFRESH_S
    window_s: float | None = None
    resolution: float | None = None

    def channel(self, device: str) -> Channel:
        source = f"nvmlDeviceGetFieldValues({self.field_id})"
        return Channel(self.quantity, source, self.period_s, self.window_s, self.resolution, device=device)


@dataclass(frozen=True)
class _Call:
    """A quantity that has a call of its own."""

    channel: Channel
    read: Callable[[], Reading]


_FIELDS = (
    _Field("power_average_w", 185, 1e-3, window_s=1.0, resolution=1e-3),
    _Field("memory_temp_c", MEMORY_TEMP_FIELD, 1.0, resolution=1.0),
    _Field("energy_j", 83, 1e-3, ENERGY_PERIOD_S, resolution=1e-3),
    _Field("power_limit_w", 190, 1e-3, SLOW_PERIOD_S, resolution=1e-3),
)
_INSTANT_POWER = _Field("power_w", 186, 1e-3, window_s=0.0, resolution=1e-3)


class NvmlSensor:
    """See :class:`harness.rig.Sensor`. A read of a full row costs 0.7 ms, with the energy counter 5 ms.

    Args:
        card: The open card.
        ours: Tells of a process id whether it belongs to the test (this program or what it started).
        settle_s: Pause between tries to find a lost card again, doubling up to 30 s.
    """

    def __init__(
        self, card: Card, ours: Callable[[int], bool | None] | None = None, settle_s: float = 0.5
    ) -> None:
        self.name = "nvml"
        self._card = card
        self._ours = ours or is_ours
        self._name_of = ProgramNames()
        self._names, self._loads = ProgramLooks(), ProgramLooks()
        self._loaded_us = 0
        self._settle_s = settle_s
        self._closed = threading.Event()
        self._searching: threading.Thread | None = None
        self._sampled_us = 0
        self._fields: dict[str, _Field] = {}
        self._calls: dict[str, _Call] = {}
        self._errors: DriverErrors | None = None
        self._find_channels()

    def channels(self) -> Sequence[Channel]:
        device = self._card.device
        calls = [dataclasses.replace(call.channel, device=device) for call in self._calls.values()]
        return [field.channel(device) for field in self._fields.values()] + calls

    def read(self, quantities: Collection[str]) -> Mapping[str, Reading]:
        if self._searching is not None:
            raise SensorUnavailable(f"{self._card.uuid} does not answer; looking for it")
        found: dict[str, Reading] = {}
        try:
            fields = [self._fields[q] for q in quantities if q in self._fields]
            if fields:
                self._read_fields(fields, found)
            for quantity in quantities:
                call = self._calls.get(quantity)
                if call is not None:
                    found[quantity] = self._read_call(call)
        except CallFailed as error:
            self._search()
            raise SensorUnavailable(f"{error}; looking for the card again") from error
        return found

    def close(self) -> None:
        self._closed.set()
        if self._searching is not None and self._searching is not threading.current_thread():
            self._searching.join(timeout=5)

    def _read_fields(self, fields: Sequence[_Field], found: dict[str, Reading]) -> None:
        """One batch. A failed entry is left out; raises CallFailed when the card is lost."""
        function = "nvmlDeviceGetFieldValues"
        for field, entry in zip(fields, self._batch(fields), strict=True):
            if entry.code == 0 and entry.value is not None:
                found[field.quantity] = entry.value * field.scale
            elif CallFailed(function, entry.code).lost:
                raise CallFailed(function, entry.code)

    def _batch(self, fields: Sequence[_Field]) -> list[FieldValue]:
        try:
            return self._card.library.fields(self._card.handle, [f.field_id for f in fields])
        except CallFailed as error:
            if error.lost:
                raise
            return [FieldValue(error.code, None)] * len(fields)

    def _read_call(self, call: _Call) -> Reading:
        try:
            return call.read()
        except CallFailed as error:
            if error.lost:
                raise
            if error.absent:
                self._calls.pop(call.channel.quantity, None)  # don't ask again
            return None

    def _find_channels(self) -> None:
        """Ask for everything once; what the card or its driver lacks is not offered."""
        card, library = self._card, self._card.library
        wanted = (*_FIELDS, _INSTANT_POWER)
        for field, entry in zip(wanted, self._batch(wanted), strict=True):
            if entry.code == 0 and entry.value is not None:
                self._fields[field.quantity] = field
        if self._has_power_buffer():
            self._fields.pop("power_w", None)
            source = "nvmlDeviceGetSamples(total power), mean since the row before"
            self._offer(Channel("power_w", source, REFRESH_S, REFRESH_S, 1e-3), self._buffered_power_w)
        elif not {"power_w", "power_average_w"} & self._fields.keys():
            averaging = (card.ask("architecture") or 0) >= FIRST_AVERAGING_ARCHITECTURE
            quantity, window_s = ("power_average_w", 1.0) if averaging else ("power_w", 0.0)
            self._offer(
                Channel(quantity, "nvmlDeviceGetPowerUsage", REFRESH_S, window_s, 1e-3),
                lambda: library.power_mw(card.handle) / 1000,
            )
        if "energy_j" not in self._fields:
            self._offer(
                Channel("energy_j", "nvmlDeviceGetTotalEnergyConsumption", ENERGY_PERIOD_S, None, 1e-3),
                lambda: library.energy_mj(card.handle) / 1000,
            )
        self._offer(
            Channel("core_temp_c", "nvmlDeviceGetTemperatureV(core)", REFRESH_S, None, 1.0),
            lambda: library.core_temp_c(card.handle),
        )
        for quantity, kind, word in (
            ("core_clock_mhz", GRAPHICS_CLOCK, "graphics"),
            ("memory_clock_mhz", MEMORY_CLOCK, "memory"),
        ):
            self._offer(
                Channel(quantity, f"nvmlDeviceGetClockInfo({word})", REFRESH_S, None, 1.0),
                functools.partial(self._clock_mhz, kind),
            )
        self._offer(
            Channel("limit_reasons", "nvmlDeviceGetCurrentClocksEventReasons", REFRESH_S),
            lambda: library.limit_reasons(card.handle),
        )
        self._offer(
            Channel("gpu_load_pct", "nvmlDeviceGetUtilizationRates", REFRESH_S, None, 1.0),
            lambda: library.load_pct(card.handle),
        )
        self._offer(
            Channel("gpu_memory_used_mib", "nvmlDeviceGetMemoryInfo", 1.0),
            lambda: library.memory_mib(card.handle)[0],
        )
        self._offer(
            Channel("foreign_gpu_processes", "nvmlDeviceGet…RunningProcesses", SLOW_PERIOD_S),
            self._foreign_processes,
        )
        self._offer(
            Channel(
                "foreign_gpu_load_pct", "nvmlDeviceGetProcessUtilization", SLOW_PERIOD_S, SLOW_PERIOD_S, 1.0
            ),
            self._foreign_load_pct,
        )
        self._errors = self._listen_for_errors()
        fans = range(card.ask("fan_count") or 0)
        if fans:
            self._offer(
                Channel("fan_pct", "nvmlDeviceGetFanSpeed_v2", REFRESH_S, None, 1.0, note=INTENDED),
                lambda: sum(library.fan_pct(card.handle, fan) for fan in fans) / len(fans),
            )
            self._offer(
                Channel("fan_rpm", "nvmlDeviceGetFanSpeedRPM", REFRESH_S, None, 1.0, note=INTENDED),
                lambda: sum(library.fan_rpm(card.handle, fan) for fan in fans) / len(fans),
            )

    def _offer(self, channel: Channel, read: Callable[[], Reading]) -> None:
        """Offer a quantity if the card answers for it."""
        try:
            read()
        except CallFailed as error:
            if error.absent or error.code in (INVALID_ARGUMENT, NO_PERMISSION, UNKNOWN):
                return
            if error.lost:
                raise
        self._calls[channel.quantity] = _Call(channel, read)

    def _clock_mhz(self, kind: int) -> Reading:
        return self._card.library.clock_mhz(self._card.handle, kind)

    def _listen_for_errors(self) -> DriverErrors | None:
        try:
            errors = DriverErrors(self._card)
        except CallFailed as error:
            if error.lost:
                raise
            return None
        source = "nvmlEventSetWait_v2(critical errors)"
        self._offer(Channel("driver_errors", source, ERRORS_PERIOD_S), errors.take)
        self._offer(
            Channel("driver_error_code", source, ERRORS_PERIOD_S, may_be_empty=True),
            lambda: errors.latest_code,
        )
        return errors

    def _has_power_buffer(self) -> bool:
        try:
            samples = self._card.library.power_samples(self._card.handle, 0)
        except CallFailed as error:
            if error.lost:
                raise
            return False
        if len(samples) < 2:
            return False
        spacing_s = (samples[-1][0] - samples[0][0]) / (len(samples) - 1) / 1e6
        return 0 < spacing_s <= REFRESH_S / 2

    def _buffered_power_w(self) -> Reading:
        """Mean of the driver's own readings since the last call; None where it has none yet."""
        samples = self._card.library.power_samples(self._card.handle, self._sampled_us)
        if not samples:
            return None
        newest_us = samples[-1][0]
        span_s = BUFFER_SPAN_S if self._sampled_us else REFRESH_S
        fresh = [power_w for stamp_us, power_w in samples if stamp_us > newest_us - span_s * 1e6]
        self._sampled_us = newest_us
        return sum(fresh) / len(fresh)

    def _foreign_processes(self) -> Reading:
        """Processes that are here and not ours; those of another name space can't be told and don't count."""
        foreign = self._foreign(p.process_id for p in self._card.library.processes(self._card.handle))
        self._names.add((self._name_of(pid), None) for pid in foreign)
        return len(foreign)

    def _foreign_load_pct(self) -> Reading:
        """Load by the same, as the driver's own samples since the last look tell it, the highest of each."""
        samples = self._card.library.process_loads(self._card.handle, self._loaded_us)
        self._loaded_us = max([self._loaded_us, *(stamp_us for _, stamp_us, _ in samples)])
        loads: dict[int, float] = {}
        for pid, _, load_pct in samples:
            loads[pid] = max(loads.get(pid, 0.0), load_pct)
        foreign = self._foreign(loads)
        self._loads.add((self._name_of(pid), loads[pid]) for pid in foreign)
        return min(100.0, sum(loads[pid] for pid in foreign))

    def _foreign(self, pids: Iterable[int]) -> list[int]:
        return [pid for pid in pids if self._ours(pid) is False]

    def programs(self) -> Mapping[str, float | None] | None:
        names, loads = self._names.take(), self._loads.take()
        if loads is None:
            return names
        return {**dict.fromkeys(names or (), 0.0), **loads}

    def _search(self) -> None:
        if self._searching is None and not self._closed.is_set():
            self._searching = threading.Thread(target=self._find_again, name="levelrig-nvml", daemon=True)
            self._searching.start()

    def _find_again(self) -> None:
        """Look for the card until it answers or the sensor is closed; the night goes on meanwhile."""
        retry = tenacity.Retrying(
            retry=tenacity.retry_if_exception_type(CallFailed),
            wait=tenacity.wait_exponential(multiplier=self._settle_s, min=self._settle_s, max=30),
            stop=tenacity.stop_when_event_set(self._closed),
            sleep=tenacity.sleep_using_event(self._closed),
        )
        try:
            retry(self._reopen)
        except tenacity.RetryError:
            return
        self._sampled_us = 0
        self._searching = None

    def _reopen(self) -> None:
        self._card.reopen()
        if self._errors is None:
            return
        try:
            self._errors.listen()
        except CallFailed as error:
            if error.lost:
                raise
