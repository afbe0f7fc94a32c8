"""Speed, power, temperature, noise and cost of each profile side by side, and the Pareto front over them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from harness.analysis import comparisons, overall
from harness.analysis.family import Family, family_of
from harness.analysis.pareto import dominators
from harness.analysis.repeats import CellKey, CellRepeats
from harness.analysis.settings import AnalysisSettings
from harness.columns import B, Column, F, I, S
from harness.metrics import METRICS, ComparedMetric
from harness.metrics.definition import Role

EFFICIENCY_COLUMNS: tuple[Column, ...] = (
    Column("profile", S, "", "profile's name in the plan", nullable=False),
    Column("common_titles", I, "", "titles that all profiles have in full; the row rests on them", False),
    Column("speed_metric", S, "", "metric that speed_ratio is of: speed, average_fps or score"),
    Column("speed_ratio", F, "", "speed against the reference, geometric mean over titles; reference: 1"),
    Column("speed_low_ratio", F, "", "lower end of its interval"),
    Column("speed_high_ratio", F, "", "upper end of its interval"),
    Column("power_metric", S, "", "metric that mean_power_w is of: the card, the wall or the processor"),
    Column("mean_power_w", F, "W", "mean over the titles that every profile has"),
    Column("power_ratio", F, "", "mean power against the reference, geometric mean over titles"),
    Column("power_low_ratio", F, "", "lower end of its interval"),
    Column("power_high_ratio", F, "", "upper end of its interval"),
    Column("energy_per_frame_ratio", F, "", "energy per frame against the reference, the same way"),
    Column("fps_per_w_ratio", F, "", "FPS per watt against the reference, the same way"),
    Column("temperature_metric", S, "", "metric that temperature_difference_k is of"),
    Column("temperature_difference_k", F, "K", "against the reference, mean over titles"),
    Column("sound_difference_db", F, "dB", "against the reference, mean over titles"),
    Column("cost_per_hour", F, "", "electricity for one hour, in the plan's currency; see cost_basis"),
    Column("cost_basis", S, "", "whose power is paid: the whole rig, the card only or the processor only"),
    Column("on_front", B, "", "no other profile is at least as good in all and better in something", False),
    Column("dominated_by", S, "", "profiles that are; empty on the front", nullable=False),
    Column("domination_decided", B, "", "one is decided better in something and the same in the rest", False),
)  # fmt: skip

if TYPE_CHECKING:
    import pandas as pd

#: Axes that a profile is placed on, each by the metric that stands for it.
_AXES: Final[tuple[Role, ...]] = ("speed", "power", "temperature", "sound")


def efficiency_rows(
    cells: dict[CellKey, CellRepeats],
    across: Sequence[Mapping[str, Any]],
    profiles: Sequence[str],
    settings: AnalysisSettings,
) -> list[dict[str, Any]]:
    """Rows of :data:`EFFICIENCY_COLUMNS`: profiles are ranked over the titles that all of them have.

    The blank is the reference again and is not ranked.

    Args:
        across: The rows across titles, for the metrics that were compared.
    """
    profiles = [profile for profile in profiles if profile != settings.blank]
    names = {row["metric"] for row in across}
    axes = axes_of(names)
    speed, power, temperature, sound = axes
    ranked = [metric for metric in axes if metric is not None]
    family = family_of(cells, settings)
    cells = _common(cells, ranked, profiles)
    titles = len({key[0] for key in cells})
    by_key = _against(cells, names, profiles, family, settings)

    def against(metric: str | None, profile: str, neutral: float, of: str = "estimate") -> float:
        if metric is None or metric not in names:
            return math.nan
        found = by_key.get((metric, profile), {})
        return neutral if profile == settings.reference else float(found.get(of, math.nan))

    paid = _first(METRICS.paid(), names)
    rows: list[dict[str, Any]] = []
    for profile in profiles:
        watts = _mean_over_titles(cells, paid, profile, profiles)
        price = settings.cost.price_per_kwh if settings.cost is not None else math.nan
        rows.append(
            {
                "profile": profile,
                "common_titles": titles,
                "speed_metric": speed,
                "speed_ratio": against(speed, profile, 1.0),
                "speed_low_ratio": against(speed, profile, 1.0, "low"),
                "speed_high_ratio": against(speed, profile, 1.0, "high"),
                "power_metric": power,
                "mean_power_w": _mean_over_titles(cells, power, profile, profiles),
                "power_ratio": against(power, profile, 1.0),
                "power_low_ratio": against(power, profile, 1.0, "low"),
                "power_high_ratio": against(power, profile, 1.0, "high"),
                "energy_per_frame_ratio": against("energy_per_frame_j", profile, 1.0),
                "fps_per_w_ratio": against("fps_per_w", profile, 1.0),
                "temperature_metric": temperature,
                "temperature_difference_k": against(temperature, profile, 0.0),
                "sound_difference_db": against(sound, profile, 0.0),
                "cost_per_hour": cost_per_hour(watts, price),
                "cost_basis": METRICS.compared_as[paid].paid_for
                if paid is not None and price == price
                else None,
            }
        )
    _mark_front(rows, cells, settings, axes)
    return rows


def axes_of(names: set[str]) -> list[str | None]:
    """The metrics that profiles are ranked by: for speed, power, temperature and sound, of those compared."""
    return [_first(METRICS.standing_for(role), names) for role in _AXES]


def ranked_over(table: pd.DataFrame) -> str:
    """``the 2 titles that all profiles have``: what a table of :data:`EFFICIENCY_COLUMNS` rests on."""
    found = int(table["common_titles"].max())
    return f"the {'one title' if found == 1 else f'{found} titles'} that all profiles have"


def _common(
    cells: dict[CellKey, CellRepeats], wanted: Sequence[str], profiles: Sequence[str]
) -> dict[CellKey, CellRepeats]:
    """The cells of titles and settings that have every ranked metric under every profile."""

    def whole(group: tuple[str, str]) -> bool:
        found = [cells.get((*group, profile)) for profile in profiles]
        return all(c is not None and all(c.present(m).size for m in wanted) for c in found)

    groups = {group for group in {key[:2] for key in cells} if whole(group)}
    return {key: cell for key, cell in cells.items() if key[:2] in groups}


def _against(
    cells: dict[CellKey, CellRepeats],
    names: set[str],
    profiles: Sequence[str],
    family: Family,
    settings: AnalysisSettings,
) -> dict[tuple[str, str], Mapping[str, Any]]:
    """(metric, profile) -> the row across the titles of these cells, with the interval that would decide."""
    found: dict[tuple[str, str], Mapping[str, Any]] = {}
    for name in names:
        for profile in profiles:
            compared = comparisons.compare(cells, METRICS.compared_as[name], profile, settings)
            if profile != settings.reference and compared:
                metric = METRICS.compared_as[name]
                found[name, profile] = overall.decided_rows(metric, {profile: compared}, settings, family)[0]
    return found


def cost_per_hour(power_w: float, price_per_kwh: float) -> float:
    """Price of one hour at that power."""
    return power_w / 1000 * price_per_kwh


def _first(candidates: Sequence[ComparedMetric], names: set[str]) -> str | None:
    return next((metric.name for metric in candidates if metric.name in names), None)


def _mean_over_titles(
    cells: dict[CellKey, CellRepeats], metric: str | None, profile: str, profiles: Sequence[str]
) -> float:
    if metric is None:
        return math.nan
    means: dict[str, list[float]] = {}
    for title, setting in dict.fromkeys(key[:2] for key in cells):
        found = [cells.get((title, setting, p)) for p in profiles]
        if all(cell is not None and cell.present(metric).size for cell in found):
            means.setdefault(title, []).append(float(cells[title, setting, profile].present(metric).mean()))
    return float(np.mean([np.mean(own) for own in means.values()])) if means else math.nan


def _mark_front(
    rows: list[dict[str, Any]],
    cells: dict[CellKey, CellRepeats],
    settings: AnalysisSettings,
    metrics: Sequence[str | None],
) -> None:
    columns = ("speed_ratio", "power_ratio", "temperature_difference_k", "sound_difference_db")
    used = [
        (column, metric)
        for column, metric in zip(columns, metrics, strict=True)
        if metric is not None and any(row[column] == row[column] for row in rows)
    ]
    values = np.array([[row[column] for column, _ in used] for row in rows], dtype=np.float64)
    better = [column == "speed_ratio" for column, _ in used]
    beaten = dominators(values, better) if used else [[] for _ in rows]
    claimed = [metric for _, metric in used]
    claims = sum(map(len, beaten)) * len(claimed)
    for row, by in zip(rows, beaten, strict=True):
        row["on_front"] = not by and all(row[column] == row[column] for column, _ in used)
        row["dominated_by"] = ", ".join(rows[i]["profile"] for i in by)
        row["domination_decided"] = any(
            _decided(cells, row["profile"], rows[i]["profile"], claimed, claims, settings) for i in by
        )


def _decided(
    cells: dict[CellKey, CellRepeats],
    profile: str,
    other: str,
    metrics: Sequence[str],
    claims: int,
    settings: AnalysisSettings,
) -> bool:
    """True where ``other`` is decided better in something and nowhere undecided or worse.

    Args:
        claims: Comparisons of this kind that are made side by side; they share the error rate.
    """
    scored = family_of(cells, settings).scored
    directions = []
    for name in metrics:
        turned = replace(settings, reference=profile)
        compared = comparisons.compare(cells, METRICS.compared_as[name], other, turned)
        primary = frozenset({name, "speed"})
        family = Family(settings.alpha, primary, scored, name, max(1, claims), max(1, claims))
        rows = overall.decided_rows(METRICS.compared_as[name], {other: compared}, turned, family)
        directions += [row["direction"] for row in rows]
    return bool(directions) and "better" in directions and set(directions) <= {"better", "same"}
