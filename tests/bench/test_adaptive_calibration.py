"""Adaptive repeats on the simulated rig: error rates under looking, and machine time. Run by hand as
`test_analysis_calibration.py` says, and with it.

Every night is simulated to its last round; the rule then takes repeats from its start, title by title, as the
engine would ask for them.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import special

sys.path.insert(0, str(Path(__file__).parent))
from campaigns import (
    ALL,
    CALM,
    CAMPAIGNS,
    EDGE,
    EFFECTS,
    MIXED,
    SETTINGS,
    Tally,
    analysed,
    by_name,
    logs_of,
    print_and_check,
)
from rig_nights import Condition, nights

from harness.analysis import AnalysisSettings
from harness.analysis.spending import nominal_levels
from harness.metrics import METRICS
from harness.plan.schema import AdaptiveRepeats

pytestmark = pytest.mark.bench

ALPHAS = np.geomspace(1e-10, 0.5, 60)
RULES = {
    "until decided, 3-10": AdaptiveRepeats(at_least=3, at_most=10),
    "until decided, 5-10": AdaptiveRepeats(at_least=5, at_most=10),
    "until ±1.5 %, 3-10": AdaptiveRepeats(at_least=3, at_most=10, until_half_width_pct=1.5),
    "until ±1 %, 3-10": AdaptiveRepeats(at_least=3, at_most=10, until_half_width_pct=1.0),
}


@pytest.mark.parametrize("metric", ["average_fps", "one_percent_low_fps"])
@pytest.mark.parametrize("condition", [CALM, ALL], ids=by_name)
@pytest.mark.parametrize("name", RULES)
def test_adaptive_plans_keep_the_error_rates(name, condition, metric):
    settings = replace(SETTINGS, adaptive=RULES[name])
    rates, used = {}, {}
    for label, effect in EFFECTS.items():
        rates[label], used[label] = study(condition, metric, settings, effect)
    print(f"\nadaptive {name}, {metric}, {condition.name}, {CAMPAIGNS} nights")
    print_and_check(rates, at_most=100.0)
    plain = ", ".join(f"{tally.pct('plain t covered'):.2f} % {label}" for label, tally in rates.items())
    print(f"  a plain t interval at the stop would cover {plain}; mean repeats {used}")


def study(
    condition: Condition, metric: str, settings: AnalysisSettings, effect: float
) -> tuple[Tally, float]:
    """All campaigns at once by :func:`follow_rule`; the first 100 must equal the program's own decisions."""
    logs = logs_of(condition, metric, effect)
    names = ("undecided", "same", METRICS.compared_as[metric].up, METRICS.compared_as[metric].down)
    found = follow_rule(logs[:, :, 1] - logs[:, :, 0], settings)
    for c in range(min(100, CAMPAIGNS)):
        rows, across, repeats = run_adaptively(logs[c], metric, settings)
        assert repeats == found["n"][c].tolist()
        assert [row["decision"] for row in rows] == [names[code] for code in found["code"][c]]
        assert across["decision"] == names[found["code_all"][c]]
        assert [row["low"] for row in rows] == pytest.approx(np.exp(found["low"][c]), rel=1e-9)
        assert across["high"] == pytest.approx(np.exp(found["high_all"][c]), rel=1e-9)
    code, code_all = found["code"], found["code_all"]
    tally = Tally()
    tally.add("title covered", np.mean((found["low"] <= effect) & (effect <= found["high"])))
    tally.add("all covered", np.mean((found["low_all"] <= effect) & (effect <= found["high_all"])))
    tally.add("plain t covered", np.mean(np.abs(found["mean"] - effect) <= found["plain_half"]))
    tally.add("title same", np.mean((code == 1).any(axis=1)))
    tally.add("title differs", np.mean((code > 1).any(axis=1)))
    tally.add("all same", np.mean(code_all == 1))
    tally.add("all differs", np.mean(code_all > 1))
    tally.add("titles undecided", np.mean(code == 0))
    return tally, round(float(found["n"].mean()), 2)


def run_adaptively(logs: np.ndarray, metric: str, settings: AnalysisSettings):
    """Follow the program's own rule round by round; rows, row over all titles, and the repeats used."""
    rule = settings.adaptive
    repeats = [rule.at_least] * len(logs)
    while True:
        rows, across = analysed(logs, metric, repeats, settings)
        if settings.looks:
            going = [row["decision"] == "undecided" for row in rows]
        else:
            going = [half_width(row) > np.log1p(rule.until_half_width_pct / 100) for row in rows]
        wanted = [more and n < rule.at_most for more, n in zip(going, repeats, strict=True)]
        if not any(wanted):
            return rows, across, repeats
        repeats = [n + more for n, more in zip(repeats, wanted, strict=True)]


