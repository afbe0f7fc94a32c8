"""A title whose caches were cold in its first repeat is named; counts that merely scatter are not."""

from __future__ import annotations

import numpy as np
import pandas as pd

from harness.analysis import AnalysisSettings
from harness.analysis.analyse import analyse
from harness.analysis.cold import cold_starts


def night(counts: list[int], title: str = "harbour") -> pd.DataFrame:
    """Repeats in the order of the night, factory and quiet in turn, with those counts of long frames."""
    rows = [
        {
            "campaign_id": "one",
            "title": title,
            "setting": "1440p",
            "profile": ("factory", "quiet")[n % 2],
            "repeat_index": n // 2 + 1,
            "block": n // 2 + 1,
            "verdict": "accepted",
            "start_s": 300.0 * n,
            "measured_s": 60.0,
            "average_fps": 100.0 + n % 3,
            "long_frame_count": count,
        }
        for n, count in enumerate(counts)
    ]
    return pd.DataFrame(rows)


def test_a_first_repeat_with_far_more_long_frames_than_all_later_ones_had_cold_caches():
    (cold,) = cold_starts(night([31, 2, 4, 1, 3, 2]).iloc[::-1])
    assert (cold.title, cold.profile, cold.repeat_index) == ("harbour", "factory", 1)
    assert (cold.long_frames, cold.most_later) == (31, 4)


def test_neither_a_later_burst_nor_a_title_that_always_stutters_nor_few_frames_are_called_cold():
    assert cold_starts(night([3, 2, 31, 1, 3, 2])) == ()
    assert cold_starts(night([31, 22, 18, 25, 30, 21])) == ()
    assert cold_starts(night([6, 0, 0, 0, 0, 0])) == ()
    assert cold_starts(night([31, 1, 2])) == ()


def test_the_analysis_warns_in_a_sentence_that_says_what_to_do():
    warnings = analyse(night([31, 2, 4, 1, 3, 2]), AnalysisSettings(reference="factory")).warnings
    (told,) = [text for text in warnings if "caches were cold" in text]
    assert "under factory, had 31 long frames, no later one more than 4" in told
    assert told.endswith("Run it once before the night, or warm up longer.")


def test_a_table_without_that_column_says_nothing():
    assert cold_starts(night([31, 2, 4, 1]).drop(columns="long_frame_count")) == ()


def test_counts_that_scatter_more_than_chance_lets_them_raise_few_alarms():
    # Gamma-mixed Poisson counts, variance about three times the mean.
    draw = np.random.default_rng(8)
    alarms = sum(bool(cold_starts(night(draw.poisson(draw.gamma(5, 2, 8)).tolist()))) for _ in range(300))
    assert alarms <= 3
