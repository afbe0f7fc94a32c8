"""The four ways in which an NVIDIA card tells its power, each read by itself: for ``doctor --power``."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from harness.errors import SensorUnavailable
from harness.power_sensor.model import SourceKind
from harness.power_sensor.seam import PowerSource
from harness_plugins.nvml.card import Card
from harness_plugins.nvml.codes import CallFailed

AVERAGED_FIELD, INSTANT_FIELD = 185, 186
_QUICK_S = 0.002
#: The counter is asked less often: one read takes about 4 ms.
_COUNTER_S = 0.008
_BUFFER_S = 0.05
#: Under reads 100 times a second the counter missed less than under 10 (measured, driver 580).
_COUNTER_BURST_S = (1.0, 0.24)

_Values = Callable[[], Sequence[tuple[float | None, float]]]


class NvmlPowerSource:
    """See :class:`harness.power_sensor.seam.PowerSource`."""

    def __init__(
        self, name: str, kind: SourceKind, quantity: str, source: str, period_s: float, values: _Values
    ) -> None:
        self.name = name
        self.kind: SourceKind = kind
        self.quantity = quantity
        self.source = source
        self.period_s = period_s
        self.burst_s = _COUNTER_BURST_S if kind == "counter" else None
        self._values = values

    def read(self) -> Sequence[tuple[float | None, float]]:
        try:
            return self._values()
        except CallFailed as error:
            if error.lost:
                raise SensorUnavailable(f"{self.name}: {error}") from error
            return []


def power_sources_of(card: Card) -> list[PowerSource]:
    """Those that the card answers now."""
    library = card.library

    def field(number: int) -> _Values:
        def values() -> Sequence[tuple[float | None, float]]:
            entry = library.fields(card.handle, [number])[0]
            return [] if entry.code or entry.value is None else [(None, entry.value / 1000)]

        return values

    newest_us = 0

    def buffered() -> Sequence[tuple[float | None, float]]:
        nonlocal newest_us
        samples = library.power_samples(card.handle, newest_us)
        newest_us = max([newest_us, *(stamp_us for stamp_us, _ in samples)])
        return [(stamp_us / 1e6, power_w) for stamp_us, power_w in samples]

    def energy() -> Sequence[tuple[float | None, float]]:
        return [(None, library.energy_mj(card.handle) / 1000)]

    wanted = [
        NvmlPowerSource(
            "energy counter",
            "counter",
            "energy_j",
            "nvmlDeviceGetTotalEnergyConsumption",
            _COUNTER_S,
            energy,
        ),
        NvmlPowerSource(
            "averaged reading",
            "reading",
            "power_average_w",
            f"nvmlDeviceGetFieldValues({AVERAGED_FIELD})",
            _QUICK_S,
            field(AVERAGED_FIELD),
        ),
        NvmlPowerSource(
            "instant reading",
            "reading",
            "power_w",
            f"nvmlDeviceGetFieldValues({INSTANT_FIELD})",
            _QUICK_S,
            field(INSTANT_FIELD),
        ),
        NvmlPowerSource(
            "sample buffer",
            "buffer",
            "power_w",
            "nvmlDeviceGetSamples(total power)",
            _BUFFER_S,
            buffered,
        ),
    ]
    found: list[PowerSource] = []
    for one in wanted:
        try:
            if one.read():
                found.append(one)
        except SensorUnavailable:
            continue
    newest_us = 0
    return found
