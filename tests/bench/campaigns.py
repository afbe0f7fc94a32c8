"""Campaigns of a calibration study, as the analysis sees them, and how often it was right."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from rig_nights import PROFILES, Condition, nights

from harness.analysis import AnalysisSettings, comparisons, overall
from harness.analysis.family import family_of
from harness.analysis.repeats import CellRepeats
from harness.metrics import METRICS

CAMPAIGNS = int(os.environ.get("LEVELRIG_CAMPAIGNS", "5000"))
SETTINGS = AnalysisSettings(PROFILES[0], profiles=PROFILES)
EDGE = float(np.log(0.97))  # exactly at the margin: "same" is false here
EFFECTS = {"no effect": 0.0, "slower by the margin": EDGE, "faster by the margin": -EDGE}
UP_AND_DOWN = ("faster", "slower", "higher", "lower")

CALM = Condition("calm", 1_000_000)
DRIFT = Condition("drift", 2_000_000, rounds=5, hot=True)
OUTLIERS = Condition("outliers", 3_000_000, rounds=5, outlier_share=0.05)
ALL = Condition("all", 4_000_000, hot=True, outlier_share=0.05)
TEN_TITLES = Condition(
    "ten titles", 5_000_000, 3, (0.3, 0.35, 0.4, 0.45, 0.5, 0.6, 0.7, 0.8, 1.0, 1.2), True, 0.05
)
#: Ten titles' spread from run to run: lognormal around 0.6 % with a scatter of 0.9, at the tenths' middles.
MIXED = Condition("mixed noise", 7_000_000, 24, (0.14, 0.24, 0.33, 0.42, 0.54, 0.67, 0.85, 1.1, 1.52, 2.64))
CONDITIONS = (CALM, DRIFT, OUTLIERS, ALL)


def by_name(condition: Condition) -> str:
    return condition.name


def logs_of(condition: Condition, metric: str, effects: np.ndarray | float = 0.0) -> np.ndarray:
    """Logarithms of a metric with effects in the second profile, shape (campaign, title, 2, repeat).

    Args:
        effects: One for all, or per title, or per campaign and title.
    """
    logs = nights(condition, CAMPAIGNS)[metric].copy()
    logs[:, :, 1] += np.broadcast_to(effects, logs.shape[:2])[..., None]
    return logs


def cells_of(logs: np.ndarray, metric: str, repeats: Sequence[int]) -> dict:
    """The first repeats of one campaign, logs (title, 2, repeat), as the analysis reads them."""
    cells = {}
    for title, n in enumerate(repeats):
        blocks = tuple(("c", block) for block in range(n))
        for place, profile in enumerate(PROFILES):
            values = {metric: np.exp(logs[title, place, :n])}
            cells[f"t{title}", "default", profile] = CellRepeats(f"t{title}.{profile}", blocks, values)
    return cells


def analysed(logs: np.ndarray, metric: str, repeats: Sequence[int], settings: AnalysisSettings = SETTINGS):
    """Rows of the titles and the row over all of one campaign, as the program decides; one primary metric."""
    measure = METRICS.compared_as[metric]
    cells = cells_of(logs, metric, repeats)
    settings = replace(settings, primary=(metric,), groups=len(logs))
    family = family_of(cells, settings)
    found, rows = comparisons.decided_rows(cells, measure, PROFILES[1], settings, family)
    return rows, overall.decided_rows(measure, {PROFILES[1]: found}, settings, family)[0]


class Tally:
    """Rates over campaigns, in percent."""

    def __init__(self) -> None:
        self._seen: dict[str, list[float]] = {}

    def add(self, name: str, value: float) -> None:
        self._seen.setdefault(name, []).append(float(value))

    def pct(self, name: str) -> float:
        return 100 * float(np.mean(self._seen.get(name, [0.0])))

    def __iter__(self) -> Iterator[str]:
        return iter(self._seen)


def count(tally: Tally, rows: list[dict], across: dict, truth: np.ndarray) -> None:
    """Add one campaign; truth is the true log ratio of each title."""
    decisions = [row["decision"] for row in rows]
    for row, true in zip(rows, truth, strict=True):
        tally.add("title covered", row["low"] <= np.exp(true) <= row["high"])
    tally.add("all covered", across["low"] <= np.exp(truth.mean()) <= across["high"])
    tally.add("title same", "same" in decisions)
    tally.add("title differs", any(word in decisions for word in UP_AND_DOWN))
    tally.add("all same", across["decision"] == "same")
    tally.add("all differs", across["decision"] in UP_AND_DOWN)
    tally.add("titles undecided", np.mean([decision == "undecided" for decision in decisions]))


def print_and_check(rates: dict[str, Tally], at_most: float = 100.0) -> None:
    """Print the rates of all effects; coverage at least as stated, wrong decisions at most 5 %.

    Both within two standard errors of the study itself.
    """
    for label, tally in rates.items():
        print(
            f"  {label:20s} covered: title {tally.pct('title covered'):.2f} %, all titles "
            f"{tally.pct('all covered'):.2f} %; titles undecided {tally.pct('titles undecided'):.1f} %"
        )
    none, *edges = (rates[label] for label in EFFECTS)
    wrong = {
        "false same, any title": float(np.mean([edge.pct("title same") for edge in edges])),
        "false same, all titles": float(np.mean([edge.pct("all same") for edge in edges])),
        "false faster or slower, any title": none.pct("title differs"),
        "false faster or slower, all titles": none.pct("all differs"),
    }
    print("  " + "; ".join(f"{name} {value:.2f} %" for name, value in wrong.items()))
    error = 2 * 100 * np.sqrt(0.05 * 0.95 / CAMPAIGNS)
    assert max(wrong.values()) <= 5.0 + error
    for tally in rates.values():
        assert 93.5 - error <= tally.pct("title covered") <= at_most + error
        assert 93.5 - error <= tally.pct("all covered") <= at_most + error
