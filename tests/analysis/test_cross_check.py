"""t, bootstrap and mixed model on the same repeats."""

import numpy as np
import pandas as pd
import pytest

from harness.analysis import AnalysisSettings, cross_check
from harness.analysis.analyse import analyse
from harness.analysis.mixed import mixed_estimate

SETTINGS = AnalysisSettings("factory", profiles=("factory", "quiet"))


def table(titles: int, repeats: int, title_sd: float, sd: float, seed: int = 1) -> pd.DataFrame:
    random = np.random.default_rng(seed)
    rows = []
    for title in range(titles):
        effect = random.normal(0.01, title_sd)
        for block in range(repeats):
            shared = random.normal(0, 0.02)
            rows += [
                {
                    "campaign_id": "c",
                    "title": f"t{title}",
                    "setting": "default",
                    "profile": profile,
                    "block": block,
                    "average_fps": 60 * np.exp(shared + tuned * effect + random.normal(0, sd)),
                }
                for tuned, profile in enumerate(("factory", "quiet"))
            ]
    return pd.DataFrame(rows)


def test_the_three_procedures_agree_where_their_assumptions_hold():
    """Equal scatter, complete blocks, many repeats: same estimate, interval widths within 15 %."""
    found = cross_check(table(8, 20, title_sd=0.0, sd=0.01), SETTINGS)
    these = found[found["scope"] == "these titles"].set_index("method")
    assert set(these.index) == {"t", "bootstrap", "mixed model"}
    assert these["estimate"].to_numpy() == pytest.approx(these.loc["t", "estimate"], rel=1e-6)
    widths = these["high"] - these["low"]
    assert widths.to_numpy() == pytest.approx(widths["t"], rel=0.15)
    assert (found["note"] == "").all()


def test_where_titles_differ_the_mixed_model_gives_the_interval_of_the_title_means():
    """Balanced data: REML with a random effect of title equals the t interval over title means."""
    data = table(10, 6, title_sd=0.03, sd=0.004)
    found = cross_check(data, SETTINGS).set_index(["scope", "method"])
    t, mixed = (found.loc[("similar titles", method)] for method in ("t", "mixed model"))
    assert mixed["estimate"] == pytest.approx(t["estimate"], rel=1e-4)
    assert mixed["high"] - mixed["low"] == pytest.approx(t["high"] - t["low"], rel=0.02)
    overall = analyse(data, SETTINGS).overall.iloc[0]
    assert (t["low"], t["high"]) == (overall["like_these_low"], overall["like_these_high"])


def test_few_repeats_carry_a_caution_with_the_bootstrap():
    found = cross_check(table(3, 4, 0.0, 0.01), SETTINGS).set_index(["scope", "method"])
    assert "too narrow" in found.loc[("these titles", "bootstrap"), "note"]


def test_with_complete_blocks_of_one_title_the_mixed_model_is_the_paired_t():
    """Source: the closed form of REML for complete blocks of two (Laird & Ware 1982)."""
    random = np.random.default_rng(7)
    blocks = 30
    shared = np.repeat(random.normal(0, 3, blocks), 2)
    tuned = np.tile([0.0, 1.0], blocks)
    y = shared + 0.5 * tuned + random.normal(0, 1, 2 * blocks)
    data = pd.DataFrame({"y": y, "tuned": tuned, "title": "t", "block": np.repeat(np.arange(blocks), 2)})
    found = mixed_estimate(data, "these titles")
    differences = y[1::2] - y[::2]
    assert found is not None
    assert found.value == pytest.approx(differences.mean(), rel=1e-6)
    assert found.se == pytest.approx(differences.std(ddof=1) / np.sqrt(blocks), rel=1e-4)
    assert found.df == blocks - 1


def test_an_unfit_table_gives_no_mixed_model_instead_of_a_number():
    data = pd.DataFrame({"y": [1.0, 2.0], "tuned": [0.0, 1.0], "title": "t", "block": [1, 1]})
    assert mixed_estimate(data, "these titles") is None


def test_settings_of_one_title_share_its_weight_in_the_bootstrap_too():
    data = table(3, 8, title_sd=0.03, sd=0.002)
    more = pd.concat([data, data[data["title"] == "t0"].assign(setting="uhd")])
    found = cross_check(more, SETTINGS).set_index(["scope", "method"])
    boot = found.loc[("these titles", "bootstrap")]
    assert boot["low"] < boot["estimate"] < boot["high"]
    assert boot["estimate"] == pytest.approx(cross_check(data, SETTINGS)["estimate"].iloc[0], rel=1e-9)
    assert "not every title" in found.loc[("these titles", "mixed model"), "note"]
