"""Power and energy, of the card, the processor and the whole rig."""

from __future__ import annotations

from typing import Final

from harness.columns import Column
from harness.metrics.definition import ComparedMetric, Metric
from harness.metrics.inputs import Telemetry

#: Quantities any of which gives the card's power.
CARD_POWER: Final = ("energy_j", "power_w", "power_average_w")


def card_counter_w(window: Telemetry) -> float | None:
    """Mean power of the card by its energy counter."""
    return window.mean_rate("energy_j")


def card_integral_w(window: Telemetry) -> float | None:
    """The same by readings of power: instantaneous ones where there are any, else the driver's averages."""
    power_w = window.mean("power_w")
    return power_w if power_w is not None else window.mean("power_average_w")


def card_power_w(window: Telemetry) -> float | None:
    """Mean power of the card: by the best source for this title, its counter unless that is known worse."""
    source = window.card_source()
    if source is None:
        return None
    return window.mean_rate(source) if source == "energy_j" else window.mean(source)


def card_energy_j(window: Telemetry) -> float | None:
    """Energy of the card over the window."""
    return _times(card_power_w(window), window.duration_s)


def _by_reading_w(window: Telemetry) -> float | None:
    return window.mean("power_w")


def _by_average_w(window: Telemetry) -> float | None:
    return window.mean("power_average_w")


def _times(power_w: float | None, duration_s: float) -> float | None:
    return None if power_w is None else power_w * duration_s


def _energy_per_frame_j(window: Telemetry) -> float | None:
    energy_j = card_energy_j(window)
    return energy_j / window.frame_count if energy_j is not None and window.frame_count else None


def _fps_per_w(window: Telemetry) -> float | None:
    power_w = card_power_w(window)
    return window.average_fps / power_w if window.average_fps is not None and power_w else None


MEAN_POWER: Final = ComparedMetric(
    name="mean_power_w", unit="W", meaning="mean power of the card over the window: energy / time",
    label="mean power", of_telemetry=card_power_w, reads=CARD_POWER,
    scale="ratio", better="lower", up="more", down="less",
    says_up="{p} draws more power than {r}",
    says_down="{p} draws less power than {r}",
    says_same="{p} draws the same power as {r}",
    group="power", role="power", where="of the card", paid_for="the card only", paid_rank=1,
    headed="power", assumed_scatter=0.012, instruments=("power_w",), sensed="mean_power_w",
    shown=frozenset({"comparison-table", "levels-table", "closing-table", "outlook", "drift"}),
    definition="energy over the window / its length; by the card's energy counter where it has one, or by "
    "the averaged reading where the card's model says that its sensor sees this title's rhythm better.",
)  # fmt: skip

ENERGY_PER_FRAME: Final = ComparedMetric(
    name="energy_per_frame_j", unit="J", meaning="energy / frames", label="energy per frame",
    of_telemetry=_energy_per_frame_j, reads=CARD_POWER,
    scale="ratio", better="lower", up="more", down="less",
    says_up="{p} needs more energy per frame than {r}",
    says_down="{p} needs less energy per frame than {r}",
    says_same="{p} needs the same energy per frame as {r}",
    group="power", instruments=("power_w",), instrument_reads="mean_power_w",
    sensed="mean_power_w",
)  # fmt: skip

FPS_PER_W: Final = ComparedMetric(
    name="fps_per_w", unit="1/J", meaning="average FPS / mean power", label="FPS per watt",
    of_telemetry=_fps_per_w, reads=CARD_POWER,
    scale="ratio", better="higher", up="more efficient", down="less efficient",
    says_up="{p} is more efficient than {r}",
    says_down="{p} is less efficient than {r}",
    says_same="{p} is as efficient as {r}",
    group="power", headed="FPS/W", instruments=("power_w",), instrument_reads="mean_power_w",
    sensed="mean_power_w",
    shown=frozenset({"comparison-table", "campaigns-chart", "levels-table", "closing-table", "outlook"}),
    definition="average FPS / mean power, both over the same window: frames per joule.",
)  # fmt: skip

POWER_METRICS: Final[tuple[Metric | Column, ...]] = (
    MEAN_POWER,
    Metric(
        name="energy_j",
        unit="J",
        meaning="energy of the card over the window, by the source named next",
        of_telemetry=card_energy_j,
        reads=CARD_POWER,
    ),
    Column("energy_source", "text", "", "counter, integral of power, or averaged reading"),
    Metric(
        name="energy_counter_j",
        unit="J",
        meaning="energy by the card's counter",
        of_telemetry=lambda window: _times(card_counter_w(window), window.duration_s),
        reads=("energy_j",),
    ),
    Metric(
        name="energy_integral_j",
        unit="J",
        meaning="energy by the trapezoid rule over power samples",
        of_telemetry=lambda window: _times(card_integral_w(window), window.duration_s),
        reads=("power_w", "power_average_w"),
    ),
    ENERGY_PER_FRAME,
    FPS_PER_W,
    ComparedMetric(
        name="mean_wall_power_w", unit="W", meaning="mean power of the whole rig at the wall",
        label="mean power at the wall", reads=("wall_energy_j", "wall_power_w"),
        of_telemetry=lambda window: window.mean_power("wall_energy_j", "wall_power_w"),
        scale="ratio", better="lower", up="more", down="less",
        says_up="{p} draws more power at the wall than {r}",
        says_down="{p} draws less power at the wall than {r}",
        says_same="{p} draws the same power at the wall as {r}",
        group="power", role="power", role_rank=2, where="at the wall", paid_for="the whole rig",
        instruments=("wall_power_w",),
    ),
    ComparedMetric(
        name="mean_cpu_power_w", unit="W", meaning="mean power of the processor package",
        label="mean processor power", reads=("cpu_energy_j", "cpu_power_w"),
        of_telemetry=lambda window: window.mean_power("cpu_energy_j", "cpu_power_w"),
        scale="ratio", better="lower", up="more", down="less",
        says_up="{p} draws more processor power than {r}",
        says_down="{p} draws less processor power than {r}",
        says_same="{p} draws the same processor power as {r}",
        group="power", role="power", role_rank=1, where="of the processor",
        paid_for="the processor only", paid_rank=2, instruments=("cpu_power_w",),
    ),
    *(
        Metric(name=name, unit="W", meaning=meaning, reads=(quantity,), of_telemetry=formula, at_end=True)
        for name, meaning, quantity, formula in (
            ("power_by_counter_w", "mean power by the card's energy counter", "energy_j", card_counter_w),
            ("power_by_reading_w", "mean power by its readings", "power_w", _by_reading_w),
            ("power_by_average_w", "mean power by its averages", "power_average_w", _by_average_w),
        )
    ),
    Metric(
        name="power_u_w", unit="W", at_end=True, reads=CARD_POWER,
        meaning="standard uncertainty of mean_power_w: the window's edges, sampling, and the larger of the "
        "rhythm and what sources disagree by; without the accuracy that the plan states",
        of_telemetry=lambda window: window.card_u_w(),
    ),
    Metric(
        name="power_sensor_u_w", unit="W", at_end=True, reads=CARD_POWER,
        meaning="what of it repeats don't average out: the larger of the rhythm and of what sources that "
        "should agree disagree by; 0 for neither",
        of_telemetry=lambda window: window.card_sensor_u_w(),
    ),
    Metric(
        name="power_rhythm_u_w", unit="W", at_end=True, reads=CARD_POWER,
        meaning="what of it comes from the frames' rhythm against that by which the sensor looks; null where "
        "the card's is not known",
        of_telemetry=lambda window: window.card_rhythm_u_w(),
    ),
)  # fmt: skip
