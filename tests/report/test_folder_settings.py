"""What a campaign's folder tells of how it is to be analysed."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from conftest import TITLES, MadeCampaign, make_campaign

from harness.analysis.analyse import analyse
from harness.report.folder import read_campaign


def test_steps_are_seen_in_the_telemetry_and_frames_give_what_a_repeat_leaves_open(tmp_path):
    titles = {name: TITLES[name] for name in ("harbour-lights", "glass-canyon")}
    made = MadeCampaign(tmp_path / "c", titles=titles, repeats=3, measure_s=20)
    campaign = read_campaign(make_campaign(made))
    assert campaign.settings.steps["core_temp_c"] == 1.0
    assert campaign.settings.chosen_afterwards == ()
    assert {courses.shape[0] for courses in campaign.courses.values()} == {3}
    found = analyse(campaign.repeats, campaign.settings, campaign.attempts, campaign.courses)
    cells = found.cells[found.cells["metric"] == "end_core_temp_c"]
    half = (cells["high"] - cells["low"]) / 2
    assert (half > 4.3 / np.sqrt(12)).all()  # t at two degrees of freedom times the step's uncertainty
    rows = found.variance[found.variance["metric"] == "average_fps"]
    assert (rows["within_repeat_pct"] > 0).all()
