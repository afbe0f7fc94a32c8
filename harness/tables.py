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

from harness.columns import B, Column, F, I, S, schema_of
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

#: Every quantity that a sensor may deliver. A sensor delivers what its device has; the rest is null.
QUANTITY_COLUMNS: tuple[Column, ...] = (
    Column("power_w", F, "W", "power of the card, instantaneous where the driver offers it"),
    Column("power_average_w", F, "W", "power of the card, averaged by the driver over its own window"),
    Column("energy_j", F, "J", "energy counter of the card, since its own origin"),
    Column("core_temp_c", F, "°C", "temperature of the graphics core"),
    Column("hotspot_temp_c", F, "°C", "temperature of the hottest spot that the card reports"),
    Column("memory_temp_c", F, "°C", "temperature of the card's memory"),
    Column("core_clock_mhz", F, "MHz", "clock of the graphics core"),
    Column("memory_clock_mhz", F, "MHz", "clock of the card's memory"),
    Column("core_voltage_mv", F, "mV", "voltage of the graphics core"),
    Column("fan_pct", F, "%", "fan speed as commanded"),
    Column("fan_rpm", F, "1/min", "fan speed as measured"),
    Column("sound_level_dba", F, "dB(A)", "A-weighted sound pressure level at the place stated in the plan"),
    Column("gpu_load_pct", F, "%", "share of time in which the card was at work"),
    Column("gpu_memory_used_mib", F, "MiB", "memory of the card in use"),
    Column("limit_reasons", I, "bit mask", "why the driver holds the clock down, as the driver's own bits"),
    Column("power_limit_w", F, "W", "power limit in force"),
    Column("ambient_temp_c", F, "°C", "temperature of the air that the rig draws in"),
    Column("wall_power_w", F, "W", "power of the whole rig at the wall"),
    Column("wall_energy_j", F, "J", "energy counter of the whole rig, since its own origin"),
    Column("cpu_load_pct", F, "%", "processor load, all cores together"),
    Column("cpu_clock_mhz", F, "MHz", "mean processor clock"),
    Column("cpu_temp_c", F, "°C", "processor temperature"),
    Column("cpu_power_w", F, "W", "power of the processor package"),
    Column("cpu_energy_j", F, "J", "energy counter of the processor package, unwrapped"),
    Column("memory_used_mib", F, "MiB", "main memory in use"),
    Column("foreign_cpu_load_pct", F, "%", "processor load by processes that are not part of the test"),
    Column("foreign_gpu_processes", F, "", "processes on the card that are not part of the test"),
    Column("board_temp_c", F, "°C", "temperature of the main board"),
    Column("case_fan_rpm", F, "1/min", "speed of a fan of the case or the processor"),
    Column("driver_errors", I, "", "critical errors of the card that the driver has reported so far"),
    Column("driver_error_code", I, "", "the driver's own number of the latest of these"),
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
    Column("repeat_index", I, "", "wanted repeat that it serves, from 1", nullable=False),
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
    Column("stutter_multiple", F, "", "multiple of the local median that stutter_count goes by"),
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
        *(column for stage in STAGES.own for column in stage.columns()),
        *_READ,
        *METRICS.own_columns(at_end=True),
        *_LATER,
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
