"""What the night so far makes usual: the background against which an attempt is checked."""

from __future__ import annotations

import statistics
from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Any


class History:
    """Start temperatures, ambient and frame rates of the attempts before this one.

    Args:
        rows: Rows of ``harness.tables.ATTEMPTS`` of earlier runs on the same folder, in order.
    """

    def __init__(self, rows: Iterable[Mapping[str, Any]] = ()) -> None:
        self._start_temps_c: list[float] = []
        self._fps: defaultdict[str, list[float]] = defaultdict(list)
        self.first_start_temp_c: float | None = None
        self.first_ambient_temp_c: float | None = None
        self.usual_foreign_gpu_processes: float | None = None
        for row in rows:
            self.add(row)

    def add(self, row: Mapping[str, Any]) -> None:
        """Take an attempt that ended."""
        if (temp_c := row.get("start_temp_c")) is not None:
            self._start_temps_c.append(temp_c)
            if self.first_start_temp_c is None:
                self.first_start_temp_c = temp_c
        if self.first_ambient_temp_c is None:
            self.first_ambient_temp_c = row.get("mean_ambient_temp_c")
        if row["verdict"] == "accepted" and (fps := row.get("average_fps")) is not None:
            self._fps[row["cell_id"]].append(fps)

    def add_foreign_gpu_processes(self, count: float | None) -> None:
        """The fewest processes seen on the card in any window are the usual ones (a desktop, say)."""
        if count is not None:
            usual = self.usual_foreign_gpu_processes
            self.usual_foreign_gpu_processes = count if usual is None else min(usual, count)

    @property
    def usual_start_temp_c(self) -> float | None:
        """Median of the start temperatures; None at the first attempt."""
        return statistics.median(self._start_temps_c) if self._start_temps_c else None

    def other_fps(self, cell_id: str) -> list[float]:
        """Average FPS of the accepted repeats of that cell."""
        return list(self._fps[cell_id])
