"""The rig's sensors, with the flaws of real ones.

Whole degrees, a 10 Hz refresh (the machine's own step), an averaged power window, a read that costs time,
reads that now and then give nothing, and a loss of the whole source after a driver reset. With
``power_look_s`` the card looks at its power only now and then, so that capped frames are seen at one phase.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any

from harness.clock import Clock
from harness.power_sensor.model import PowerSensorModel
from harness.rig import Channel, Reading

from .chance import generator
from .machine import Machine
from .options import SensorFlaws
from .titles import STEP_S

_POOL = 8192


class _Wanted:
    """Which readers some quantities need; the sampler asks for the same ones ten times a second."""

    def __init__(self, readers: Mapping[str, Callable[[Machine], Reading]]) -> None:
        self._readers = readers
        self._asked: tuple[str, ...] = ()
        self._found: list[tuple[str, Callable[[Machine], Reading]]] = []

    def readers(self, quantities: Collection[str]) -> list[tuple[str, Callable[[Machine], Reading]]]:
        """In the order of the quantities; unknown ones are left out."""
        if quantities is not self._asked:
            self._asked = tuple(quantities)
            self._found = [(name, self._readers[name]) for name in self._asked if name in self._readers]
        return self._found


class CardSensor:
    """All readings of the card and of the air around it. One read costs ``flaws.read_cost_s``."""

    name = "simulated:card"

    def __init__(self, machine: Machine, clock: Clock, flaws: SensorFlaws, seed: int) -> None:
        self._machine = machine
        self._clock = clock
        self._flaws = flaws
        rng = generator(seed, "sensor")
        self._power_noise: list[float] = (1 + rng.normal(0, flaws.power_noise_pct / 100, _POOL)).tolist()
        self._jitter: list[float] = rng.lognormal(0.0, 0.25, _POOL).tolist()
        self._dropped: list[bool] = (rng.random(_POOL) < flaws.dropped_read_pct / 100).tolist()
        self._reads = int(rng.integers(_POOL))
        self._readers = self._make_readers()
        self._wanted = _Wanted(self._readers)

    def _make_readers(self) -> dict[str, Callable[[Machine], Reading]]:
        card, flaws = self._machine.card, self._flaws
        noise = self._power_noise

        def degrees(value_c: float) -> float:
            return float(int(value_c)) if flaws.whole_degrees else value_c

        readers: dict[str, Callable[[Machine], Reading]] = {
            "power_w": lambda m: round(m.seen_power_w * noise[m.steps % _POOL], 3),
            "power_average_w": lambda m: round(m.power_average_w, 3),
            "energy_j": lambda m: round(m.seen_energy_j, 3),
            "core_temp_c": lambda m: degrees(m.core_c),
            "core_clock_mhz": lambda m: m.clock_mhz,
            "memory_clock_mhz": lambda m: m.memory_clock_mhz,
            "core_voltage_mv": lambda m: m.voltages_mv[m.index],
            "gpu_load_pct": lambda m: float(round(m.load_pct)),
            "gpu_memory_used_mib": lambda m: 600.0 + (m.run.character.memory_mib if m.run else 0.0),
            "limit_reasons": lambda m: m.reasons,
            "power_limit_w": lambda m: m.power_limit_w,
            "foreign_gpu_processes": lambda m: 0,
        }
        if card.hotspot_k_per_w is not None:
            hotspot = card.hotspot_k_per_w
            readers["hotspot_temp_c"] = lambda m: degrees(m.core_c + hotspot * m.power_w)
        if card.memory_k_per_w is not None:
            memory = card.memory_k_per_w
            readers["memory_temp_c"] = lambda m: degrees(m.cooler_c + memory * m.power_w)
        if card.cooling.full_rpm is not None:
            full_rpm = card.cooling.full_rpm
            readers["fan_pct"] = lambda m: float(round(m.fan_pct))
            readers["fan_rpm"] = lambda m: float(round(m.fan_pct / 100 * full_rpm, -1))
            readers["sound_level_dba"] = lambda m: round(card.cooling.sound_level_dba(m.fan_pct), 1)
        if flaws.ambient:
            readers["ambient_temp_c"] = lambda m: round(m.ambient_c * 16) / 16
        if flaws.wall_power:
            readers["wall_power_w"] = lambda m: round(m.wall_power_w, 1)
            readers["wall_energy_j"] = lambda m: round(m.wall_energy_j, 1)
        return readers

    def channels(self) -> Sequence[Channel]:
        windows = {"power_average_w": self._flaws.power_window_s}
        resolutions = {"core_temp_c": 1.0, "hotspot_temp_c": 1.0, "memory_temp_c": 1.0}
        return [
            Channel(
                quantity,
                "simulated rig",
                period_s=STEP_S,
                window_s=windows.get(quantity),
                resolution=resolutions.get(quantity) if self._flaws.whole_degrees else None,
            )
            for quantity in self._readers
        ]

    def read(self, quantities: Collection[str]) -> Mapping[str, Reading]:
        machine = self._machine
        machine.advance(self._clock.now_s())
        machine.check_sensors()
        self._reads += 1
        at = self._reads % _POOL
        values = {name: read(machine) for name, read in self._wanted.readers(quantities)}
        if self._flaws.read_cost_s:
            self._clock.sleep_s(self._flaws.read_cost_s * self._jitter[at])
        return {} if self._dropped[at] else values

    def close(self) -> None:
        """Nothing to give back."""


def power_sensor_model(
    card: str, flaws: SensorFlaws, rhythm_s: float, off_w: float, on_w: float
) -> PowerSensorModel:
    """How the card's sources see its power: the counter every look, the reading the last of each step."""
    every: dict[str, Any] = {
        "rhythm_s": rhythm_s,
        "look_s": flaws.power_look_width_s,
        "delay_s": 0.0,
        "rhythm_u": 1e-5,
    }
    sources: list[dict[str, Any]] = [
        {"name": "energy counter", "kind": "counter", "quantity": "energy_j", "span_s": STEP_S, **every},
        {"name": "averaged reading", "kind": "reading", "quantity": "power_average_w"}
        | {"span_s": flaws.power_window_s, **every},
        {"name": "instant reading", "kind": "reading", "quantity": "power_w", "span_s": 0.0, **every}
        | {"rhythm_s": STEP_S},
    ]
    return PowerSensorModel.model_validate(
        {
            "card": card,
            "driver_version": "simulated",
            "measured_utc": "simulated",
            "off_w": round(off_w, 1),
            "on_w": round(on_w, 1),
            "sources": [{**one, "source": "simulated rig", "refresh_s": STEP_S} for one in sources],
        }
    )


