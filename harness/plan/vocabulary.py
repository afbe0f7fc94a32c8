"""Words that a plan may use for what the report draws. They stand here, as a plan is checked without it."""

from __future__ import annotations

from typing import Final

#: Charts of a report. The last three exist for each title and setting, as frametimes-harbour-lights-default.
CHARTS: Final = ("comparison", "levels", "efficiency", "drift", "start-conditions")
CHARTS_OF_TITLES: Final = ("frametimes", "distribution", "telemetry")
#: Names that no file can have on Windows, whatever follows a dot.
DEVICE_NAMES: Final = frozenset(
    {"con", "prn", "aux", "nul", *(f"{port}{digit}" for port in ("com", "lpt") for digit in range(10))}
)
