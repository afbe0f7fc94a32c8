"""The registry of metrics: order, roles, and what it refuses."""

from __future__ import annotations

import pytest

from harness.columns import Column
from harness.metrics import ComparedMetric, Metric
from harness.metrics.registry import OWN, Registry


def own_metric(**changes) -> ComparedMetric:
    stated = {
        "name": "hitch_share_pct",
        "unit": "%",
        "meaning": "share of frames over 50 ms",
        "label": "hitches",
        "scale": "ratio",
        "better": "lower",
        "up": "more",
        "down": "fewer",
        "says_up": "{p} has more hitches than {r}",
        "says_down": "{p} has fewer hitches than {r}",
        "says_same": "{p} has as many hitches as {r}",
    }
    return ComparedMetric(**(stated | changes))


def test_every_name_stands_once():
    names = [entry.name for entry in OWN]
    assert len(names) == len(set(names))


def test_compared_metrics_come_by_group_and_the_main_ones_first():
    compared = Registry().compared()
    assert [metric.name for metric in compared] == [
        "speed",
        "average_fps",
        "one_percent_low_fps",
        "point_one_percent_low_fps",
        "score",
        "mean_power_w",
        "energy_per_frame_j",
        "fps_per_w",
        "mean_wall_power_w",
        "mean_cpu_power_w",
        "end_core_temp_c",
        "core_above_ambient_k",
        "mean_hotspot_temp_c",
        "mean_memory_temp_c",
        "mean_cpu_temp_c",
        "mean_sound_level_dba",
    ]
    assert [metric.name for metric in compared if metric.primary] == ["average_fps", "one_percent_low_fps"]


def test_a_role_is_filled_by_the_preferred_metric_first():
    registry = Registry()
    assert [metric.name for metric in registry.standing_for("power")] == [
        "mean_power_w",
        "mean_cpu_power_w",
        "mean_wall_power_w",
    ]
    assert registry.standing_for("temperature")[0].name == "core_above_ambient_k"
    assert registry.paid()[0].name == "mean_wall_power_w"


def test_a_plugins_metric_comes_last_and_only_once():
    registry = Registry()
    before = list(registry)
    registry.add([own_metric(meaning="before")], by="hitches")
    registry.add([own_metric()], by="hitches")
    assert list(registry) == [*before, own_metric()]
    assert registry.compared()[-1] == own_metric()
    registry.withdraw("hitch_share_pct")
    assert list(registry) == before


def test_of_two_plugins_with_one_metric_the_later_is_refused_with_all_it_brings():
    registry = Registry()
    registry.add([own_metric()], by="hitches")
    with pytest.raises(ValueError, match="already"):
        registry.add([own_metric(name="another"), own_metric()], by="others")
    assert registry.added() == (own_metric(),)


@pytest.mark.parametrize("name", ["average_fps", "energy_source", "speed"])
def test_a_name_that_is_taken_is_refused(name):
    with pytest.raises(ValueError, match="already"):
        Registry().add([own_metric(name=name)], by="hitches")


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"name": "hitch share"}, "as a column"),
        ({"label": ""}, "a label"),
        ({"scale": "difference"}, "a ratio has the margin pct"),
        ({"scale": "difference", "margin": "own"}, "own_margin"),
        ({"margin": "k"}, "a ratio has the margin pct"),
        ({"of_frames": lambda frames: 1.0, "of_repeat": lambda repeat: 1.0}, "more than one formula"),
    ],
)
def test_a_definition_that_contradicts_itself_is_refused(changes, told):
    with pytest.raises(ValueError, match=told):
        own_metric(**changes)


def test_a_difference_is_told_in_its_own_unit():
    assert own_metric(scale="difference", margin="own", own_margin=1.0).difference_unit == "%"
    assert own_metric().difference_unit == ""


def test_columns_that_are_no_metrics_stand_where_they_explain_one():
    registry = Registry()
    columns = [column.name for column in registry.own_columns(at_end=False)]
    assert columns.index("energy_source") == columns.index("energy_j") + 1
    at_end = [column.name for column in registry.own_columns(at_end=True)]
    assert at_end[0] == "long_frame_count"
    assert at_end[-3:] == ["power_u_w", "power_sensor_u_w", "power_rhythm_u_w"]
    assert all(isinstance(column, Column) for column in registry.own_columns(at_end=False))
    assert all(isinstance(metric, Metric) for metric in registry)
