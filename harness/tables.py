"""The tables that are the contract between stages: columns, units, meaning.

A column never changes meaning. A missing reading is null, never 0. Every quantity carries its unit in
its name. ``harness.report`` writes the data package's table schemas from what stands here.

The columns are plain values, so a plan is checked without Arrow; a schema is made when first asked for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    import pyarrow as pa

    FRAMES: pa.Schema
    TELEMETRY: pa.Schema
    ATTEMPTS: pa.Schema
    #: One row per accepted repeat: the accepted attempt's row, same columns.
    REPEATS: pa.Schema

Kind = Literal["float", "integer", "text", "truth", "words", "instant", "coded text"]


@dataclass(frozen=True)
class Column:
    """One column: what it holds, unit (empty for none) and meaning in one line."""

    name: str
    type: Kind
    unit: str
    meaning: str
    nullable: bool = True


def schema_of(columns: Sequence[Column]) -> pa.Schema:
    """Arrow schema with each column's unit and meaning in the field's metadata."""
    import pyarrow as pa

    return pa.schema(
        [
            pa.field(c.name, arrow_type(c.type), c.nullable, metadata={"unit": c.unit, "meaning": c.meaning})
            for c in columns
        ]
    )


def arrow_type(kind: Kind) -> pa.DataType:
    """The Arrow type of a column's kind."""
    import pyarrow as pa

    return {
        "float": pa.float64(),
        "integer": pa.int64(),
        "text": pa.string(),
        "truth": pa.bool_(),
        "words": pa.list_(pa.string()),
        "instant": pa.timestamp("us", "UTC"),
        "coded text": pa.dictionary(pa.int8(), pa.string()),
    }[kind]


F: Final = "float"
I: Final = "integer"  # noqa: E741
S: Final = "text"
B: Final = "truth"

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

