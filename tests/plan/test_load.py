"""A plan file is read whole, and everything that is wrong with it is told at once."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import pytest
from pydantic import BaseModel, ConfigDict, Field

from harness.errors import PlanError
from harness.hookspecs import Kind
from harness.plan.load import load_plan, parse_plan
from harness.plan.schema import Plan


class _Options(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class CommandOptions(_Options):
    command: list[str]
    arguments: tuple[str, ...] = ()
    folder: Path | None = None


class PowerOptions(_Options):
    power_limit_w: int | None = Field(default=None, ge=50, le=1000)


class ColumnOptions(_Options):
    interval_column: str = "dt"
    unit: Literal["ms", "s"] = "ms"


class PadOptions(_Options):
    port: str


_ALL = [
    Kind("workload", "command", "", CommandOptions, setting_options=frozenset({"arguments"})),
    Kind("workload", "bare", ""),
    Kind("control", "power", "", PowerOptions, changes_hardware=True),
    Kind("reader", "columns", "", ColumnOptions),
    Kind("sensor", "pad", "", PadOptions),
]
KINDS = {(kind.role, kind.name): kind for kind in _ALL}

GOOD = """\
[plan]
question = "Is quiet as fast as factory?"
repeats = 3
reference = "factory"
allow_hardware_changes = true

[[profiles]]
name = "factory"

[[profiles]]
name = "quiet"
control = "power"
power_limit_w = 200

