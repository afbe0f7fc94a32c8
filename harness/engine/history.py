"""What the night so far makes usual: the background against which an attempt is checked."""

from __future__ import annotations

import statistics
from collections import Counter, defaultdict, deque
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.checks.steadiness import usual_scatter
from harness.power_sensor.model import PowerSensorModel
from harness.rig import RigFacts
from harness.telemetry.foreign import Programs, usual_with

#: Courses kept for each title and setting.
_COURSES = 4
#: Starts from which a usual one is told: the median of three is no cold start's alone (chosen here).
_STARTS = 3


class History:
    """Start temperatures, ambient and frame rates of the attempts before this one.

    Args:
        rows: Rows of ``harness.tables.ATTEMPTS`` of earlier runs on the same folder, in order.
        memory_total_mib: Quantity of use -> size of that memory, as :func:`memory_sizes_mib` gives it.
        power_sensor: Model of the card's power sensors; None where it is not known.
    """

    def __init__(
        self,
        rows: Iterable[Mapping[str, Any]] = (),
        memory_total_mib: Mapping[str, float | None] | None = None,
        power_sensor: PowerSensorModel | None = None,
    ) -> None:
        self.power_sensor = power_sensor
        self.memory_total_mib = memory_total_mib or {}
        self._start_temps_c: list[float] = []
        self._fps: defaultdict[str, list[float]] = defaultdict(list)
        self._courses: defaultdict[str, deque[NDArray[np.float64]]] = defaultdict(
            lambda: deque(maxlen=_COURSES)
        )
        self._unsteady: Counter[tuple[str, int]] = Counter()
        self.first_start_temp_c: float | None = None
        self.first_ambient_temp_c: float | None = None
        self.usual_gpu_programs: Programs | None = None
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
        if row["verdict"] == "accepted" and row.get("average_fps") and not row.get("second_look"):
            self._fps[row["cell_id"]].append(row["average_fps"])
        if row.get("reason_code") == "unsteady":
            self._unsteady[row["cell_id"], row["repeat_index"]] += 1

    def add_course(self, cell_id: str, course: NDArray[np.float64]) -> None:
        """Keep the frame rate per second of an accepted repeat: the latest few, for this run only."""
        if course.size:
            self._courses[_content(cell_id)].append(course)

    def other_courses(self, cell_id: str) -> list[NDArray[np.float64]]:
        """Courses of accepted repeats with the same content: the cell's title and setting, any profile."""
        return list(self._courses[_content(cell_id)])

    def unsteady_tries(self, cell_id: str, repeat_index: int) -> int:
        """Attempts at that repeat that were rejected as unsteady."""
        return self._unsteady[cell_id, repeat_index]

    def add_gpu_programs(self, programs: Programs | None) -> None:
        """Take what other programs were on the card in a window: a desktop's, say."""
        if programs is not None:
            self.usual_gpu_programs = usual_with(self.usual_gpu_programs, programs)

    @property
    def usual_start_temp_c(self) -> float | None:
        """Median of the start temperatures; None before there are enough that one cold start says nothing."""
        enough = len(self._start_temps_c) >= _STARTS
        return statistics.median(self._start_temps_c) if enough else None

    def other_fps(self, cell_id: str) -> list[float]:
        """Average FPS of the accepted repeats of that cell, re-measurements left out."""
        return list(self._fps[cell_id])

    def usual_scatter(self, cell_id: str) -> float | None:
        """Usual scatter of the repeats of the other cells; None where none has enough of them."""
        return usual_scatter(self._fps, cell_id)


def _content(cell_id: str) -> str:
    return cell_id.rpartition(".")[0]


def memory_sizes_mib(facts: RigFacts) -> dict[str, float | None]:
    """Size of main memory and of the card's, by the quantity that tells how much of it is in use."""
    return {
        "memory_used_mib": facts.facts.get("memory", {}).get("total_mib"),
        "gpu_memory_used_mib": facts.facts.get("card", {}).get("memory_total_mib"),
    }