def test_adaptive_plans_save_machine_time_at_equal_interval_width():
    """500 nights of ten titles at mixed noise, none of which differ; all titles take the same time.

    The fixed plan measures 10 repeats of every cell; what it promises is the widest of its titles' intervals.
    The adaptive plan (3 to 24 repeats) goes on in each title until its interval is no wider. The other
    reading asks which fixed plan would have an interval over all titles as narrow as the adaptive plan's.
    """
    metric, fixed_n = "average_fps", 10
    saved, saved_over_titles, reached, widths, covered, decided_by = [], [], [], [], [], []
    for logs in nights(MIXED, min(500, CAMPAIGNS))[metric]:
        titles = len(logs)
        fixed_rows, fixed = analysed(logs, metric, [fixed_n] * titles)
        widest = max(half_width(row) for row in fixed_rows)
        rule = AdaptiveRepeats(
            at_least=3, at_most=MIXED.rounds, until_half_width_pct=100 * np.expm1(widest * (1 + 1e-9))
        )
        rows, across, repeats = run_adaptively(logs, metric, replace(SETTINGS, adaptive=rule))
        spent = sum(repeats) / titles
        reached.append(max(half_width(row) for row in rows) <= widest * (1 + 1e-6))
        saved.append(1 - spent / fixed_n)
        widths.append(half_width(across) / half_width(fixed))
        covered += [row["low"] <= 1 <= row["high"] for row in rows]
        as_narrow = next(
            n
            for n in range(2, MIXED.rounds + 1)
            if half_width(analysed(logs, metric, [n] * titles)[1]) <= half_width(across)
        )
        saved_over_titles.append(1 - spent / as_narrow)
        until_decided = replace(SETTINGS, adaptive=AdaptiveRepeats(at_least=3, at_most=12))
        rows, _, repeats = run_adaptively(logs, metric, until_decided)
        fixed_rows, _ = analysed(logs, metric, [12] * titles)
        decided_by.append(
            [
                1 - sum(repeats) / (12 * titles),
                *(np.mean([row["decision"] != "undecided" for row in made]) for made in (rows, fixed_rows)),
            ]
        )
    print(
        f"\n{len(saved)} nights at mixed noise: widest title interval of 10 repeats reached in "
        f"{100 * np.mean(reached):.1f} % of nights; machine time saved: median "
        f"{100 * np.median(saved):.1f} %, a tenth of the nights below {100 * np.quantile(saved, 0.1):.1f} %; "
        f"titles covered {100 * np.mean(covered):.1f} %\n"
        f"  interval over all titles {np.median(widths):.2f} times as wide; "
        f"against a fixed plan as narrow there: median {100 * np.median(saved_over_titles):.1f} % saved"
    )
    time, adaptive, fixed = 100 * np.array(decided_by).T
    print(
        f"  until decided, 3 to 12 repeats: median {np.median(time):.1f} % less machine time than 12 of "
        f"each; titles decided {adaptive.mean():.1f} % against {fixed.mean():.1f} %"
    )
    assert np.median(saved) >= 0.40
    assert np.mean(reached) > 0.95


def half_width(row: dict) -> float:
    return float(np.log(row["high"] / row["low"]) / 2)


def follow_rule(differences: np.ndarray, settings: AnalysisSettings) -> dict[str, np.ndarray]:
    """The adaptive rule and its decisions for many campaigns at once; differences (campaign, title, pair)."""
    rule, alpha = settings.adaptive, settings.alpha
    sums, squares = differences.cumsum(axis=-1), (differences**2).cumsum(axis=-1)
    n = np.full(differences.shape[:2], rule.at_least)
    level = alpha * settings.error_share(over_titles=False) / differences.shape[1]
    levels = np.array(nominal_levels(level / 2, rule.at_least, rule.at_most))
    while True:
        at = (n - 1)[..., None]
        mean = np.take_along_axis(sums, at, -1)[..., 0] / n
        square = np.take_along_axis(squares, at, -1)[..., 0]
        se = np.sqrt((square - n * mean**2) / (n - 1) / n)
        one_sided = levels[n - rule.at_least] if settings.looks else level / 2
        half = special.stdtrit(n - 1, 1 - one_sided) * se
        code = decided(mean - half, mean + half)
        going = code == 0 if settings.looks else half > np.log1p(rule.until_half_width_pct / 100)
        more = going & (n < rule.at_most)
        if not more.any():
            break
        n = n + more
    mean_all, se_all, df = over_titles(mean, se, n)
    share = settings.error_share(over_titles=True)
    half_all = special.stdtrit(df, 1 - alpha * share / 2) * se_all
    return {
        "n": n,
        "code": code,
        "mean": mean,
        "plain_half": special.stdtrit(n - 1, 1 - alpha / 2) * se,
        "low": mean - half,
        "high": mean + half,
        "code_all": decided(mean_all - half_all, mean_all + half_all),
        "low_all": mean_all - half_all,
        "high_all": mean_all + half_all,
    }


def over_titles(mean: np.ndarray, se: np.ndarray, n: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean, its standard error and degrees of freedom over titles, each (campaign,)."""
    variance = (se / n.shape[1]) ** 2
    total = variance.sum(axis=1)
    smallest = (n - 1).min(axis=1)
    df = (total**2 / (variance**2 / (n - 1)).sum(axis=1) + smallest) / 2
    return mean.mean(axis=1), np.sqrt(total), df


def decided(low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """0 undecided, 1 same, 2 up, 3 down: by the interval alone."""
    apart = np.where(low > 0, 2, np.where(high < 0, 3, 0))
    return np.where((low > EDGE) & (high < -EDGE), 1, apart)
