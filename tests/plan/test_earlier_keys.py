"""Keys of earlier versions are read, mean the same, and are reported with their present name."""

from __future__ import annotations

import pytest

from harness.errors import PlanError
from harness.plan import earlier_keys
from harness.plan.earlier_keys import EARLIER
from harness.plan.load import load_plan, older_spellings, parse_plan
from harness.plan.schema import Plan
from harness.plugins import PluginHost

PLAN = """\
[plan]
question = "Is quiet as fast?"
repeats = 3
reference = "factory"
{plan}
[[profiles]]
name = "factory"
[[titles]]
name = "tarn"
workload = "scene"
scene = "tarn-ridge"
measure_s = 5
{tables}
"""
#: A value for each earlier key that is not its default.
VALUES = {
    ("checks", "second_looks_at_most"): "2",
    ("plan", "slow_below_fps"): "90.5",
    ("plan", "stutter_multiple"): "3.5",
    ("retries", "set_aside_after_rig_losses"): "5",
}


def text_of(place, value):
    table, key = place
    line = f"{key} = {value}"
    head = line if table == "plan" else ""
    return PLAN.format(plan=head, tables="" if head else f"[{table}]\n{line}")


def test_every_earlier_key_has_a_value_here():
    assert set(VALUES) == set(EARLIER)


@pytest.mark.parametrize("before", VALUES, ids=".".join)
def test_an_earlier_key_means_what_its_present_one_means_and_is_reported(before, tmp_path):
    now, value = EARLIER[before], VALUES[before]
    old, new = (parse_plan(text_of(place, value), "p", PluginHost().kinds) for place in (before, now))
    assert old == new
    assert Plan.kept(text_of(before, value)) == Plan.kept(text_of(now, value))
    (tmp_path / "plan.toml").write_text(text_of(before, value))
    loaded = load_plan(tmp_path / "plan.toml", PluginHost())
    assert loaded == parse_plan(text_of(now, value), "p", PluginHost().kinds, base=tmp_path)
    (note,) = older_spellings(tmp_path / "plan.toml")
    assert ".".join(before) in note
    assert ".".join(now) in note


@pytest.mark.parametrize("before", VALUES, ids=".".join)
def test_a_wrong_value_is_reported_where_the_person_wrote_it(before):
    with pytest.raises(PlanError, match=rf"{before[0]}\.{before[1]} \(line \d+\)"):
        parse_plan(text_of(before, '"many"'), "p", PluginHost().kinds)


def test_both_spellings_at_once_are_refused():
    tables = "[checks]\nsecond_looks_at_most = 2\nremeasurements_at_most = 3"
    with pytest.raises(PlanError, match=r"checks\.second_looks_at_most.*unknown key"):
        parse_plan(PLAN.format(plan="", tables=tables), "p", PluginHost().kinds)


def test_present_keys_alone_change_nothing_and_have_no_notes():
    tables = {"plan": {"question": "?"}, "checks": {"remeasurements_at_most": 2}}
    assert earlier_keys.with_present_keys(tables) == tables
    assert earlier_keys.notes(tables) == []
    assert earlier_keys.with_present_keys({"checks": "no table"}) == {"checks": "no table"}
