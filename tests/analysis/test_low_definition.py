"""Campaigns whose plans define the lows otherwise are brought to one definition, or their lows left out."""

import pandas as pd
import pytest

from harness.analysis import AnalysisSettings
from harness.analysis.analyse import analyse

SETTINGS = AnalysisSettings("factory", profiles=("factory", "quiet"))
FACTOR = {"percentile": 1.0, "time-share": 0.5}


def repeats(*, keeps_all: bool) -> pd.DataFrame:
    """Two nights without any effect; the second states its lows, half as large, by time share."""
    rows = []
    for campaign, definition in enumerate(FACTOR):
        for block in range(1, 4):
            for profile in ("factory", "quiet"):
                low = 60.0 + block
                row = {
                    "campaign_id": f"c{campaign}",
                    "title": "harbour-lights",
                    "setting": "default",
                    "profile": profile,
                    "block": block,
                    "average_fps": 100.0 + block,
                    "low_definition": definition,
                    "one_percent_low_fps": low * FACTOR[definition],
                }
                if keeps_all:
                    row |= {
                        "one_percent_low_percentile_fps": low,
                        "one_percent_low_time_share_fps": low * FACTOR["time-share"],
                    }
                rows.append(row)
    return pd.DataFrame(rows)


@pytest.mark.parametrize("definition", FACTOR)
def test_lows_by_another_definition_are_replaced_by_those_of_the_one_asked_for(
    definition: str,
) -> None:
    table = repeats(keeps_all=True)
    before = table.copy()
    found = analyse(table, AnalysisSettings("factory", profiles=SETTINGS.profiles, low_definition=definition))
    cells = found.cells[found.cells["metric"] == "one_percent_low_fps"]
    assert cells["n"].tolist() == [6, 6]
    assert cells["mean"].tolist() == pytest.approx([62 * FACTOR[definition]] * 2, rel=0.01)
    (told,) = [text for text in found.warnings if "lows" in text]
    (other,) = set(FACTOR) - {definition}
    assert told == f"Some lows were computed by {other}; here all of them are by {definition}."
    pd.testing.assert_frame_equal(table, before)


def test_lows_that_can_not_be_brought_to_it_are_left_out_and_that_is_said() -> None:
    found = analyse(repeats(keeps_all=False), SETTINGS)
    cells = found.cells[found.cells["metric"] == "one_percent_low_fps"]
    assert cells["n"].tolist() == [3, 3]
    assert cells["mean"].tolist() == pytest.approx([62, 62], rel=0.01)
    (told,) = [text for text in found.warnings if "lows" in text]
    assert told.endswith("and 6 repeats that can't be brought to it count without lows.")


def test_tables_from_elsewhere_that_agree_stay_as_they_are() -> None:
    table = repeats(keeps_all=False)
    table = table[table["low_definition"] == "time-share"]
    found = analyse(table, SETTINGS)
    cells = found.cells[found.cells["metric"] == "one_percent_low_fps"]
    assert cells["mean"].tolist() == pytest.approx([31, 31], rel=0.01)
    assert not [text for text in found.warnings if "lows" in text]
