"""Drift over the night is estimated from sentinels, with its interval, and taken out only when asked."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from harness.analysis.drift import estimate_drifts, fit_line, without_drift

# JCGM 100:2008 (GUM), H.3: calibration line of a thermometer. Published: y1 = -0.1712 with s = 0.0029,
# y2 = 0.00218 with s = 0.00067, about t0 = 20; s = 0.0035.
GUM_T = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
GUM_B = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])


def test_the_line_is_that_of_the_gum():
    line = fit_line(GUM_T, GUM_B)
    at_20 = line.level + line.slope * (20 - line.centre)
    at_20_se = np.hypot(line.level_se, line.slope_se * (20 - line.centre))
    assert line.slope == pytest.approx(0.00218, abs=5e-6)
    assert line.slope_se == pytest.approx(0.00067, abs=5e-6)
    assert at_20 == pytest.approx(-0.1712, abs=5e-5)
    assert at_20_se == pytest.approx(0.0029, abs=5e-5)
    assert line.level_se * np.sqrt(11) == pytest.approx(0.0035, abs=5e-5)


def night(per_hour: float, noise: float, seed: int = 1, sentinels: int = 9) -> pd.DataFrame:
    """A night of 8 h: sentinels of one cell, and repeats of another profile that is 5 % faster."""
    draw = np.random.default_rng(seed)
    rows = []
    for index in range(sentinels):
        start_s = index * 8 * 3600 / (sentinels - 1)
        for profile, level, sentinel in (("a", 100.0, True), ("b", 105.0, False)):
            fps = level * np.exp(per_hour * start_s / 3600 + draw.normal(0, noise))
            rows.append(
                {
                    "cell_id": f"t.s.{profile}",
                    "sentinel": sentinel,
                    "verdict": "accepted",
                    "start_s": start_s,
                    "average_fps": fps,
                    "end_core_temp_c": 60 + 0.5 * start_s / 3600 + draw.normal(0, 0.2),
                }
            )
    return pd.DataFrame(rows)


def drift_of(table: pd.DataFrame, name: str):
    return next(drift for drift in estimate_drifts(table) if drift.metric.name == name)


def test_a_drift_is_found_with_its_size_and_said_in_a_sentence():
    drift = drift_of(night(-0.002, 0.001), "average_fps")
    estimate, low, high = drift.over_night()
    assert low < 100 * np.expm1(-0.016) < high
    assert drift.significant
    assert estimate == pytest.approx(-1.6, abs=0.2)
    assert drift.sentence().startswith("Average FPS drifted: −1.")
    assert "9 sentinels" in drift.sentence()


def test_the_interval_holds_the_truth_as_often_as_it_claims():
    held = [
        (drift := drift_of(night(-0.001, 0.004, seed), "average_fps")).low <= -0.001 <= drift.high
        for seed in range(400)
    ]
    assert 0.92 <= np.mean(held) <= 0.98  # 95 % claimed; 0.011 is the standard error of 400 trials


def test_a_night_without_drift_says_that_none_stands_out():
    drift = drift_of(night(0.0, 0.004), "average_fps")
    assert not drift.significant
    assert "no significant drift" in drift.sentence()


def test_a_temperature_drifts_in_its_own_unit():
    drift = drift_of(night(0.0, 0.001), "end_core_temp_c")
    assert drift.over_night()[0] == pytest.approx(4.0, abs=0.5)
    assert " K over 8.0 h" in drift.sentence()


def test_taken_out_the_drift_is_gone_and_nothing_else_is():
    table = night(-0.002, 0.0005)
    corrected = without_drift(table, estimate_drifts(table))
    assert abs(drift_of(corrected, "average_fps").per_hour) < 1e-9
    other = corrected[~corrected["sentinel"]]["average_fps"]
    before = table[~table["sentinel"]]["average_fps"]
    assert other.std() < before.std() / 5
    assert other.mean() == pytest.approx(before.mean(), rel=2e-3)
    assert table["average_fps"].iloc[-1] != corrected["average_fps"].iloc[-1]


@pytest.mark.parametrize("sentinels", [2])
def test_two_sentinels_make_no_line(sentinels: int):
    assert estimate_drifts(night(0.01, 0.001, sentinels=sentinels)) == ()


def test_a_table_without_sentinels_has_no_drift():
    assert estimate_drifts(night(0.01, 0.001).assign(sentinel=False)) == ()
    assert estimate_drifts(pd.DataFrame({"average_fps": [1.0]})) == ()