[[titles]]
name = "harbour-lights"
workload = "command"
command = ["harbour"]
measure_s = 60
frame_log = { path = "frames.csv" }
settings = [
  { name = "small" },
  { name = "large", arguments = ["--large"], measure_s = 90 },
]
"""


def parse(text: str) -> Plan:
    return parse_plan(text, "night.toml", KINDS)


def complaints(text: str) -> list[str]:
    with pytest.raises(PlanError) as caught:
        parse(text)
    assert caught.value.exit_code == 2
    return [str(problem) for problem in caught.value.problems]


def test_a_good_plan_is_read_with_plugin_defaults_filled_in_and_settings_laid_over():
    plan = parse(GOOD)
    small, large = plan.titles[0].settings
    assert small.options == {"command": ["harbour"], "arguments": [], "folder": None}
    assert large.options == {"command": ["harbour"], "arguments": ["--large"], "folder": None}
    assert plan.titles[0].frame_log is not None
    assert plan.titles[0].frame_log.options == {"interval_column": "dt", "unit": "ms"}
    assert plan.profiles[1].options == {"power_limit_w": 200}


def test_five_different_mistakes_are_reported_together_each_with_line_and_remedy():
    text = (
        GOOD.replace("repeats = 3", 'repeats = "three"')
        .replace('reference = "factory"', 'reference = "factry"')
        .replace("power_limit_w = 200", "power_limit = 200")
        .replace('workload = "command"', 'workload = "comand"')
        .replace("measure_s = 60", "measure_s = -60")
    )
    assert complaints(text) == [
        'plan.repeats (line 3): "three" is not a whole number; write a whole number',
        "plan.reference (line 4): no profile is named 'factry'; did you mean 'factory'?",
        "profiles[1].power_limit (line 13): unknown key 'power_limit'; did you mean 'power_limit_w'?",
        "titles[0].workload (line 17): no workload \"comand\" is installed; did you mean 'command'?",
        "titles[0].measure_s (line 19): -60 is out of range; choose a value above 0",
    ]


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("[plan]", "[plann]", "plann (line 1): unknown key 'plann'; did you mean 'plan'?"),
        ("[plan]", "[plan]\nordr = 1", "plan.ordr (line 2): unknown key 'ordr'; did you mean 'order'?"),
        ("[plan]", "[plan]\nmeasure_s = 5", "unknown key 'measure_s'; it belongs in [[titles]]"),
        ("[plan]", "[plan]\nrepeats_ = 1", "did you mean 'repeats'?"),
        ("200", "20", "profiles[1].power_limit_w (line 13): 20 is out of range; choose a value at least 50"),
        ("200", "true", "power_limit_w"),
        ('"frames.csv"', '"frames.csv", unit = "sec"', "titles[0].frame_log.unit (line 20)"),
        ('"frames.csv"', '"frames.csv", reader = "colums"', "did you mean 'columns'?"),
        ('name = "large"', 'name = "small"', "a second setting named 'small'"),
        ('name = "quiet"', 'name = "factory"', "a second profile named 'factory'"),
        ('name = "large",', 'name = "large", folder = "x",', "a setting can't change 'folder'"),
        ("allow_hardware_changes = true", "", "control 'power' changes the hardware"),
        ("measure_s = 60", "measure_s = 60\ndeadline_s = 65", "ends the title before warm-up (10 s)"),
        ('name = "harbour-lights"', 'name = "Harbour Lights"', "small letters, digits and single hyphens"),
        ('"command"\ncommand = ["harbour"]', '"command"', "(line 15): 'command' is missing"),
        ('workload = "command"', 'workload = "bare"', "(workload 'bare' takes none of its own)"),
        ("measure_s = 60", "measure_s = 60\noptions = {}", "write its keys straight into this table"),
        ("measure_s = 60", "measure_s = nan", "not a finite number"),
    ],
)
def test_each_mistake_names_its_place_and_the_nearest_valid_choice(old: str, new: str, expected: str):
    assert old in GOOD
    assert any(expected in line for line in complaints(GOOD.replace(old, new, 1)))


@pytest.mark.parametrize(
    ("rule", "expected"),
    [
        ("cooldown = { seconds = 700, until_at_most_c = 45 }", "700 is longer than timeout_s = 600"),
        ("cooldown = { until_at_most_c = 45, until_above_ambient_k = 5 }", "contradict each other"),
        ("cooldown = { timeout_s = 60 }", "how to wait but not for what"),
        ("warm_up = { seconds = 20, timeout_s = 10 }", "seconds = 20 is longer than timeout_s = 10"),
        ("soak = { window_s = 60 }", "it has no limit, so there would be no soak"),
        ("soak = { slope_at_most_c_per_min = 1, window_s = 90, timeout_s = 60 }", "window_s = 90 is longer"),
        ('temperature = "core_temp"', "did you mean 'core_temp_c'?"),
    ],
)
def test_rules_that_contradict_themselves_are_refused(rule: str, expected: str):
    found = complaints(f"{GOOD}\n[conditions]\n{rule}\n")
    assert len(found) == 1
    assert expected in found[0]
    assert "(line 27)" in found[0]


def test_a_cooldown_target_at_or_above_the_safety_limit_is_refused():
    text = f"{GOOD}\n[limits]\ncore_temp_c = 60\n[conditions]\ncooldown = {{ until_at_most_c = 60 }}\n"
    assert "not below the safety limit core_temp_c = 60" in complaints(text)[0]


def test_sensors_are_checked_by_kind_and_by_their_own_options():
    text = f'{GOOD}\n[sampling]\nsensors = ["padd"]\n[[sensors]]\nkind = "pad"\n'
    assert complaints(text) == [
        "sampling.sensors[0] (line 27): no sensor \"padd\" is installed; did you mean 'pad'?",
        "sensors[0].port (line 28): 'port' is missing; add port = ...",
    ]


def test_a_syntax_error_names_line_and_column():
    assert complaints(GOOD.replace("repeats = 3", "repeats = = 3")) == [
        "line 3, column 11: invalid value; fix the TOML there; nothing after it could be read"
    ]


def test_a_file_that_is_missing_or_no_text_is_a_plan_error(tmp_path: Path):
    from harness.plugins import PluginHost

    host = PluginHost(plugins={})
    with pytest.raises(PlanError, match="can't be read"):
        load_plan(tmp_path / "absent.toml", host)
    (tmp_path / "latin.toml").write_bytes(b'question = "\xe9"')
    with pytest.raises(PlanError, match="not UTF-8"):
        load_plan(tmp_path / "latin.toml", host)


def test_the_factory_control_needs_no_plugin():
    text = GOOD.replace('control = "power"\npower_limit_w = 200\n', "")
    assert parse(text).profiles[1].control == "factory"


@pytest.mark.parametrize(
    ("rule", "expected"),
    [
        ('every = 5\ntitle = "harbor-lights"', "did you mean 'harbour-lights'?"),
        ('every = 5\nsetting = "huge"', "title 'harbour-lights' has no setting 'huge'"),
        ("every = 1", "choose a value at least 2"),
    ],
)
def test_sentinels_name_a_title_and_setting_of_the_plan(rule: str, expected: str):
    assert expected in complaints(f"{GOOD}\n[sentinels]\n{rule}\n")[0]


def test_a_check_is_switched_off_by_false_and_only_known_checks_may_only_mark():
    plan = parse(f"{GOOD}\n[checks]\ntelemetry_gap_at_most_s = false\n")
    assert plan.checks.telemetry_gap_at_most_s is None
    text = f'{GOOD}\n[checks]\nmark_only = ["frame-capp"]\n'
    assert complaints(text) == [
        "checks.mark_only[0] (line 27): \"frame-capp\" is not a choice here; did you mean 'frame-cap'?"
    ]


def test_patterns_of_expected_lines_are_checked_with_their_line_in_title_and_setting():
    text = GOOD.replace("measure_s = 60", 'measure_s = 60\nexpect_lines = ["fine", "(?=x)"]').replace(
        '{ name = "small" }', '{ name = "small", expect_lines = ["("] }'
    )
    found = complaints(text)
    assert len(found) == 2
    assert "titles[0].expect_lines[1] (line 20)" in found[0]
    assert "look-around is not offered" in found[0]
    assert "titles[0].settings[0].expect_lines[0]" in found[1]
    assert "no regular expression" in found[1]
