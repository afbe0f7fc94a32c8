"""Calibration of the analysis on the simulated rig, where the truth is known. Run by hand, with output:

    LEVELRIG_STUDY=/tmp/nights nice -n 19 .venv/bin/pytest tests/bench/test_analysis_calibration.py \
        tests/bench/test_adaptive_calibration.py -m bench -s -p no:cacheprovider

5,000 nights per condition (LEVELRIG_CAMPAIGNS), about a quarter of an hour each; `rig_nights` says how they
are made and why their truth is known. LEVELRIG_STUDY names a folder that keeps them. All is decided by the
program's own functions; only the reading of tables is left out.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

sys.path.insert(0, str(Path(__file__).parent))
from campaigns import (
    ALL,
    CALM,
    CAMPAIGNS,
    CONDITIONS,
    DRIFT,
    EDGE,
    EFFECTS,
    TEN_TITLES,
    Tally,
    analysed,
    by_name,
    count,
    logs_of,
    print_and_check,
)
from rig_nights import PROFILES, TITLES, Condition, Night, nights

from harness import log
from harness.engine.campaign import run_campaign
from harness.engine.progress import Silent, StopSignal
from harness.hookspecs import RehearsalRequest
from harness_plugins.simulated.rig import SimulatedRig

pytestmark = pytest.mark.bench

METRICS = ("average_fps", "one_percent_low_fps")
FIXED = 5


@pytest.mark.parametrize("metric", METRICS)
@pytest.mark.parametrize("condition", CONDITIONS, ids=by_name)
def test_fixed_plans_cover_as_stated_and_seldom_decide_wrongly(condition, metric):
    rates = {}
    for label, effect in EFFECTS.items():
        tally = rates[label] = Tally()
        for logs in logs_of(condition, metric, effect):
            rows, across = analysed(logs, metric, [FIXED] * len(logs))
            count(tally, rows, across, np.full(len(logs), effect))
    print(f"\nfixed, {FIXED} repeats, {metric}, {condition.name}, {CAMPAIGNS} nights")
    print_and_check(rates)


@pytest.mark.parametrize("metric", METRICS)
@pytest.mark.parametrize("titles", [4, 10])
def test_the_wider_interval_covers_the_effect_in_titles_like_these(titles, metric):
    """True effects scatter by 2 % from title to title, around none."""
    truth = np.random.default_rng(2026).normal(0, 0.02, (CAMPAIGNS, 10))
    tally = Tally()
    for logs, true in zip(logs_of(TEN_TITLES, metric, truth), truth, strict=True):
        rows, across = analysed(logs[:titles], metric, [TEN_TITLES.rounds] * titles)
        count(tally, rows, across, true[:titles])
        tally.add("like these", across["like_these_low"] <= 1 <= across["like_these_high"])
    print(
        f"\n{titles} titles x {TEN_TITLES.rounds} repeats, {metric}, drift and outliers, {CAMPAIGNS} nights: "
        f"covered for similar titles {tally.pct('like these'):.2f} %, for these "
        f"{tally.pct('all covered'):.2f} %, single titles {tally.pct('title covered'):.2f} %"
    )
    for name in ("like these", "all covered", "title covered"):
        assert tally.pct(name) >= 93.5  # joint intervals, three repeats with outliers: on the wide side


@pytest.mark.parametrize("condition", [CALM, ALL], ids=by_name)
def test_naive_practice_is_wrong_far_more_often(condition):
    """One run each; one profile after the other; frames pooled as if independent."""
    tally = Tally()
    night = nights(condition, CAMPAIGNS)
    for c, logs in enumerate(night["average_fps"]):
        single = logs[:, 1, 0] - logs[:, 0, 0]
        tally.add("one run each, 1 % taken as real: false difference", (np.abs(single) > 0.01).any())
        tally.add("one run each, inside 3 % taken as same: false same", (np.abs(single + EDGE) < -EDGE).any())
        first, second = logs[:, 0, :FIXED], logs[:, 1, -FIXED:]
        later = stats.ttest_ind(first, second, axis=-1, equal_var=False).pvalue
        tally.add("one profile after the other: false difference", (later < 0.05).any())
        frames = {
            name: night[name][c, ..., :FIXED] for name in ("frames", "frame_mean_ms", "frame_square_ms2")
        }
        log_ratio, se = pooled_frames(**frames)
        tally.add("frames pooled: title covered", (np.abs(log_ratio) <= 1.96 * se).mean())
        tally.add("frames pooled: false difference", (np.abs(log_ratio) > 1.96 * se).any())
        tally.add("frames pooled: false same", (np.abs(log_ratio + EDGE) + 1.645 * se < -EDGE).any())
    print(f"\nnaive practice, any of three titles, {condition.name}, {CAMPAIGNS} nights")
    for name in tally:
        print(f"  {name} {tally.pct(name):.1f} %")
    assert tally.pct("frames pooled: title covered") < 90
    assert tally.pct("one run each, 1 % taken as real: false difference") > 20


def pooled_frames(frames: np.ndarray, frame_mean_ms: np.ndarray, frame_square_ms2: np.ndarray):
    """Log ratio of average FPS and its standard error per title, all frames taken as independent."""
    n = frames.sum(axis=-1)
    mean = (frames * frame_mean_ms).sum(axis=-1) / n
    variance = (frames * frame_square_ms2).sum(axis=-1) / n - mean**2
    return np.log(mean[:, 0] / mean[:, 1]), np.sqrt((variance / mean**2 / n).sum(axis=1))


def test_an_arithmetic_mean_of_fps_names_the_wrong_winner():
    """The fastest title, made twice as fast, gains 6 %, the two others lose 4 %: quiet is slower."""
    tally = Tally()
    for logs in logs_of(CALM, "average_fps"):
        fast = np.arange(len(logs)) == logs.mean(axis=(1, 2)).argmax()
        logs[fast] += np.log(2.0)
        logs[:, 1] += np.log(np.where(fast, 1.06, 0.96))[:, None]
        fps = np.exp(logs[..., :FIXED]).mean(axis=-1)
        _, across = analysed(logs, "average_fps", [FIXED] * len(logs))
        tally.add("arithmetic mean of FPS", fps[:, 1].mean() > fps[:, 0].mean())
        tally.add("geometric mean of ratios", across["estimate"] > 1)
    print(f"\ntwo titles -4 %, a fast one +6 %, {CAMPAIGNS} nights: quiet called faster by")
    for name in tally:
        print(f"  {name} {tally.pct(name):.1f} %")
    assert tally.pct("arithmetic mean of FPS") > 90
    assert tally.pct("geometric mean of ratios") < 20


@pytest.mark.parametrize("condition", [CALM, DRIFT], ids=by_name)
def test_whole_nights_through_engine_and_store_repeat_those_of_the_study(condition, tmp_path):
    """Eight nights of five rounds each way, on seeds of their own; both have the same rig and runs."""
    log.configure(verbose=False)
    night = Condition(condition.name, 6_000_000, FIXED, hot=condition.hot)
    here: dict[str, list[np.ndarray]] = {metric: [] for metric in METRICS}
    there: dict[str, list[np.ndarray]] = {metric: [] for metric in METRICS}
    for seed in range(night.first_seed, night.first_seed + 8):
        direct, whole = Night(night, seed).measure(), through_the_engine(night, seed, tmp_path / str(seed))
        for metric in METRICS:
            here[metric].append(direct[metric])
            there[metric].append(whole[metric])
    print(f"\n8 nights of {FIXED} rounds, {condition.name}, engine and store against the study's generator")
    for metric in METRICS:
        direct, whole = np.array(here[metric]), np.array(there[metric])
        apart_pct = 100 * (whole - direct)
        level_pct, error_pct = float(apart_pct.mean()), float(apart_pct.std() / np.sqrt(apart_pct.size))
        scatter_pct = [100 * float(np.std(logs[:, :, 1] - logs[:, :, 0])) for logs in (direct, whole)]
        print(
            f"  {metric}: level {level_pct:+.3f} % apart (standard error {error_pct:.3f}); scatter of a pair "
            f"{scatter_pct[0]:.3f} % in the study, {scatter_pct[1]:.3f} % through the engine; the same "
            f"repeat differs by {apart_pct.std():.3f} %"
        )
        assert abs(level_pct) < 0.05 + 3 * error_pct
        assert scatter_pct[1] == pytest.approx(scatter_pct[0], rel=0.15)


def through_the_engine(night: Condition, seed: int, folder: Path) -> dict[str, np.ndarray]:
    """The same night as a campaign: metric -> logarithms (title, 2, repeat)."""
    options = night.options.model_dump()
    run_campaign(
        plan=night.plan,
        plan_text="",
        plan_source="",
        rig=SimulatedRig(RehearsalRequest(plan=night.plan, seed=seed, options=options)),
        folder=folder,
        observer=Silent(),
        stop=StopSignal(),
    )
    table = pd.read_parquet(folder / "dataset" / "repeats.parquet")
    place = (
        table["title"].map(TITLES.index).to_numpy(),
        table["profile"].map(PROFILES.index).to_numpy(),
        table["repeat_index"].to_numpy() - 1,
    )
    found = {}
    for metric in METRICS:
        found[metric] = np.full((len(night.noise_pct), 2, night.rounds), np.nan)
        found[metric][place] = np.log(table[metric])
    return found
