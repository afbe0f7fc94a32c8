"""Words that a plan may use for what the analysis computes and the report draws.

They stand here, as a plan is checked before either is loaded; a test holds the metrics against the analysis.
"""

from __future__ import annotations

from typing import Final

#: Metrics that can decide when repeats are enough.
METRICS: Final = (
    "speed",
    "average_fps",
    "one_percent_low_fps",
    "point_one_percent_low_fps",
    "score",
    "mean_power_w",
    "energy_per_frame_j",
    "fps_per_w",
    "mean_wall_power_w",
    "mean_cpu_power_w",
    "end_core_temp_c",
    "core_above_ambient_k",
    "mean_hotspot_temp_c",
    "mean_memory_temp_c",
    "mean_cpu_temp_c",
    "mean_sound_level_dba",
)
#: Charts of a report. The last three exist for each title and setting, as frametimes-harbour-lights-default.
CHARTS: Final = ("comparison", "levels", "efficiency", "drift", "start-conditions")
CHARTS_OF_TITLES: Final = ("frametimes", "distribution", "telemetry")
#: Names that no file can have on Windows, whatever follows a dot.
DEVICE_NAMES: Final = frozenset(
    {"con", "prn", "aux", "nul", *(f"{port}{digit}" for port in ("com", "lpt") for digit in range(10))}
)
