"""Accepted repeats by cell and metric: the one place that reads the table of repeats."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from harness.analysis.estimate import Array
from harness.analysis.settings import AnalysisSettings
from harness.metrics import METRICS, ComparedMetric

_IDS = ("title", "setting", "profile")
#: Standard uncertainty of the card's mean power that repeats don't average out.
SENSOR_U: Final = "power_sensor_u_w"
CellKey = tuple[str, str, str]


@dataclass(frozen=True)
class CellRepeats:
    """The repeats of one cell.

    Attributes:
        cell_id: ``title.setting.profile``.
        blocks: Campaign and block of each repeat, the key of pairing; block -1 where none is known.
        indices: Planned repeat that each serves, from 1; empty where it is not known.
        values: Metric name -> values, shape (n,), NaN where missing.
    """

    cell_id: str
    blocks: tuple[tuple[str, int], ...]
    values: dict[str, Array]
    indices: tuple[int, ...] = ()
    sensed: Mapping[str, Array] = field(default_factory=dict)

    def stage(self, planned: int, *, extended: bool) -> CellRepeats:
        """The planned repeats alone, or those beyond them."""
        kept = [place for place, index in enumerate(self.indices) if (index > planned) == extended]
        values = {name: column[kept] for name, column in self.values.items()}
        blocks = tuple(self.blocks[place] for place in kept)
        sensed = {name: column[kept] for name, column in self.sensed.items()}
        return CellRepeats(self.cell_id, blocks, values, tuple(self.indices[p] for p in kept), sensed)

    def present(self, metric: str) -> Array:
        """The values that are there, shape (k,)."""
        values = self.values.get(metric)
        return values[~np.isnan(values)] if values is not None else np.empty(0)

    def by_block(self, metric: str) -> dict[tuple[str, int], float]:
        """Block -> mean of the values that are there (one repeat of a cell per block is the rule).

        Repeats without a known block are in none.
        """
        grouped: dict[tuple[str, int], list[float]] = {}
        if metric in self.values:
            for block, value in zip(self.blocks, self.values[metric].tolist(), strict=True):
                if value == value and block[1] >= 0:
                    grouped.setdefault(block, []).append(value)
        return {block: sum(found) / len(found) for block, found in grouped.items()}


def planned(repeats: pd.DataFrame) -> pd.DataFrame:
    """The repeats that results rest on: neither sentinels nor re-measurements."""
    table = repeats
    for column in ("sentinel", "second_look"):
        if column in table.columns:
            table = table[~table[column].fillna(False).astype(bool)]
    return table


def cells_of(repeats: pd.DataFrame, settings: AnalysisSettings) -> dict[CellKey, CellRepeats]:
    """Group a table of repeats by cell, in the order of the settings.

    Rows with a verdict other than ``accepted``, sentinels and re-measurements are left out. Values that a
    ratio can't take (zero or negative) are treated as missing.

    Raises:
        ValueError: A column that identifies a repeat is missing.
    """
    missing = [name for name in _IDS if name not in repeats.columns]
    if missing:
        raise ValueError(f"table of repeats lacks {', '.join(missing)}; see harness.tables.ATTEMPTS")
    table = _counting(repeats)
    campaigns = (
        table["campaign_id"].astype(str).to_numpy()
        if "campaign_id" in table.columns
        else np.full(len(table), "")
    )
    blocks = _blocks(table)
    indices = table["repeat_index"].to_numpy(np.int64) if "repeat_index" in table.columns else None
    columns = {
        metric.name: _column(table, metric) for metric in METRICS.compared() if metric.name in table.columns
    }
    sensed = {name: _numbers(table, name) for name in (SENSOR_U,) if name in table.columns}
    wanted = settings.metrics
    groups: dict[CellKey, list[int]] = {}
    for row, key in enumerate(zip(table["title"], table["setting"], table["profile"], strict=True)):
        groups.setdefault(key, []).append(row)
    found: dict[CellKey, CellRepeats] = {}
    for key in sorted(groups, key=lambda key: _rank(key, settings)):
        rows = groups[key]
        found[key] = CellRepeats(
            cell_id=".".join(key),
            blocks=tuple((str(campaigns[row]), int(blocks[row])) for row in rows),
            values={name: column[rows] for name, column in columns.items()},
            indices=tuple(int(indices[row]) for row in rows) if indices is not None else (),
            sensed={name: column[rows] for name, column in sensed.items()},
        )
    _add_speed(found, settings)
    if wanted is not None:
        for cell in found.values():
            for name in [name for name in cell.values if name not in (*wanted, "speed")]:
                del cell.values[name]
    return found


def _counting(repeats: pd.DataFrame) -> pd.DataFrame:
    accepted = repeats[repeats["verdict"] == "accepted"] if "verdict" in repeats.columns else repeats
    return planned(accepted)


def no_ratios(repeats: pd.DataFrame, settings: AnalysisSettings) -> dict[ComparedMetric, int]:
    """Metrics compared by ratio -> values of accepted repeats that are zero or negative, where there are."""
    table, found = _counting(repeats), {}
    for metric in METRICS.compared():
        wanted = settings.metrics is None or metric.name in settings.metrics
        if wanted and metric.scale == "ratio" and metric.name in table.columns:
            values = pd.to_numeric(table[metric.name], errors="coerce").to_numpy(np.float64, na_value=np.nan)
            if count := int((values <= 0).sum()):
                found[metric] = count
    return found


def _blocks(table: pd.DataFrame) -> NDArray[np.int64]:
    """Blocks, -1 where none is known: without a stated key nothing tells which repeats belong together."""
    if "block" not in table.columns:
        return np.full(len(table), -1)
    return np.asarray(table["block"].to_numpy(dtype=np.int64, na_value=-1))


def lower_score_titles(repeats: pd.DataFrame, settings: AnalysisSettings) -> frozenset[str]:
    """Titles whose score is better when lower: those of the settings, and of a column ``score_better``."""
    if "score_better" not in repeats.columns:
        return settings.lower_score_titles
    said = repeats.loc[repeats["score_better"].astype(str) == "lower", "title"]
    return settings.lower_score_titles | frozenset(said.astype(str))


def metrics_in(cells: Iterable[CellRepeats], settings: AnalysisSettings) -> list[ComparedMetric]:
    """The metrics that some repeat carries, in the order wanted."""
    present = {name for cell in cells for name, values in cell.values.items() if not np.isnan(values).all()}
    metrics = [metric for metric in METRICS.compared() if metric.name in present]
    if settings.metrics is not None:
        place = {name: i for i, name in enumerate(settings.metrics)}
        metrics.sort(key=lambda metric: place.get(metric.name, -1))
    return metrics


def _column(table: pd.DataFrame, metric: ComparedMetric) -> Array:
    values = _numbers(table, metric.name)
    return np.where(values > 0, values, np.nan) if metric.scale == "ratio" else values


def _numbers(table: pd.DataFrame, name: str) -> Array:
    values = pd.to_numeric(table[name], errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
    return np.where(np.isfinite(values), values, np.nan)


def _add_speed(cells: dict[CellKey, CellRepeats], settings: AnalysisSettings) -> None:
    """Add ``speed`` where some title gives a score and no frames; else it would say nothing new."""

    def has(title: str, metric: str) -> bool:
        return any(cell.present(metric).size for key, cell in cells.items() if key[0] == title)

    titles = {key[0] for key in cells}
    scored = {title for title in titles if has(title, "score") and not has(title, "average_fps")}
    if not scored:
        return
    for (title, _, _), cell in cells.items():
        source = "score" if title in scored else "average_fps"
        if source in cell.values:
            values = cell.values[source]
            inverted = title in scored and title in settings.lower_score_titles
            cell.values["speed"] = 1 / values if inverted else values.copy()


def _rank(key: CellKey, settings: AnalysisSettings) -> tuple[int, str, str, int, str]:
    title, setting, profile = key
    titles = {name: i for i, name in enumerate(settings.titles)}
    profiles = {name: i for i, name in enumerate(settings.profiles)}
    return (
        titles.get(title, len(titles)), title, setting,
        profiles.get(profile, len(profiles)), profile,
    )  # fmt: skip
