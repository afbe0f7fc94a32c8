"""Estimates, intervals and verdicts once more, from the repeats and the plan, by formulas written down here.

Ratios on the log scale; pairs by block where the order has blocks; Student's t; the step of readings as a
rectangular distribution; families by Bonferroni. Nothing is shared with the program.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

Cells = dict[tuple[str, str, str], pd.DataFrame]
#: Metric -> the quantities that it is made of, and the column that holds the first one's reading.
MADE_OF: Mapping[str, tuple[tuple[str, ...], str]] = {
    "mean_power_w": (("power_w",), "mean_power_w"),
    "energy_per_frame_j": (("power_w",), "mean_power_w"),
    "fps_per_w": (("power_w",), "mean_power_w"),
    "mean_wall_power_w": (("wall_power_w",), "mean_wall_power_w"),
    "mean_cpu_power_w": (("cpu_power_w",), "mean_cpu_power_w"),
    "end_core_temp_c": (("core_temp_c",), "end_core_temp_c"),
    "core_above_ambient_k": (("core_temp_c", "ambient_temp_c"), "end_core_temp_c"),
    "mean_hotspot_temp_c": (("hotspot_temp_c",), "mean_hotspot_temp_c"),
    "mean_memory_temp_c": (("memory_temp_c",), "mean_memory_temp_c"),
    "mean_cpu_temp_c": (("cpu_temp_c",), "mean_cpu_temp_c"),
    "mean_sound_level_dba": (("sound_level_dba",), "mean_sound_level_dba"),
}


@dataclass(frozen=True)
class Estimated:
    """A value on the scale of the analysis, with its standard error and degrees of freedom."""

    value: float
    se: float
    df: float

    def ends(self, error: float) -> tuple[float, float]:
        """Two-sided t interval at that error rate; NaN where the scatter is unknown."""
        if not self.se > 0:
            return math.nan, math.nan
        half = stats.t.ppf(1 - error / 2, self.df) * self.se
        return self.value - half, self.value + half

    def with_fixed(self, u: float) -> Estimated:
        """The same with what repeats don't average out; degrees of freedom by Welch and Satterthwaite."""
        if not u > 0 or math.isnan(self.se):
            return self
        se = math.hypot(self.se, u)
        df = self.df * (se / self.se) ** 4 if self.se > 0 else 1e6
        return Estimated(self.value, se, min(df, 1e6))


def grid_of(every: np.ndarray) -> float:
    """The coarsest of 1, 0.5, 0.2, 0.1 ... 0.0001 of which all values are multiples; 0 for none."""
    for grid in [1.0] + [digit / 10**place for place in (1, 2, 3, 4) for digit in (5, 2, 1)]:
        turns = every / grid
        if len(every) and np.all(np.abs(turns - np.rint(turns)) < 1e-6):
            return grid
    return 0.0