class HostSensor:
    """Readings of the processor and of foreign load. A read costs nothing."""

    name = "simulated:host"

    def __init__(self, machine: Machine, clock: Clock) -> None:
        self._machine = machine
        self._clock = clock
        self._wanted = _Wanted(_HOST_READERS)

    def channels(self) -> Sequence[Channel]:
        return [Channel(quantity, "simulated rig", period_s=STEP_S) for quantity in _HOST_READERS]

    def read(self, quantities: Collection[str]) -> Mapping[str, Reading]:
        machine = self._machine
        machine.advance(self._clock.now_s())
        return {name: read(machine) for name, read in self._wanted.readers(quantities)}

    def close(self) -> None:
        """Nothing to give back."""


_HOST_READERS: dict[str, Callable[[Machine], Reading]] = {
    "cpu_load_pct": lambda m: round(m.cpu_load_pct, 1),
    "cpu_clock_mhz": lambda m: round(5200.0 - 4.0 * m.cpu_load_pct),
    "cpu_temp_c": lambda m: round(m.cpu_temp_c, 1),
    "cpu_power_w": lambda m: round(m.cpu_power_w, 2),
    "cpu_energy_j": lambda m: round(m.cpu_energy_j, 3),
    "memory_used_mib": lambda m: 9000.0 if m.run else 5200.0,
    "foreign_cpu_load_pct": lambda m: round(m.foreign_cpu_load_pct, 1),
}
