"""The tables that are the contract between stages: columns, units, meaning.

A column never changes meaning. A missing reading is null, never 0. Every quantity carries its unit in
its name. ``harness.report`` writes the data package's table schemas from what stands here. The columns of
metrics and stages stand with these (:mod:`harness.metrics`, :mod:`harness.stages`); those that plugins bring
come last.

The columns are plain values, so a plan is checked without Arrow; a schema is made when first asked for.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Final

from harness.columns import B, Column, F, I, Quantity, S, schema_of
from harness.metrics import METRICS
from harness.stages import STAGES

if TYPE_CHECKING:
    import pyarrow as pa

    FRAMES: pa.Schema
    TELEMETRY: pa.Schema
    #: :func:`attempt_columns` and their schema as they are when the name is looked up.
    ATTEMPT_COLUMNS: tuple[Column, ...]
    ATTEMPTS: pa.Schema
    REPEATS: pa.Schema

FRAME_COLUMNS: tuple[Column, ...] = (
    Column("t_s", F, "s", "time at which the frame ended, from the window's start", nullable=False),
    Column("frametime_ms", F, "ms", "time from the frame before to this one", nullable=False),
)

_CHIP_C: Final = (5.0, 150.0)
_SHARE_PCT: Final = (0.0, 200.0)
_COUNT: Final = (0.0, 1e9)
_ENERGY_J: Final = (0.0, 1e15)
_CLOCK_MHZ: Final = (0.0, 20_000.0)
_FAN_RPM: Final = (0.0, 50_000.0)
_MEMORY_MIB: Final = (0.0, 1e9)

#: Every quantity that a sensor may deliver. A sensor delivers what its device has; the rest is null.
#:
#: What lies outside ``within`` is no reading: never stored, never called safe. The ranges are wide by design:
#: they tell a wrong scale (millidegrees, kilowatts), a driver's error code (65535, -1) and a dead sensor (0)
#: from a reading, not a good reading from a bad one. The temperatures of a chip under power begin at 5 °C: a
#: tenth or a thousandth of a real one lies below that when the card is cool, so it shows before the night
#: begins; no room where people measure is so cold. Common practice, no source.
QUANTITY_COLUMNS: tuple[Quantity, ...] = (
    Quantity(
        "power_w",
        F,
        "W",
        "power of the card, instantaneous where the driver offers it",
        within=(0.5, 3_000.0),
    ),
    Quantity(
        "power_average_w",
        F,
        "W",
        "power of the card, averaged by the driver over its own window",
        within=(0.5, 3_000.0),
    ),
    Quantity("energy_j", F, "J", "energy counter of the card, since its own origin", within=_ENERGY_J),
    Quantity("core_temp_c", F, "°C", "temperature of the graphics core", within=_CHIP_C),
    Quantity(
        "hotspot_temp_c", F, "°C", "temperature of the hottest spot that the card reports", within=_CHIP_C
    ),
    Quantity("memory_temp_c", F, "°C", "temperature of the card's memory", within=_CHIP_C),
    Quantity("core_clock_mhz", F, "MHz", "clock of the graphics core", within=_CLOCK_MHZ),
    Quantity("memory_clock_mhz", F, "MHz", "clock of the card's memory", within=_CLOCK_MHZ),
    Quantity("core_voltage_mv", F, "mV", "voltage of the graphics core", within=(0.0, 3_000.0)),
    Quantity("fan_pct", F, "%", "fan speed as commanded", within=_SHARE_PCT),
    Quantity(
        "fan_rpm",
        F,
        "1/min",
        "fan speed, measured by the fan where the card can; the speed that the driver intends where the "
        "column's source says so (NVIDIA)",
        within=_FAN_RPM,
    ),
    Quantity(
        "sound_level_dba",
        F,
        "dB(A)",
        "A-weighted sound pressure level at the place stated in the plan",
        within=(-20.0, 160.0),
    ),
    Quantity("gpu_load_pct", F, "%", "share of time in which the card was at work", within=_SHARE_PCT),
    Quantity("gpu_memory_used_mib", F, "MiB", "memory of the card in use", within=_MEMORY_MIB),
    Quantity(
        "limit_reasons",
        I,
        "bit mask",
        "why the driver holds the clock down, as the driver's own bits",
        within=(0.0, 2.0**63),
    ),
    Quantity("power_limit_w", F, "W", "power limit in force", within=(0.5, 5_000.0)),
    Quantity("ambient_temp_c", F, "°C", "temperature of the air that the rig draws in", within=(-40.0, 70.0)),
    Quantity("wall_power_w", F, "W", "power of the whole rig at the wall", within=(0.0, 20_000.0)),
    Quantity(
        "wall_energy_j", F, "J", "energy counter of the whole rig, since its own origin", within=_ENERGY_J
    ),
    Quantity("cpu_load_pct", F, "%", "processor load, all cores together", within=_SHARE_PCT),
    Quantity("cpu_clock_mhz", F, "MHz", "mean processor clock", within=_CLOCK_MHZ),
    Quantity("cpu_temp_c", F, "°C", "processor temperature", within=_CHIP_C),
    Quantity("cpu_power_w", F, "W", "power of the processor package", within=(0.0, 5_000.0)),
    Quantity("cpu_energy_j", F, "J", "energy counter of the processor package, unwrapped", within=_ENERGY_J),
    Quantity("memory_used_mib", F, "MiB", "main memory in use", within=_MEMORY_MIB),
    Quantity(
        "foreign_cpu_load_pct",
        F,
        "%",
        "processor load by processes that are not part of the test",
        within=_SHARE_PCT,
    ),
    Quantity(
        "foreign_gpu_processes", F, "", "processes on the card that are not part of the test", within=_COUNT
    ),
    Quantity(
        "foreign_gpu_load_pct",
        F,
        "%",
        "load of the card by processes that are not part of the test",
        within=_SHARE_PCT,
    ),
    Quantity("board_temp_c", F, "°C", "temperature of the main board", within=(-40.0, 150.0)),
    Quantity("case_fan_rpm", F, "1/min", "speed of a fan of the case or the processor", within=_FAN_RPM),
    Quantity(
        "driver_errors",
        I,
        "",
        "critical errors of the card that the driver has reported so far",
        within=_COUNT,
    ),
    Quantity("driver_error_code", I, "", "the driver's own number of the latest of these", within=_COUNT),
)
QUANTITIES: tuple[str, ...] = tuple(c.name for c in QUANTITY_COLUMNS)

TELEMETRY_COLUMNS: tuple[Column, ...] = (
    Column("t_s", F, "s", "time of the sample, from the window's start; negative before it", nullable=False),
    Column("phase", "coded text", "", "phase of the attempt at that time"),
    *QUANTITY_COLUMNS,
    Column("read_ms", F, "ms", "time that reading this row took"),
    Column("gap", B, "", "true where samples are missing before this row", nullable=False),
)

#: What was tried, and what became of it.
_ATTEMPT: Final = (
    Column("campaign_id", S, "", "campaign that measured it", nullable=False),
    Column("rig_id", S, "", "rig that it was measured on", nullable=False),
    Column("cell_id", S, "", "title.setting.profile", nullable=False),
    Column("title", S, "", "title's name in the plan", nullable=False),
    Column("setting", S, "", "setting's name in the plan", nullable=False),
    Column("profile", S, "", "profile's name in the plan", nullable=False),
    Column("repeat_index", I, "", "planned repeat that it serves, from 1", nullable=False),
    Column("attempt_index", I, "", "try at that repeat, from 1", nullable=False),
    Column("block", I, "", "block of the order that it belongs to, from 1", nullable=False),
    Column("position", I, "", "place in the order of the night, from 1", nullable=False),
    Column("sentinel", B, "", "true for a reference repeat measured only to watch the rig's drift", False),
    Column("definition_hash", S, "", "content hash of the cell's definition", nullable=False),
    Column("verdict", S, "", "accepted, rejected, failed or interrupted", nullable=False),
    Column("reason_code", S, "", "short name of the check or failure that decided; null when accepted"),
    Column("reason", S, "", "the same in a sentence"),
    Column("marks", "words", "", "what was unusual but did not reject it"),
    Column("started_utc", "instant", "", "wall-clock time of its start", nullable=False),
    Column("start_s", F, "s", "monotonic time of its start since the campaign's first"),
    Column("duration_s", F, "s", "length of the whole attempt"),
    Column("measured_s", F, "s", "length of the measured window"),
)
#: What was held; the columns of the stages follow.
_HELD: Final = (
    Column("limit_reasons", "words", "", "reasons for which the driver held the clock down in the window"),
    Column("start_temp_c", F, "°C", "temperature when the cooldown ended"),
    Column("start_ambient_temp_c", F, "°C", "ambient temperature when the cooldown ended"),
    Column("temperature_quantity", S, "", "which temperature the conditions were held on; null for none"),
)
#: How it was read.
_READ: Final = (
    Column("profile_read_back", S, "", "the profile as read back from the device, JSON"),
    Column("frame_rows_read", I, "", "rows in the frame log"),
    Column("frame_rows_dropped", I, "", "rows dropped in cleaning, each with its reason in the journal"),
    Column("frame_clock", S, "", "how the frame log's clock was aligned with the telemetry's"),
    Column("frame_clock_uncertainty_ms", F, "ms", "uncertainty of that alignment"),
    Column("frame_clock_offset_s", F, "s", "frame log's time + this = the rig's clock"),
    Column("telemetry_samples", I, "", "telemetry rows inside the window"),
    Column("telemetry_gap_s", F, "s", "time without telemetry inside the window"),
    Column("boot_id", S, "", "identity of the rig's boot in which it ran"),
)
#: Columns that later versions added.
_LATER: Final = (
    Column("second_look", B, "", "true where it measures a repeat once more that lay far from the others"),
    Column("stutter_multiple", F, "", "multiple of the neighbourhood's median that stutter_count goes by"),
    Column("slow_below_fps", F, "1/s", "rate that slow_time_pct goes by; null where the plan states none"),
)


def attempt_columns() -> tuple[Column, ...]:
    """Columns of the table of attempts, one row each, whatever became of it; of repeats likewise.

    A repeat is the row of its accepted attempt.
    """
    return (
        *_ATTEMPT,
        *METRICS.own_columns(at_end=False),
        *_HELD,
        *(column for stage in STAGES.own if stage.default is not None for column in stage.columns()),
        *_READ,
        *METRICS.own_columns(at_end=True),
        *_LATER,
        *(column for stage in STAGES.own if stage.default is None for column in stage.columns()),
        *(metric.column for metric in METRICS.added()),
        *(column for stage in STAGES.added() for column in stage.columns()),
    )


def attempts_schema() -> pa.Schema:
    """The same for Arrow."""
    return _schema(attempt_columns())


_schema = lru_cache(maxsize=16)(schema_of)


if not TYPE_CHECKING:  # the names are typed above

    def __getattr__(name: str) -> object:
        match name:
            case "FRAMES":
                return _schema(FRAME_COLUMNS)
            case "TELEMETRY":
                return _schema(TELEMETRY_COLUMNS)
            case "ATTEMPTS" | "REPEATS":
                return attempts_schema()
            case "ATTEMPT_COLUMNS":
                return attempt_columns()
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
