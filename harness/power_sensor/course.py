"""The load's course: when the card worked and when it rested, as achieved. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Array = NDArray[np.float64]
#: Loads that join may overlap by so much.
_ROUNDING_S = 1e-5


@dataclass(frozen=True)
class Course:
    """Loads in order of time, none over another.

    Attributes:
        begin_s: Begin of each load on the rig's clock, s, 1-D.
        end_s: Its end, same shape.
    """

    begin_s: Array
    end_s: Array

    def __post_init__(self) -> None:
        if self.begin_s.shape != self.end_s.shape or self.begin_s.ndim != 1 or self.begin_s.size == 0:
            raise ValueError("begin_s and end_s must be 1-D, alike and not empty")
        edges_s = np.column_stack((self.begin_s, self.end_s)).ravel()
        if np.any(np.diff(edges_s) < -_ROUNDING_S):
            raise ValueError("loads must follow one another")
        edges_s = np.maximum.accumulate(edges_s)
        lengths_s = self.end_s - self.begin_s
        object.__setattr__(self, "_at_s", edges_s)
        done_s = np.column_stack((np.cumsum(lengths_s) - lengths_s, np.cumsum(lengths_s))).ravel()
        object.__setattr__(self, "_done_s", done_s)

    def work_until(self, t_s: NDArray[np.floating[Any]]) -> Array:
        """Time under load up to each moment, s; same shape."""
        return np.asarray(np.interp(t_s, self._at_s, self._done_s), np.float64)  # type: ignore[attr-defined]

    def share(self, from_s: Array | float, until_s: Array | float) -> Array:
        """Share of each stretch under load, 0 to 1; a stretch of no length counts as a moment."""
        begin_s: Array = np.asarray(from_s, np.float64)
        end_s = np.maximum(np.asarray(until_s, np.float64), begin_s + 1e-6)
        return np.asarray((self.work_until(end_s) - self.work_until(begin_s)) / (end_s - begin_s), np.float64)

    def table(self, step_s: float, lag_s: float = 0.0) -> WorkTable:
        """The same looked up in a table with even steps: fast, and off by less than a step."""
        begin_s = float(self.begin_s[0]) - 4.0
        count = int((float(self.end_s[-1]) + 4.0 - begin_s) / step_s) + 2
        done_s = self.work_until(begin_s + np.arange(count) * step_s)
        return WorkTable(begin_s, step_s, done_s).smoothed(lag_s)

    def within(self, from_s: float, until_s: float) -> Course | None:
        """The loads that begin in a stretch; None where there is none."""
        inside = (self.begin_s >= from_s) & (self.begin_s < until_s)
        return Course(self.begin_s[inside], self.end_s[inside]) if inside.any() else None


class WorkTable:
    """Time under load in a table with even steps, for the many tries of a fit.

    With a lag τ the load is seen through a low-pass of first order: y' = (u − y)/τ, so the time under load
    until then is that of the load itself less τ·y.
    """

    def __init__(self, begin_s: float, step_s: float, done_s: Array) -> None:
        self._begin_s, self._step_s, self._done = begin_s, step_s, done_s
        self._slope = np.diff(done_s, append=done_s[-1])

    def smoothed(self, lag_s: float) -> WorkTable:
        """The same seen through a lag more."""
        if lag_s <= 0:
            return self
        keep = float(np.exp(-self._step_s / lag_s))
        level = np.asarray(lfilter([1 - keep], [1, -keep], self._slope), np.float64)
        behind_s = np.concatenate((np.zeros(1), level[:-1])) * (lag_s / self._step_s)
        return WorkTable(self._begin_s, self._step_s, self._done - behind_s)

    @property
    def begin_s(self) -> float:
        """Of the table."""
        return self._begin_s

    @property
    def end_s(self) -> float:
        """Of the table."""
        return self._begin_s + (len(self._done) - 1) * self._step_s

    def work_until(self, t_s: Array) -> Array:
        """As that of :class:`Course`."""
        at = (t_s - self._begin_s) / self._step_s
        index = np.clip(at.astype(np.int32), 0, len(self._done) - 1)
        return np.asarray(self._done[index] + self._slope[index] * (at - index).clip(0, 1), np.float64)

    def share(self, middle_s: Array, length_s: float) -> Array:
        """Share under load of stretches of one length about these moments."""
        before = self.work_until(middle_s - length_s / 2)
        return np.asarray((self.work_until(middle_s + length_s / 2) - before) / length_s, np.float64)
