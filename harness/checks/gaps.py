"""How long each quantity was not read inside the window. Pure."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray


def reading_gaps_s(
    telemetry: pa.Table, measured_s: float, fresh_for_s: Mapping[str, float]
) -> dict[str, float]:
    """Quantity -> time inside the window without a fresh reading of it, s.

    A stretch between two readings counts in full where it is longer than a reading stays fresh.

    Args:
        telemetry: Layout :data:`harness.tables.TELEMETRY`; the window is 0 to ``measured_s``.
        measured_s: Length of the window.
        fresh_for_s: Quantity -> how long its reading stays fresh; those that are to be looked at.
    """
    t_s = telemetry["t_s"].to_numpy()
    return {
        quantity: _silence_s(t_s[telemetry[quantity].is_valid().to_numpy()], measured_s, fresh_s)
        for quantity, fresh_s in fresh_for_s.items()
        if quantity in telemetry.column_names
    }


def _silence_s(t_s: NDArray[np.float64], measured_s: float, fresh_s: float) -> float:
    first_s, last_s = (t_s[0], t_s[-1]) if t_s.size else (0.0, 0.0)
    edges = np.concatenate([[min(0.0, first_s)], t_s, [max(measured_s, last_s)]])
    steps = np.diff(edges)
    inside = np.minimum(edges[1:], measured_s) - np.maximum(edges[:-1], 0.0)
    return float(inside[(steps > fresh_s) & (inside > 0)].sum())
