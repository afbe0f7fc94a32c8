"""How long the whole analysis takes. Run by hand:

nice .venv/bin/pytest tests/bench/test_analysis_speed.py -m bench -s -p no:cacheprovider
"""

import time

import numpy as np
import pandas as pd
import pytest

from harness.analysis import AnalysisSettings
from harness.analysis.analyse import analyse
from harness.metrics import METRICS
from harness.plan.report_table import Cost, Instrument

pytestmark = pytest.mark.bench


def stored_repeats(titles: int, profiles: int, repeats: int) -> pd.DataFrame:
    random = np.random.default_rng(1)
    rows = []
    for title in range(titles):
        for block in range(repeats):
            for profile in range(profiles):
                row = {
                    "campaign_id": "c",
                    "title": f"title-{title}",
                    "setting": "1440p",
                    "profile": f"profile-{profile}",
                    "block": block * titles + title,
                    "verdict": "accepted",
                    "sentinel": False,
                }
                for metric in METRICS.compared():
                    if metric.name not in ("speed", "score"):
                        row[metric.name] = 60 * np.exp(random.normal(0, 0.01))
                rows.append(row)
    return pd.DataFrame(rows)


def test_ten_titles_six_profiles_and_ten_repeats_are_analysed_in_under_two_seconds(tmp_path):
    path = tmp_path / "repeats.parquet"
    stored_repeats(10, 6, 10).to_parquet(path)
    settings = AnalysisSettings(
        "profile-0",
        cost=Cost(price_per_kwh=0.3, currency="EUR"),
        instruments={"power_w": Instrument(accuracy_pct=5)},
    )
    took = []
    for _ in range(5):
        start = time.perf_counter()
        found = analyse(pd.read_parquet(path), settings)
        took.append(time.perf_counter() - start)
    print(
        f"\n10 titles x 6 profiles x 10 repeats, {len(found.comparisons)} comparisons of "
        f"{found.comparisons['metric'].nunique()} metrics, read from Parquet: "
        f"median {np.median(took):.2f} s, slowest {max(took):.2f} s of 5"
    )
    assert np.median(took) < 2