class Campaign:
    """One campaign's plan and counted repeats."""

    def __init__(
        self, plan: dict[str, Any], repeats: pd.DataFrame, samples: Sequence[pd.DataFrame] = ()
    ) -> None:
        self.samples = samples
        self.plan, self.head = plan, plan["plan"]
        self.reference = self.head["reference"]
        self.lower = {t["name"] for t in plan["titles"] if t.get("score_better") == "lower"}
        self.cells: Cells = {
            key: rows.reset_index(drop=True)
            for key, rows in repeats.groupby(["title", "setting", "profile"], sort=False)
        }
        titles = dict.fromkeys(key[0] for key in self.cells)
        self.scored = {t for t in titles if not self._any(t, "average_fps") and self._any(t, "score")}
        for (title, _, _), rows in self.cells.items():
            score = 1 / rows["score"] if title in self.lower else rows["score"]
            if self.scored:
                rows["speed"] = score if title in self.scored else rows["average_fps"]
        self.profiles = [p["name"] for p in plan["profiles"] if p["name"] != self.reference]
        self.alpha = 1 - self.head.get("confidence_pct", 95.0) / 100

    def _any(self, title: str, metric: str) -> bool:
        return any(rows[metric].notna().any() for key, rows in self.cells.items() if key[0] == title)

    # -- levels ------------------------------------------------------------------------------------------

    def values(self, key: tuple[str, str, str], metric: str, scale: str) -> pd.Series:
        """Block -> value of a cell's repeats that carry the metric."""
        rows = self.cells.get(key)
        if rows is None or metric not in rows:
            return pd.Series(dtype=float)
        found = rows.dropna(subset=[metric])
        found = found[found[metric] > 0] if scale == "ratio" else found
        return found.set_index("block")[metric].astype(float)

    def step_of_level(self, key: tuple[str, str, str], metric: str, scale: str) -> float:
        """Standard uncertainty of a cell's mean by the step of readings, in the metric's unit."""
        grid = self._grid(metric, scale) / math.sqrt(12)
        quantities, reading = MADE_OF.get(metric, ((), ""))
        stated = self.plan.get("instruments", {})
        parts = [
            max(stated.get(q, {}).get("resolution", 0.0), self._seen(q)) / math.sqrt(12) for q in quantities
        ]
        if not parts:
            return grid
        if scale != "ratio":
            return max(grid, math.sqrt(sum(part**2 for part in parts)))
        mean, read = (self.values(key, m, scale).mean() for m in (metric, reading))
        return max(grid, float(mean * parts[0] / read))

    def _grid(self, metric: str, scale: str) -> float:
        """The coarsest of 1, 0.5, 0.2, 0.1 … 0.0001 of which all of the campaign's values are multiples."""
        return grid_of(np.concatenate([self.values(key, metric, scale).to_numpy() for key in self.cells]))

    def _seen(self, quantity: str) -> float:
        """The grid of a quantity's readings in the telemetry at hand."""
        found = [table[quantity].dropna().to_numpy(float) for table in self.samples if quantity in table]
        return grid_of(np.concatenate(found)) if found else 0.0

    def level(self, key: tuple[str, str, str], metric: str, scale: str) -> tuple[float, float, float, int]:
        """Mean of a cell, the ends of its interval, and repeats."""
        x = self.values(key, metric, scale).to_numpy()
        se = stats.sem(x) if len(x) > 1 else math.nan
        found = Estimated(float(x.mean()), math.hypot(se, self.step_of_level(key, metric, scale)), len(x) - 1)
        found = found.with_fixed(abs(float(x.mean())) * self.instrument([key], metric))
        return (found.value, *found.ends(self.alpha), len(x))

    # -- comparisons -------------------------------------------------------------------------------------

    def change(
        self, title: str, setting: str, profile: str, metric: str, scale: str, against: str = ""
    ) -> Estimated | None:
        """One profile against the reference in one title and setting; None where one has nothing."""
        keys = [(title, setting, profile), (title, setting, against or self.reference)]
        ours, theirs = (self.values(key, metric, scale) for key in keys)
        if not len(ours) or not len(theirs):
            return None
        to = np.log if scale == "ratio" else np.asarray
        shared = sorted(set(ours.index) & set(theirs.index))
        blocked = self.head.get("order", "balanced") != "as-listed"
        if blocked and shared and (len(shared) > 1 or min(len(ours), len(theirs)) < 2):
            d = to(ours.loc[shared].to_numpy()) - to(theirs.loc[shared].to_numpy())
            se = stats.sem(d) if len(d) > 1 else math.nan
            found = Estimated(float(d.mean()), se, len(d) - 1)
        else:
            a, b = to(ours.to_numpy()), to(theirs.to_numpy())
            value = float(a.mean() - b.mean())
            if min(len(a), len(b)) < 2:
                found = Estimated(value, math.nan, math.nan)
            else:
                v, w = a.var(ddof=1) / len(a), b.var(ddof=1) / len(b)
                welch = (v + w) ** 2 / (v**2 / (len(a) - 1) + w**2 / (len(b) - 1))
                least = min(len(a), len(b)) - 1
                found = Estimated(value, math.sqrt(v + w), least if least <= 1 else (welch + least) / 2)
        steps = [self.step_of_level(key, metric, scale) for key in keys]
        if scale == "ratio":
            steps = [u / x.mean() for u, x in zip(steps, (ours, theirs), strict=True)]
        if math.hypot(*steps) > 0:
            found = Estimated(found.value, math.hypot(found.se, *steps), found.df)
        return found.with_fixed(self.instrument(keys, metric))

    def instrument(self, keys: Sequence[tuple[str, str, str]], metric: str) -> float:
        """Relative standard uncertainty of a power (one key) or of the ratio of two by its instrument.

        What the plan states of it, and what the card's sensor makes of the rhythm of frames.
        """
        quantities, reading = MADE_OF.get(metric, ((), ""))
        if not reading.endswith("_power_w"):
            return 0.0
        rows = [self.cells[key].dropna(subset=[metric]) for key in keys]
        read = [float(one[reading].mean()) for one in rows]
        stated = self.plan.get("instruments", {}).get(quantities[0], {})
        offset = stated.get("accuracy", 0.0) / math.sqrt(3)
        if len(keys) == 1:
            parts = [stated.get("accuracy_pct", 0.0) / 100 / math.sqrt(3), offset / read[0]]
        else:
            parts = [offset * (1 / read[0] - 1 / read[1])]
        if reading != "mean_power_w":
            return math.hypot(*parts)
        shares = [(one["power_sensor_u_w"] / one[reading]).dropna() for one in rows]
        sensor = math.hypot(*(math.sqrt((share**2).mean()) for share in shares if len(share)))
        return math.hypot(max(sensor, self._wall(rows) / min(read)), *parts)

    @staticmethod
    def _wall(rows: Sequence[pd.DataFrame]) -> float:
        """What a meter at the wall disputes of a difference, as a standard uncertainty, W."""
        names = ("mean_power_w", "mean_wall_power_w", "mean_cpu_power_w")
        if len(rows) < 2 or any(one[name].count() < 2 for one in rows for name in names):
            return 0.0
        apart, variance = {}, 0.0
        for name in names:
            ours, theirs = (one[name].dropna() for one in rows)
            apart[name] = ours.mean() - theirs.mean()
            variance += ours.var() / len(ours) + theirs.var() / len(theirs)
        through = apart["mean_wall_power_w"] - apart["mean_cpu_power_w"] / 0.9
        low, high = sorted((0.78 * through, 0.97 * through))
        outside = max(low - apart["mean_power_w"], apart["mean_power_w"] - high, 0.0)
        df = min(one[name].count() for one in rows for name in names) - 1
        return outside / math.sqrt(3) if outside > stats.t.ppf(0.995, df) * math.sqrt(variance) else 0.0

    def over_titles(
        self, profile: str, metric: str, scale: str, titles: Sequence[str] | None = None, against: str = ""
    ) -> tuple[Estimated, int, float]:
        """Settings of a title averaged, then titles; the titles, and the scatter between them."""
        found: dict[str, list[Estimated]] = {}
        turned: dict[str, bool] = {}
        for title, setting in dict.fromkeys(key[:2] for key in self.cells):
            one = self.change(title, setting, profile, metric, scale, against)
            if one is not None and (titles is None or title in titles):
                found.setdefault(title, []).append(one)
                turned[title] = metric == "score" and title in self.lower
        if len(set(turned.values())) > 1:
            for title, mine in found.items():
                if turned[title]:
                    found[title] = [Estimated(-one.value, one.se, one.df) for one in mine]
        means = [average(mine) for mine in found.values()]
        between = float(np.std([m.value for m in means], ddof=1)) if len(means) > 1 else math.nan
        return average(means), len(means), between

    # -- families ----------------------------------------------------------------------------------------

    @property
    def primary(self) -> set[str]:
        rule = self.head.get("repeats")
        also = rule.get("decide_on", ["average_fps"]) if isinstance(rule, dict) else []
        named = [*self.head.get("primary_metrics", ["average_fps", "one_percent_low_fps"]), *also]
        return {"speed" if name == "average_fps" else name for name in named}

    @property
    def headline(self) -> str:
        return "speed" if self.scored else "average_fps"

    def error(self, metric: str, title: str | None) -> float:
        """Error rate of the interval of one number: in a title, or over all (None)."""
        measured = sum(
            name == "speed" or any(name in rows and rows[name].notna().any() for rows in self.cells.values())
            for name in self.primary
        )
        family = len(self.profiles) * measured
        if title is not None:
            family *= sum(len(t.get("settings", [0])) for t in self.plan["titles"])
        return self.alpha / family if self.claimed(metric, title) else self.alpha

    def claimed(self, metric: str, title: str | None) -> bool:
        if metric in ("speed", "average_fps", "score"):
            tells = metric == self.headline
            if title is not None:
                tells = metric == "speed" or (metric == "score") == (title in self.scored)
            return "speed" in self.primary and tells
        return metric in self.primary


def average(parts: Sequence[Estimated]) -> Estimated:
    """Mean of independent estimates; the scatter between them where one of them has none of its own."""
    if len(parts) == 1:
        return parts[0]
    value = float(np.mean([part.value for part in parts]))
    dfs = [part.df for part in parts]
    if all(part.se > 0 for part in parts) and (min(dfs) > 1 or max(dfs) <= 1):
        v = [(part.se / len(parts)) ** 2 for part in parts]
        welch = sum(v) ** 2 / sum(one**2 / df for one, df in zip(v, dfs, strict=True))
        return Estimated(value, math.sqrt(sum(v)), (welch + min(dfs)) / 2)
    x = np.array([part.value for part in parts])
    return Estimated(value, float(stats.sem(x)), len(x) - 1)
