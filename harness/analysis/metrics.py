"""The metrics that are compared: scale, direction and plain words for each.

A metric is compared as a ratio (analysed on the log scale) or, where zero is arbitrary (temperature, sound
level), as a difference in its own unit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Scale = Literal["ratio", "difference"]
Better = Literal["higher", "lower"]


@dataclass(frozen=True)
class Metric:
    """One metric of a repeat.

    Attributes:
        name: Column of ``harness.tables.ATTEMPTS``, or ``speed`` (see :data:`SPEED`).
        label: What a reader calls it.
        unit: Unit of the metric itself.
        scale: How two profiles are compared on it.
        better: Which way is better.
        up, down: Decision words for a higher and a lower value.
        says_up, says_down, says_same: Sentences with ``{p}`` (profile) and ``{r}`` (reference).
        margin: Which margin of the settings decides ``same``.
        group: Heading under which a report shows it.
    """

    name: str
    label: str
    unit: str
    scale: Scale
    better: Better
    up: str
    down: str
    says_up: str
    says_down: str
    says_same: str
    margin: Literal["pct", "k", "db"] = "pct"
    group: Literal["speed", "power", "temperature", "sound"] = "speed"

    @property
    def difference_unit(self) -> str:
        """Unit of a comparison: none for a ratio, K between temperatures, dB between levels."""
        return {"pct": "", "k": "K", "db": "dB"}[self.margin]


def _low(name: str, label: str) -> Metric:
    return Metric(
        name, label, "1/s", "ratio", "higher", "higher", "lower",
        f"{{p}} has a higher {label} than {{r}}",
        f"{{p}} has a lower {label} than {{r}}",
        f"{{p}} has the same {label} as {{r}}",
    )  # fmt: skip


def _power(name: str, label: str, what: str) -> Metric:
    return Metric(
        name, label, "W", "ratio", "lower", "more", "less",
        f"{{p}} draws more {what} than {{r}}",
        f"{{p}} draws less {what} than {{r}}",
        f"{{p}} draws the same {what} as {{r}}",
        group="power",
    )  # fmt: skip


def _temperature(name: str, label: str, where: str, unit: str = "°C") -> Metric:
    return Metric(
        name, label, unit, "difference", "lower", "warmer", "cooler",
        f"{{p}} runs warmer than {{r}} {where}".rstrip(),
        f"{{p}} runs cooler than {{r}} {where}".rstrip(),
        f"{{p}} runs as warm as {{r}} {where}".rstrip(),
        margin="k", group="temperature",
    )  # fmt: skip


#: Speed of any title: average FPS, or the score of a title that has no frames (inverted where a lower score
#: is better). Present only when some title gives nothing but a score.
SPEED = Metric(
    "speed", "speed", "", "ratio", "higher", "faster", "slower",
    "{p} is faster than {r}", "{p} is slower than {r}", "{p} is as fast as {r}",
)  # fmt: skip

METRICS: tuple[Metric, ...] = (
    SPEED,
    Metric(
        "average_fps", "average FPS", "1/s", "ratio", "higher", "faster", "slower",
        "{p} is faster than {r}", "{p} is slower than {r}", "{p} is as fast as {r}",
    ),
    _low("one_percent_low_fps", "1 % low"),
    _low("point_one_percent_low_fps", "0.1 % low"),
    Metric(
        "score", "score", "", "ratio", "higher", "higher", "lower",
        "{p} has a higher score than {r}",
        "{p} has a lower score than {r}",
        "{p} has the same score as {r}",
    ),
    _power("mean_power_w", "mean power", "power"),
    Metric(
        "energy_per_frame_j", "energy per frame", "J", "ratio", "lower", "more", "less",
        "{p} needs more energy per frame than {r}",
        "{p} needs less energy per frame than {r}",
        "{p} needs the same energy per frame as {r}",
        group="power",
    ),
    Metric(
        "fps_per_w", "FPS per watt", "1/J", "ratio", "higher", "more efficient", "less efficient",
        "{p} is more efficient than {r}",
        "{p} is less efficient than {r}",
        "{p} is as efficient as {r}",
        group="power",
    ),
    _power("mean_wall_power_w", "mean power at the wall", "power at the wall"),
    _power("mean_cpu_power_w", "mean processor power", "processor power"),
    _temperature("end_core_temp_c", "core temperature at the end", ""),
    _temperature("core_above_ambient_k", "core temperature above ambient", "above ambient", "K"),
    _temperature("mean_hotspot_temp_c", "mean hotspot temperature", "at the hotspot"),
    _temperature("mean_memory_temp_c", "mean memory temperature", "in its memory"),
    _temperature("mean_cpu_temp_c", "mean processor temperature", "in the processor"),
    Metric(
        "mean_sound_level_dba", "sound level", "dB(A)", "difference", "lower", "louder", "quieter",
        "{p} is louder than {r}", "{p} is quieter than {r}", "{p} is as loud as {r}",
        margin="db", group="sound",
    ),
)  # fmt: skip
BY_NAME: dict[str, Metric] = {metric.name: metric for metric in METRICS}
