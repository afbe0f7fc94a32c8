"""Where the rows of a chart stand on its vertical axis: one below the other, or in groups with headings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import FigureBase
from numpy.typing import NDArray

from harness.report.charts.chart import row_name


@dataclass(frozen=True)
class Rows:
    """Heights of rows, downwards, 1 apart.

    Attributes:
        columns: Columns whose values together name a row.
        heights: Those values -> height.
        ticks: Height and text of each row and heading.
        headings: Places in ``ticks`` that are headings.
        edges: Heights between rows, or between groups where there are groups.
    """

    columns: Sequence[str]
    heights: Mapping[tuple[str, ...], float]
    ticks: Sequence[tuple[float, str]]
    headings: Sequence[int]
    edges: Sequence[float]

    @classmethod
    def of(cls, frame: pd.DataFrame, within: str | None = None) -> Rows:
        """Rows by ``row_label``, summaries last; with ``within`` a row for each of its values under that."""
        if "summary" in frame:
            frame = frame.sort_values("summary", kind="stable")
        columns = ["row_label"] if within is None else ["row_label", within]
        heights: dict[tuple[str, ...], float] = {}
        ticks: list[tuple[float, str]] = []
        headings: list[int] = []
        edges: list[float] = []
        at = 0.0
        for label, group in frame.groupby("row_label", sort=False):
            edges.append(at - 0.5)
            if within is not None:
                headings.append(len(ticks))
                ticks.append((at, str(label)))
                at += 1
            for key in dict.fromkeys(group[columns].itertuples(index=False, name=None)):
                heights[tuple(key)] = at
                ticks.append((at, str(key[-1])))
                at += 1
        return cls(columns, heights, ticks, headings, edges[1:])

    def at(
        self, frame: pd.DataFrame, place: int = 0, places: int = 1, share: float = 0.72
    ) -> NDArray[np.float64]:
        """Height of each row of ``frame``, for the ``place``-th of ``places`` marks that share a row."""
        keys = frame[list(self.columns)].itertuples(index=False, name=None)
        offset = (place - (places - 1) / 2) * share / max(places, 1)
        return np.array([self.heights[tuple(key)] for key in keys], np.float64) + offset

    def without(self, frame: pd.DataFrame) -> list[float]:
        """Heights of the rows that have nothing in ``frame``."""
        there = set(frame[list(self.columns)].itertuples(index=False, name=None))
        return [height for key, height in self.heights.items() if key not in there]

    def label(self, figure: FigureBase, ax: Axes, panels: int = 1) -> None:
        """Write the rows' names beside the axis, headings in bold; ``panels`` stand below each other."""
        names = panels * len(self.ticks)
        ax.set_yticks([at for at, _ in self.ticks], [row_name(figure, text, names) for _, text in self.ticks])
        for place in self.headings:
            ax.get_yticklabels()[place].set_fontweight("bold")
        ax.set_ylim(self.ticks[-1][0] + 0.5, -0.5)
