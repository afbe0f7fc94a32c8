"""Power, energy and clocks in a title's slow and fast seconds: does a profile save under the highest load?

Each title's seconds are split at the reference's quartiles, so that all profiles are seen in the same
scenes' range; one table for all titles, for a chart each would be more to scroll than to read.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from harness.frames.segments import by_frame_rate, per_second
from harness.report.elements import NOTHING, Entry, Heading, Row, Table, number
from harness.report.names import Names
from harness.tables import FRAMES

Seconds = tuple[str, str, Mapping[str, pa.Table]]

#: Fewer seconds than this in the reference's window are too few to part.
LEAST_SECONDS: Final = 12
_READINGS: Final = ("power_w", "core_clock_mhz", "memory_clock_mhz", "core_temp_c", "gpu_load_pct")
_SHOWN: Final = (
    ("time_pct", "share of the time", "%", 0),
    ("average_fps", "average FPS", "", 1),
    ("power_w", "mean power", "W", 1),
    ("energy_per_frame_j", "energy per frame", "J", 3),
    ("core_clock_mhz", "core clock", "MHz", 0),
)


def seconds_of(frames: tuple[NDArray[np.float64], NDArray[np.float64]], samples: pd.DataFrame) -> pa.Table:
    """One row for each second of a repeat, columns of ``harness.frames.segments.SECONDS``.

    Args:
        frames: End times in s and frame times in ms.
        samples: Columns of ``harness.tables.TELEMETRY``.
    """
    telemetry = pa.Table.from_pandas(samples[["t_s", *_READINGS]].astype(float), preserve_index=False)
    return per_second(pa.table(dict(zip(FRAMES.names, frames, strict=True)), schema=FRAMES), telemetry)


def frame_rate_table(titles: Iterable[Seconds], reference: str, names: Names) -> Table | None:
    """Every title's seconds in three parts by the reference's quarters; None where power was not measured.

    Args:
        titles: Title, setting, and the seconds of one repeat of each profile.
    """
    rows: list[Row] = []
    for title, setting, by_profile in titles:
        edges = _edges_fps(by_profile.get(reference))
        if edges is None:
            continue
        low, high = (number(edge, 0) for edge in edges)
        parts = (f"below {low} FPS", f"{low} to {high} FPS", f"{high} FPS and more")
        for profile, seconds in by_profile.items():
            for part, found in zip(parts, by_frame_rate(seconds, edges).to_pylist(), strict=True):
                cells = [
                    Entry(names.row(title, setting)),
                    Entry(names[profile], profile=profile),
                    Entry(part),
                    *(_entry(found[name], decimals) for name, _, _, decimals in _SHOWN),
                ]
                rows.append(Row(cells, title, profile))
    if not rows:
        return None
    return Table(
        "table-by-frame-rate",
        "Slow and fast seconds of each profile's middle repeat, split where the slowest quarter and the "
        f"fastest quarter of {names[reference]}'s seconds begin",
        [
            Heading("Title"),
            Heading("Profile"),
            Heading("seconds with", number=True),
            *(Heading(heading, unit, number=True) for _, heading, unit, _ in _SHOWN),
        ],
        rows,
    )


def _edges_fps(seconds: pa.Table | None) -> tuple[float, float] | None:
    """Lower and upper quartile of the reference's frame rate by second; None where they part nothing."""
    if (
        seconds is None
        or seconds.num_rows < LEAST_SECONDS
        or seconds["power_w"].null_count == seconds.num_rows
    ):
        return None
    low, high = (float(edge) for edge in np.quantile(seconds["fps"].to_numpy(), [0.25, 0.75]))
    return (low, high) if low > 0 and round(low) < round(high) else None


def _entry(value: Any, decimals: int) -> Entry:
    return Entry(NOTHING if value is None else number(float(value), decimals))
