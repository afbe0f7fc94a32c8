"""Which cells' power is in doubt, from the marks of their repeats."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from harness.analysis.power_doubt import power_doubts


def rows(*marks: list[str] | None) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "title": "t",
            "setting": "s",
            "profile": "quiet",
            "verdict": "accepted",
            "mean_power_w": 200.0,
            "power_sensor_u_w": [20.0] * len(marks),
            "average_fps": 50.0,
            "mean_gpu_load_pct": 40.0,
            "measured_s": 60.0,
            "energy_source": "counter",
            "marks": list(marks),
        }
    )


def test_marks_of_disputed_power_and_of_the_rhythm_count_and_no_others():
    (found,) = power_doubts(
        rows(["power-disputed: a"], ["power-on-rhythm: b", "frame-cap: c"], ["frame-cap: d"], None)
    )
    assert found.cell == ("t", "s", "quiet")
    assert (found.repeats, found.doubted) == (4, 2)
    assert found.u_pct == pytest.approx(10)
    assert (found.rate_fps, found.load_pct, found.window_s, found.source) == (50, 40, 60, "counter")
    assert power_doubts(rows(["frame-cap: d"], None)) == ()


def test_tables_from_before_have_none_or_an_unknown_uncertainty():
    assert power_doubts(rows(["power-disputed: a"]).drop(columns="marks")) == ()
    (found,) = power_doubts(rows(["power-disputed: a"]).drop(columns="power_sensor_u_w"))
    assert math.isnan(found.u_pct)