#: Every attempt, whatever became of it.
ATTEMPT_COLUMNS: tuple[Column, ...] = (
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
    Column("frame_count", I, "", "frames inside the window"),
    Column("average_fps", F, "1/s", "frames / elapsed time"),
    Column("low_definition", S, "", "definition of the two lows that follow"),
    Column("one_percent_low_fps", F, "1/s", "1 % low by the plan's definition"),
    Column("point_one_percent_low_fps", F, "1/s", "0.1 % low by the plan's definition"),
    Column("one_percent_low_percentile_fps", F, "1/s", "1000 / 99th percentile of frame time (type 7)"),
    Column("one_percent_low_mean_of_slowest_fps", F, "1/s", "1000 / mean of the slowest ceil(n/100) frames"),
    Column("one_percent_low_time_share_fps", F, "1/s", "1000 / frame time above which frames add up to 1 %"),
    Column("point_one_percent_low_percentile_fps", F, "1/s", "the same at 0.1 %"),
    Column("point_one_percent_low_mean_of_slowest_fps", F, "1/s", "the same at 0.1 %"),
    Column("point_one_percent_low_time_share_fps", F, "1/s", "the same at 0.1 %"),
    Column("frametime_p1_ms", F, "ms", "1st percentile of frame time (type 7, as all of these)"),
    Column("frametime_p5_ms", F, "ms", "5th percentile of frame time"),
    Column("frametime_p25_ms", F, "ms", "25th percentile of frame time"),
    Column("frametime_p50_ms", F, "ms", "median frame time"),
    Column("frametime_p75_ms", F, "ms", "75th percentile of frame time"),
    Column("frametime_p95_ms", F, "ms", "95th percentile of frame time"),
    Column("frametime_p99_ms", F, "ms", "99th percentile of frame time"),
    Column("frametime_p99_9_ms", F, "ms", "99.9th percentile of frame time"),
    Column("frametime_change_ms", F, "ms", "mean absolute change of frame time from frame to frame"),
    Column("longest_frame_ms", F, "ms", "longest frame time"),
    Column("stutter_count", I, "", "frames longer than the plan's multiple of their local median"),
    Column("stutter_time_pct", F, "%", "share of the window spent in such frames"),
    Column("average_fps_rse_pct", F, "%", "relative standard error of average FPS from its own frames"),
    Column("slow_time_pct", F, "%", "share of the window in frames slower than the plan's slow_below_fps"),
    Column("score", F, "", "score of a title that gives one number instead of frames"),
    Column("mean_power_w", F, "W", "mean power of the card over the window: energy / time"),
    Column("energy_j", F, "J", "energy of the card over the window, by the source named next"),
    Column("energy_source", S, "", "counter, or integral of power"),
    Column("energy_counter_j", F, "J", "energy by the card's counter"),
    Column("energy_integral_j", F, "J", "energy by the trapezoid rule over power samples"),
    Column("energy_per_frame_j", F, "J", "energy / frames"),
    Column("fps_per_w", F, "1/J", "average FPS / mean power"),
    Column("mean_wall_power_w", F, "W", "mean power of the whole rig at the wall"),
    Column("mean_cpu_power_w", F, "W", "mean power of the processor package"),
    Column("mean_core_temp_c", F, "°C", "mean core temperature over the window"),
    Column("max_core_temp_c", F, "°C", "highest core temperature in the window"),
    Column("end_core_temp_c", F, "°C", "mean core temperature over the window's last quarter"),
    Column("mean_hotspot_temp_c", F, "°C", "mean hotspot temperature over the window"),
    Column("mean_memory_temp_c", F, "°C", "mean memory temperature over the window"),
    Column("mean_ambient_temp_c", F, "°C", "mean ambient temperature over the window"),
    Column("core_above_ambient_k", F, "K", "end core temperature less mean ambient temperature"),
    Column("mean_core_clock_mhz", F, "MHz", "mean core clock over the window"),
    Column("mean_memory_clock_mhz", F, "MHz", "mean memory clock over the window"),
    Column("mean_core_voltage_mv", F, "mV", "mean core voltage over the window"),
    Column("mean_fan_pct", F, "%", "mean fan command over the window"),
    Column("mean_fan_rpm", F, "1/min", "mean fan speed over the window"),
    Column("mean_sound_level_dba", F, "dB(A)", "energy-mean sound level over the window"),
    Column("mean_gpu_load_pct", F, "%", "mean load of the card over the window"),
    Column("mean_cpu_load_pct", F, "%", "mean processor load over the window"),
    Column("mean_cpu_clock_mhz", F, "MHz", "mean processor clock over the window"),
    Column("mean_cpu_temp_c", F, "°C", "mean processor temperature over the window"),
    Column("mean_foreign_cpu_load_pct", F, "%", "mean processor load by others over the window"),
    Column("limit_reasons", "words", "", "reasons for which the driver held the clock down in the window"),
    Column("start_temp_c", F, "°C", "temperature when the cooldown ended"),
    Column("start_ambient_temp_c", F, "°C", "ambient temperature when the cooldown ended"),
    Column("temperature_quantity", S, "", "which temperature the conditions were held on; null for none"),
    Column("cooldown_s", F, "s", "length of the cooldown"),
    Column("cooldown_end", S, "", "what ended it: reached, stopped-falling, time, timeout, none"),
    Column("warm_up_s", F, "s", "length of the warm-up"),
    Column("warm_up_end", S, "", "what ended it"),
    Column("soak_s", F, "s", "length of the soak"),
    Column("soak_end", S, "", "what ended it"),
    Column("profile_read_back", S, "", "the profile as read back from the device, JSON"),
    Column("frame_rows_read", I, "", "rows in the frame log"),
    Column("frame_rows_dropped", I, "", "rows dropped in cleaning, each with its reason in the journal"),
    Column("frame_clock", S, "", "how the frame log's clock was aligned with the telemetry's"),
    Column("frame_clock_uncertainty_ms", F, "ms", "uncertainty of that alignment"),
    Column("frame_clock_offset_s", F, "s", "frame log's time + this = the rig's clock"),
    Column("telemetry_samples", I, "", "telemetry rows inside the window"),
    Column("telemetry_gap_s", F, "s", "time without telemetry inside the window"),
    Column("boot_id", S, "", "identity of the rig's boot in which it ran"),
    Column("long_frame_count", I, "", "frames over 3 times their local median and 15 ms longer than it"),
    Column("second_look", B, "", "true where it measures a repeat once more that lay far from the others"),
    Column("stutter_multiple", F, "", "multiple of the local median that stutter_count goes by"),
    Column("slow_below_fps", F, "1/s", "rate that slow_time_pct goes by; null where the plan states none"),
)

_SCHEMAS = {
    "FRAMES": FRAME_COLUMNS,
    "TELEMETRY": TELEMETRY_COLUMNS,
    "ATTEMPTS": ATTEMPT_COLUMNS,
    "REPEATS": ATTEMPT_COLUMNS,
}

if not TYPE_CHECKING:  # the names are typed above

    @cache
    def __getattr__(name: str) -> pa.Schema:
        if name not in _SCHEMAS:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        return schema_of(_SCHEMAS[name])
