"""The instrument's part in intervals: what cancels between profiles, what repeats don't average out."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from harness.analysis import sensed
from harness.analysis.estimate import interval, of_mean
from harness.analysis.power import repeats_that_decide
from harness.analysis.repeats import SENSOR_U, CellRepeats
from harness.analysis.settings import AnalysisSettings
from harness.metrics import METRICS
from harness.plan.report_table import Instrument

POWER, FPS_PER_W = (METRICS.compared_as[name] for name in ("mean_power_w", "fps_per_w"))
PLAIN = AnalysisSettings(reference="factory")


def cell(power_w: float, sensor_u_w: float | None = None, fps: float = 60.0) -> CellRepeats:
    watts = np.full(3, power_w)
    own = {} if sensor_u_w is None else {SENSOR_U: np.full(3, sensor_u_w)}
    values = {"mean_power_w": watts, "fps_per_w": fps / watts}
    return CellRepeats("t.s.p", (("c", 1), ("c", 2), ("c", 3)), values, sensed=own)


def with_instrument(**stated: float) -> AnalysisSettings:
    return AnalysisSettings(reference="factory", instruments={"power_w": Instrument(**stated)})


def test_a_gain_widens_a_level_and_cancels_between_profiles():
    settings = with_instrument(accuracy_pct=5)
    # limits of ±5 % as a rectangular distribution: 5 % / sqrt(3) (GUM 4.3.7)
    assert sensed.of_level(POWER, cell(200), settings) == pytest.approx(200 * 0.05 / math.sqrt(3))
    assert sensed.of_comparison(POWER, (cell(200), cell(150)), settings) == 0


def test_an_offset_cancels_between_like_readings_only():
    settings = with_instrument(accuracy=3)
    assert sensed.of_comparison(POWER, (cell(200), cell(200)), settings) == pytest.approx(0, abs=1e-15)
    # d ln((a + o) / (b + o)) / do = 1/a - 1/b (GUM 5.1.2)
    expected = 3 / math.sqrt(3) * (1 / 150 - 1 / 200)
    assert sensed.of_comparison(POWER, (cell(200), cell(150)), settings) == pytest.approx(expected)


def test_what_the_sensor_gets_wrong_adds_in_a_ratio_and_bears_on_fps_per_watt_alike():
    pair = cell(200, 10.0), cell(150, 3.0)
    for metric in (POWER, FPS_PER_W):
        assert sensed.of_comparison(metric, pair, PLAIN) == pytest.approx(math.hypot(0.05, 0.02))
    assert sensed.of_level(FPS_PER_W, pair[0], PLAIN) == pytest.approx(60 / 200 * 0.05)


def test_repeats_measured_before_there_was_a_sensor_column_are_as_they_were():
    assert sensed.of_level(POWER, cell(200), PLAIN) == 0
    assert sensed.of_comparison(POWER, (cell(200), cell(150)), PLAIN) == 0


def test_degrees_of_freedom_follow_welch_and_satterthwaite():
    scatter = of_mean(np.array([198.0, 200.0, 202.0]))
    widened = sensed.with_instrument(scatter, 5.0)
    u = math.hypot(scatter.se, 5.0)
    # GUM G.4.1 with infinitely many degrees of freedom of the instrument
    assert widened.df == pytest.approx(u**4 / (scatter.se**4 / 2))
    low, high = interval(widened, 0.95)
    assert (high - low) / 2 == pytest.approx(stats.t.ppf(0.975, widened.df) * u)
    same = sensed.with_instrument(of_mean(np.full(3, 200.0)), 5.0)
    assert interval(same, 0.95)[1] == pytest.approx(200 + stats.norm.ppf(0.975) * 5, rel=1e-5)
    single = sensed.with_instrument(of_mean(np.array([200.0])), 5.0)
    assert not single.known


def test_no_number_of_repeats_decides_what_the_instrument_leaves_open():
    assert repeats_that_decide(0.0, 0.01, 0.03, 0.05) is not None
    assert repeats_that_decide(0.0, 0.01, 0.03, 0.05, fixed_u=0.03) is None
    few, many = (repeats_that_decide(0.0, 0.01, 0.03, 0.05, fixed_u=u) for u in (0.0, 0.008))
    assert few is not None
    assert many is not None
    assert many > few


def at_the_wall(card_w: list[float], wall_w: list[float]) -> CellRepeats:
    values = {"mean_power_w": np.array(card_w), "mean_wall_power_w": np.array(wall_w)}
    values["mean_cpu_power_w"] = np.array([50.0, 50.1, 49.9])
    return CellRepeats("t.s.p", (("c", 1), ("c", 2), ("c", 3)), values)


def test_a_meter_at_the_wall_disputes_a_difference_that_no_supply_could_make():
    reference = at_the_wall([200.0, 200.2, 199.8], [340.0, 340.2, 339.8])
    # 20 W less through a supply of 90 % are 22.2 W at the wall
    agrees = at_the_wall([180.0, 180.2, 179.8], [317.8, 318.0, 317.6])
    locked = at_the_wall([160.0, 160.2, 159.8], [317.8, 318.0, 317.6])
    assert sensed.wall_apart_w(POWER, (agrees, reference)) is None
    apart_w = sensed.wall_apart_w(POWER, (locked, reference))
    assert apart_w == pytest.approx(-40 + 0.97 * 22.2)
    u = sensed.of_comparison(POWER, (locked, reference), PLAIN)
    assert u == pytest.approx(abs(apart_w) / math.sqrt(3) / 160)
    without = CellRepeats("t.s.p", locked.blocks, {**locked.values, "mean_cpu_power_w": np.full(3, np.nan)})
    assert sensed.wall_apart_w(POWER, (without, reference)) is None


def test_a_meter_at_the_wall_raises_a_false_alarm_no_oftener_than_stated():
    rng = np.random.default_rng(6)
    alarms = 0
    for _ in range(1000):  # the worst case: a supply at the end of what is allowed for
        cells = []
        for true_w in (180.0, 200.0):
            card, cpu = true_w + rng.normal(0, 1, 3), 50 + rng.normal(0, 0.01, 3)
            cells.append(at_the_wall(list(card), list((true_w + rng.normal(0, 0.01, 3)) / 0.97 + 56)))
            cells[-1].values["mean_cpu_power_w"] = cpu
        alarms += sensed.wall_apart_w(POWER, (cells[0], cells[1])) is not None
    assert alarms <= stats.binom.ppf(0.999, 1000, sensed.ERROR_RATE)
