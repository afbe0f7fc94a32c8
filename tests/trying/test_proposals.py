"""What a try proposes: names of logs whose name changes, patterns from lines, the part of a plan it runs."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.errors import PlanError
from harness.patterns import Pattern
from harness.plan.load import parse_plan
from harness.plan.schema import Plan
from harness.plugins import PluginHost
from harness.trying.advice import pattern_of
from harness.trying.choose import AS_FOUND, choose
from harness.trying.logs import name_of

HOST = PluginHost()
PLAN = """
[plan]
question = "Is it as fast?"
repeats = { at_least = 3, at_most = 9 }
reference = "quiet"
allow_hardware_changes = true
blank = "quiet-again"
[conditions]
cooldown = { until_at_most_c = 45 }
warm_up = { seconds = 40 }
[sentinels]
every = 4
[[profiles]]
name = "quiet"
control = "nvml"
power_limit_w = 200
[[profiles]]
name = "plain"
control = "processor"
[[titles]]
name = "harbour-lights"
workload = "scene"
scene = "slow-tide"
measure_s = 60
deadline_s = 120
settings = [{ name = "low" }, { name = "high", measure_s = 70 }]
"""


def plan_of(text: str = PLAN) -> Plan:
    return parse_plan(text, "plan.toml", HOST.kinds)


def chosen(plan: Plan, **asked: object) -> Plan:
    words = {"title": "harbour-lights", "setting": None, "profile": None, "seconds": None, **asked}
    return choose(
        plan,
        "plan.toml",
        changes_hardware=lambda kind: HOST.kind("control", kind).changes_hardware,
        **words,  # type: ignore[arg-type]
    ).plan


@pytest.mark.parametrize(
    ("path", "name"),
    [
        ("frames.csv", "frames.csv"),
        ("log-2031-03-09_22-59-58.csv", "log-*.csv"),
        ("2031.03.09/run 20310309T225958 shown.csv", "*/run * shown.csv"),
        ("capture1.csv", "capture1.csv"),
    ],
)
def test_the_numbers_of_a_date_become_a_star_which_finds_the_file_again(tmp_path: Path, path: str, name: str):
    assert name_of(Path(path)) == name
    file = tmp_path / path
    file.parent.mkdir(parents=True, exist_ok=True)
    file.touch()
    assert list(tmp_path.glob(name)) == [file]


@pytest.mark.parametrize(
    "line", ["Demo begins (pass 1 of 3)", "[12:59:58.250] scene {coast} loaded", "a|b? *"]
)
def test_a_pattern_from_a_line_finds_it_and_the_same_line_with_other_numbers(line: str):
    pattern = Pattern(pattern_of(line))
    assert pattern.search(line) is not None
    assert pattern.search(line.replace("1", "407")) is not None


def test_a_try_is_one_attempt_without_cooldown_under_a_profile_that_changes_nothing():
    plan = chosen(plan_of())
    assert (plan.plan.repeats, plan.plan.reference, plan.plan.blank) == (1, "plain", None)
    assert [one.name for one in plan.profiles] == ["plain"]
    assert plan.sentinels is None
    assert plan.conditions.cooldown.seconds == 0  # type: ignore[attr-defined]
    assert plan.conditions.cooldown.targets == ()  # type: ignore[attr-defined]
    assert plan.conditions.warm_up.seconds == 40  # type: ignore[attr-defined]
    assert [one.name for one in plan.titles[0].settings] == ["low"]


def test_where_every_profile_changes_the_card_it_is_left_as_found():
    text = PLAN.replace('control = "processor"', 'control = "nvml"\npower_limit_w = 250')
    (profile,) = chosen(plan_of(text)).profiles
    assert (profile.name, profile.control) == (AS_FOUND, "factory")


def test_a_longer_window_moves_the_deadline_with_it():
    title = chosen(plan_of(), setting="high", seconds=200.0).titles[0]
    assert title.settings[0].measure_s == 200
    assert title.settings[0].deadline_s == 120 + 130


def test_an_unknown_name_is_told_with_the_nearest():
    with pytest.raises(PlanError, match="did you mean 'high'"):
        chosen(plan_of(), setting="hgih")
