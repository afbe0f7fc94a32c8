"""``levelrig check``: what the driver of this machine's card says of the values counts before the night."""

from __future__ import annotations

import json

import pytest

from harness.cli import main
from harness.errors import PluginError, Problem
from harness.plugins import PluginHost
from harness.testing import RecordingControl

PLAN = """
[plan]
question = "Is the quiet setting as fast?"
repeats = 2
reference = "factory"
allow_hardware_changes = true
[[profiles]]
name = "factory"
[[profiles]]
name = "quiet"
control = "nvml"
power_limit_w = 99999
[[titles]]
name = "salt-road"
workload = "scene"
scene = "slow-tide"
measure_s = 20
"""
RANGE = Problem(
    "profiles.quiet.power_limit_w", "99999 W is outside of what the driver allows", "choose 1 to 7 W"
)
NO_CARD = Problem("profiles.quiet", "there is no card 0", "see `levelrig doctor`", of_machine=True)


class Asked(RecordingControl):
    def __init__(self, found):
        super().__init__("nvml", changes_hardware=True)
        self.found = found

    def check(self, profile):
        return self.found


@pytest.fixture
def check(tmp_path, monkeypatch, capsys):
    path = tmp_path / "plan.toml"
    path.write_text(PLAN)

    def call(answer, *words):
        def open_control(self, kind, clock, card=None):
            if isinstance(answer, Exception):
                raise answer
            return Asked(answer)

        monkeypatch.setattr(PluginHost, "open_control", open_control)
        code = main(["check", str(path), *words])
        return code, capsys.readouterr()

    return call


def test_a_value_that_the_driver_calls_impossible_is_an_error_of_the_plan(check):
    code, told = check([RANGE])
    assert code == 2
    assert "99999 W is outside of what the driver allows" in told.err
    assert "fine" not in told.out


def test_a_range_counts_also_where_this_user_may_not_set_it(check):
    code, told = check([NO_CARD, RANGE])
    assert code == 2
    assert "choose 1 to 7 W" in told.err
    assert "no card 0" not in told.err


@pytest.mark.parametrize("answer", [[NO_CARD], PluginError("there is no card 0")])
def test_a_plan_for_another_machine_is_fine_and_says_that_no_card_was_asked(check, answer):
    code, told = check(answer)
    assert code == 0
    assert "profile quiet: not asked" in told.out
    assert "there is no card 0" in told.out
    assert " ".join(told.out.split()).endswith("fine. Nothing was changed.")  # long paths are wrapped
    code, told = check(answer, "--json")
    assert "no card 0" in json.loads(told.out)["cards"]["quiet"]


@pytest.mark.parametrize("name", ["[]", "{ a = 1 }", "[[1]]", "3", "true"])
def test_a_name_that_is_no_text_is_told_also_beside_a_blank(name, tmp_path, capsys):
    path = tmp_path / "plan.toml"
    for old, new in (('name = "quiet"', f"name = {name}"), ('reference = "factory"', f"reference = {name}")):
        text = PLAN.replace('reference = "factory"', 'blank = "again"\nreference = "factory"').replace(
            old, new
        )
        path.write_text(text)
        assert main(["check", str(path)]) == 2
        assert "nobody foresaw" not in capsys.readouterr().err


def test_a_card_that_was_asked_is_said(check):
    code, told = check([])
    assert code == 0
    assert "profile quiet: its values lie in the range that this machine's driver reports" in told.out


def test_each_control_is_opened_once_however_many_profiles_it_has(tmp_path, monkeypatch):
    path = tmp_path / "plan.toml"
    more = "".join(f'[[profiles]]\nname = "p{n}"\ncontrol = "nvml"\npower_limit_w = 200\n' for n in range(3))
    path.write_text(PLAN.replace("[[titles]]", more + "[[titles]]"))
    opened = []

    def open_control(self, kind, clock, card=None):
        opened.append(kind)
        return Asked([])

    monkeypatch.setattr(PluginHost, "open_control", open_control)
    assert main(["check", str(path)]) == 0
    assert opened == ["nvml"]


@pytest.mark.parametrize(("twice", "warned"), [('blank = "again"', False), ("", True)])
def test_two_profiles_that_set_the_same_are_doubted_but_for_the_blank(twice, warned, tmp_path, capsys):
    plan = tmp_path / "plan.toml"
    head = PLAN.replace("allow_hardware_changes = true", twice)
    same = head.replace('name = "quiet"\ncontrol = "nvml"\npower_limit_w = 99999', 'name = "calm"')
    text = same if warned else same.replace('[[profiles]]\nname = "calm"\n', "")
    plan.write_text(text, encoding="utf-8")
    assert main(["check", str(plan)]) == 0
    assert ("sets the same as" in " ".join(capsys.readouterr().out.split())) is warned
