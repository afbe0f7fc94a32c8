"""Temperatures, clocks, fans, sound and loads over the window."""

from __future__ import annotations

from typing import Final

from harness.columns import Column
from harness.metrics.definition import ComparedMetric, Metric, Place
from harness.metrics.inputs import Telemetry


def mean_of(quantity: str, unit: str, meaning: str) -> Metric:
    """The mean of a quantity over the window, under the name ``mean_<quantity>``."""
    return Metric(
        name=f"mean_{quantity}",
        unit=unit,
        meaning=meaning,
        of_telemetry=lambda window: window.mean(quantity),
        reads=(quantity,),
    )


def _mean_temperature(
    quantity: str, meaning: str, label: str, where: str, *shown: Place, rank: int = 1
) -> ComparedMetric:
    return ComparedMetric(
        name=f"mean_{quantity}", unit="°C", meaning=meaning, label=label, reads=(quantity,),
        of_telemetry=lambda window: window.mean(quantity),
        scale="difference", better="lower", up="warmer", down="cooler",
        says_up=f"{{p}} runs warmer than {{r}} {where}",
        says_down=f"{{p}} runs cooler than {{r}} {where}",
        says_same=f"{{p}} runs as warm as {{r}} {where}",
        margin="k", group="temperature", rank=rank, instruments=(quantity,), shown=frozenset(shown),
        role="temperature" if quantity == "cpu_temp_c" else None, role_rank=2,
    )  # fmt: skip


def _above_ambient_k(window: Telemetry) -> float | None:
    end_c, ambient_c = window.end_mean("core_temp_c"), window.mean("ambient_temp_c")
    return None if end_c is None or ambient_c is None else end_c - ambient_c


END_CORE_TEMP: Final = ComparedMetric(
    name="end_core_temp_c", unit="°C", meaning="mean core temperature over the window's last quarter",
    label="core temperature at the end", reads=("core_temp_c",),
    of_telemetry=lambda window: window.end_mean("core_temp_c"),
    scale="difference", better="lower", up="warmer", down="cooler",
    says_up="{p} runs warmer than {r}",
    says_down="{p} runs cooler than {r}",
    says_same="{p} runs as warm as {r}",
    margin="k", group="temperature", rank=0, role="temperature", role_rank=1, headed="core temp.",
    instruments=("core_temp_c",),
    shown=frozenset({"levels-table", "closing-table", "outlook", "drift"}),
)  # fmt: skip

ABOVE_AMBIENT: Final = ComparedMetric(
    name="core_above_ambient_k", unit="K", meaning="end core temperature less mean ambient temperature",
    label="core temperature above ambient", reads=("core_temp_c",), of_telemetry=_above_ambient_k,
    scale="difference", better="lower", up="warmer", down="cooler",
    says_up="{p} runs warmer than {r} above ambient",
    says_down="{p} runs cooler than {r} above ambient",
    says_same="{p} runs as warm as {r} above ambient",
    margin="k", group="temperature", rank=0, role="temperature", role_rank=0,
    instruments=("core_temp_c", "ambient_temp_c"), instrument_reads="end_core_temp_c",
    shown=frozenset({"levels-table"}),
    definition="mean of the window's last quarter less mean ambient temperature.",
)  # fmt: skip

SOUND_LEVEL: Final = ComparedMetric(
    name="mean_sound_level_dba", unit="dB(A)", meaning="energy-mean sound level over the window",
    label="sound level", reads=("sound_level_dba",),
    of_telemetry=lambda window: window.mean_level("sound_level_dba"),
    scale="difference", better="lower", up="louder", down="quieter",
    says_up="{p} is louder than {r}",
    says_down="{p} is quieter than {r}",
    says_same="{p} is as loud as {r}",
    margin="db", group="sound", role="sound", instruments=("sound_level_dba",),
    shown=frozenset({"levels-table"}),
)  # fmt: skip

CONDITION_METRICS: Final[tuple[Metric | Column, ...]] = (
    mean_of("core_temp_c", "°C", "mean core temperature over the window"),
    Metric(
        name="max_core_temp_c",
        unit="°C",
        meaning="highest core temperature in the window",
        of_telemetry=lambda window: window.highest("core_temp_c"),
        reads=("core_temp_c",),
    ),
    END_CORE_TEMP,
    _mean_temperature(
        "hotspot_temp_c",
        "mean hotspot temperature over the window",
        "mean hotspot temperature",
        "at the hotspot",
    ),
    _mean_temperature(
        "memory_temp_c",
        "mean memory temperature over the window",
        "mean memory temperature",
        "in its memory",
    ),
    mean_of("ambient_temp_c", "°C", "mean ambient temperature over the window"),
    ABOVE_AMBIENT,
    mean_of("core_clock_mhz", "MHz", "mean core clock over the window"),
    mean_of("memory_clock_mhz", "MHz", "mean memory clock over the window"),
    mean_of("core_voltage_mv", "mV", "mean core voltage over the window"),
    mean_of("fan_pct", "%", "mean fan command over the window"),
    mean_of("fan_rpm", "1/min", "mean fan speed over the window"),
    SOUND_LEVEL,
    mean_of("gpu_load_pct", "%", "mean load of the card over the window"),
    mean_of("cpu_load_pct", "%", "mean processor load over the window"),
    mean_of("cpu_clock_mhz", "MHz", "mean processor clock over the window"),
    _mean_temperature(
        "cpu_temp_c",
        "mean processor temperature over the window",
        "mean processor temperature",
        "in the processor",
        "levels-table",
    ),
    mean_of("foreign_cpu_load_pct", "%", "mean processor load by others over the window"),
)
