"""Re-measurements in the analysis: shown beside the result, never in it."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd
import pytest

from harness.analysis import AnalysisSettings
from harness.analysis.analyse import analyse
from harness.analysis.remeasurement import Remeasured, remeasured, with_second_values

SETTINGS = AnalysisSettings(reference="factory")


def row(profile: str, repeat: int, fps: float, **more: Any) -> dict[str, Any]:
    return {
        "campaign_id": "one",
        "cell_id": f"harbour.default.{profile}",
        "title": "harbour",
        "setting": "default",
        "profile": profile,
        "repeat_index": repeat,
        "block": repeat,
        "position": 2 * repeat,
        "sentinel": False,
        "second_look": False,
        "verdict": "accepted",
        "average_fps": fps,
        "mean_power_w": 2 * fps,
        **more,
    }


QUIET = (99.0, 90.0, 99.4, 98.8)
TABLE = pd.DataFrame(
    [row("factory", n, fps) for n, fps in enumerate((100.0, 100.4, 99.8, 100.1), start=1)]
    + [row("quiet", n, fps) for n, fps in enumerate(QUIET, start=1)]
    + [row("quiet", 2, 99.1, second_look=True, block=2, position=20)]
)


def geometric_mean(values: list[float]) -> float:
    return math.exp(sum(math.log(value) for value in values) / len(values))


def ratio_of(table: pd.DataFrame) -> float:
    found = analyse(table, SETTINGS).comparisons
    return float(found.loc[found["metric"] == "average_fps", "estimate"].iloc[0])


def test_the_result_rests_on_the_planned_repeats_with_the_far_one_among_them():
    by_hand = geometric_mean(list(QUIET)) / geometric_mean([100.0, 100.4, 99.8, 100.1])
    assert ratio_of(TABLE) == pytest.approx(by_hand, rel=1e-12)


def test_beside_it_stands_what_the_result_would_be_with_the_second_value_in_its_place():
    swapped = with_second_values(TABLE)
    assert len(swapped) == 8
    by_hand = geometric_mean([99.0, 99.1, 99.4, 98.8]) / geometric_mean([100.0, 100.4, 99.8, 100.1])
    assert ratio_of(swapped) == pytest.approx(by_hand, rel=1e-12)
    changed = swapped[(swapped["profile"] == "quiet") & (swapped["repeat_index"] == 2)].iloc[0]
    assert (changed["mean_power_w"], changed["block"], changed["position"]) == (198.2, 2, 4)
    assert TABLE.loc[5, "average_fps"] == 90.0


@pytest.mark.parametrize(
    ("second_fps", "finding"),
    [(99.1, "once"), (101.0, "once"), (90.5, "again"), (94.5, "unclear"), (84, "unclear")],
)
def test_a_second_value_came_out_with_the_others_or_with_the_first_or_neither(second_fps, finding):
    look = Remeasured("harbour", "default", "quiet", 2, 99.0, 90.0, second_fps)
    assert look.finding == finding


def test_each_remeasurement_is_told_with_the_median_of_the_other_planned_repeats():
    (look,) = remeasured(TABLE)
    assert (look.others_fps, look.first_fps, look.second_fps, look.finding) == (99.0, 90.0, 99.1, "once")


def test_remeasurements_of_another_campaign_or_without_their_repeat_change_nothing():
    other = TABLE.assign(campaign_id=[*["one"] * 8, "two"])
    assert remeasured(other) == ()
    assert with_second_values(other)["average_fps"].tolist() == TABLE["average_fps"].tolist()[:8]


def test_a_table_from_elsewhere_has_no_remeasurements():
    plain = TABLE[~TABLE["second_look"]].drop(columns="second_look")
    assert remeasured(plain) == ()
    assert ratio_of(plain) == ratio_of(TABLE)
