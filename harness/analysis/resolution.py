"""The step of the readings: equal readings are not certainty.

A reading stands for every value within half a step of it. Its standard uncertainty is that of a rectangular
distribution, step / sqrt(12) (JCGM 100:2008 (GUM), 4.3.7 and F.2.2.1), in a level as well as, twice, in a
difference. The step of a metric is the largest of three: what the plan's ``[instruments]`` states of the
quantities that it is made of, what was seen of them in the telemetry (``AnalysisSettings.steps``), and the
grid on which all values of the table lie. Where nothing of these is known the step is unknown: none is added,
and equal values then have no interval at all.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from harness.analysis.estimate import Array
from harness.analysis.repeats import CellKey, CellRepeats
from harness.analysis.settings import AnalysisSettings
from harness.metrics import ComparedMetric

#: Grids that are looked for, largest first: a step is 1, 2 or 5 of some decimal place, 1 at most.
_GRIDS = (1.0, *(digit * 10.0**place for place in range(-1, -5, -1) for digit in (5, 2, 1)))


def seen_step(values: Array) -> float:
    """The coarsest grid on which all values lie, from 1 down to 0.0001; 0 where they lie on none."""
    return next((step for step in _GRIDS if _on_grid(values, step)), 0.0)


def _on_grid(values: Array, step: float) -> bool:
    turns = values / step
    return bool(values.size) and bool(np.all(np.abs(turns - np.round(turns)) < 1e-6))


class Steps:
    """Standard uncertainties by step, for the cells of one analysis."""

    def __init__(self, cells: Mapping[CellKey, CellRepeats], settings: AnalysisSettings) -> None:
        self._cells, self._settings = cells, settings
        self._grids: dict[str, float] = {}

    def of_level(self, metric: ComparedMetric, cell: CellRepeats) -> float:
        """Standard uncertainty of the cell's mean by the step, in its unit; 0 where none is known."""
        return max(self._of_quantities(metric, cell), self._grid(metric) / math.sqrt(12))

    def of_comparison(self, metric: ComparedMetric, cells: Sequence[CellRepeats]) -> float:
        """The same of a comparison of cells, on the scale of the analysis."""
        parts = [self.of_level(metric, cell) for cell in cells]
        if metric.scale == "ratio":
            parts = [
                u / float(cell.present(metric.name).mean()) for u, cell in zip(parts, cells, strict=True)
            ]
        return math.hypot(*parts)

    def _of_quantities(self, metric: ComparedMetric, cell: CellRepeats) -> float:
        parts = [self._quantity(name) / math.sqrt(12) for name in metric.instruments]
        if metric.scale != "ratio":
            return math.hypot(*parts)
        readings = cell.present(metric.instrument_reads or metric.name)
        if not parts or not readings.size:
            return 0.0
        return float(cell.present(metric.name).mean()) * parts[0] / float(readings.mean())

    def _quantity(self, name: str) -> float:
        stated = self._settings.instruments.get(name)
        return max(stated.resolution if stated is not None else 0.0, self._settings.steps.get(name, 0.0))

    def _grid(self, metric: ComparedMetric) -> float:
        if metric.name not in self._grids:
            values = [cell.present(metric.name) for cell in self._cells.values()]
            self._grids[metric.name] = seen_step(np.concatenate(values)) if values else 0.0
        return self._grids[metric.name]
