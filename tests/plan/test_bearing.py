"""Each key of a plan states whether it bears on what a cell measures; the hashes follow the statements."""

from __future__ import annotations

from typing import Any, ClassVar

import pytest
from pydantic import BaseModel, ConfigDict, Field

from harness.hookspecs import Kind
from harness.plan.bearing import apart_paths, bearing, statement, unstated, without
from harness.plan.cells import expand
from harness.plan.load import parse_plan
from harness.plan.schema import Plan
from harness.plugins import PluginHost


def kinds_with_options() -> list[Kind]:
    return [kind for kind in PluginHost().kinds.values() if kind.options is not None]


def test_every_key_of_the_whole_plan_states_whether_it_bears():
    assert unstated(Plan) == []


@pytest.mark.parametrize("kind", kinds_with_options(), ids=lambda kind: f"{kind.role} {kind.name}")
def test_every_key_of_every_first_party_plugin_states_whether_it_bears(kind):
    assert unstated(kind.options) == []


class Inner(BaseModel):
    APART: ClassVar[str] = "timeout_s"

    size: int = 1
    timeout_s: float = 1.0


class Options(BaseModel):
    """Options of a plugin from elsewhere, with statements for some keys only."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True)
    APART: ClassVar[str] = "tries"

    level: int = Field(1, description="no statement: bears")
    tries: int = 3
    waits: list[Inner] = []
    named: dict[str, Inner] = {}
    one: Inner | None = None
    other: int = Field(0, alias="else")


def test_a_key_without_a_statement_is_found_and_counts_as_bearing():
    assert unstated(Options) == [
        "Options.level", "Options.waits", "Inner.size", "Options.named", "Options.one", "Options.other"
    ]  # fmt: skip
    assert statement(Options, "level") is None
    made = Options.model_validate(
        {
            "level": 2,
            "tries": 9,
            "waits": [{"size": 2, "timeout_s": 5}],
            "named": {"a": {"timeout_s": 7}},
            "one": {"size": 3, "timeout_s": 2},
            "else": 4,
        }
    )
    assert bearing(made) == {
        "level": 2, "waits": [{"size": 2}], "named": {"a": {}}, "one": {"size": 3}, "else": 4
    }  # fmt: skip
    assert set(apart_paths(Options)) == {
        ("tries",), ("waits", "*", "timeout_s"), ("named", "*", "timeout_s"), ("one", "timeout_s")
    }  # fmt: skip


def test_a_path_takes_out_what_lies_there_and_nothing_else():
    values = {"a": [{"b": 1, "c": 2}], "b": 3}
    assert without(values, (("a", "*", "b"),)) == {"a": [{"c": 2}], "b": 3}
    assert without(values, ()) == values


PLAN = """
[plan]
question = "Is it?"
repeats = 2
reference = "factory"
allow_hardware_changes = true

[conditions]
cooldown = {{ until_at_most_c = 45, timeout_s = {cooldown_timeout_s}, then = "{then}" }}
warm_up = {{ seconds = {warm_up_s}, timeout_s = {warm_up_timeout_s} }}
soak = {{ slope_at_most_c_per_min = 1, timeout_s = {soak_timeout_s} }}

[limits]
core_temp_c = {core_temp_c}

[retries]
attempts_per_repeat = {tries}

[checks]
foreign_cpu_load_at_most_pct = {foreign}

[[sensors]]
kind = "stream"
command = ["{meter}"]
quantities = {{ wall_power_w = {{ name = "P", scale = {scale} }} }}

[[profiles]]
name = "factory"

[[profiles]]
name = "quiet"
label = "{label}"
control = "command"
apply = ["{apply}"]
restore = ["{restore}"]
verify = ["look"]
verify_line = "ok"
timeout_s = {timeout_s}

[[titles]]
name = "harbour-lights"
workload = "command"
command = ["{program}"]
fail_line = "{fail_line}"
measure_s = {measure_s}
deadline_s = {deadline_s}
silent_at_most_s = {silent_s}
frame_log = {{ path = "f.csv", interval_column = "{column}" }}
"""
BASE: dict[str, Any] = {
    "cooldown_timeout_s": 60, "then": "mark", "warm_up_s": 5, "warm_up_timeout_s": 90, "soak_timeout_s": 90,
    "core_temp_c": 88, "tries": 3, "foreign": 10, "meter": "meter", "scale": 1.0, "label": "Quiet",
    "apply": "apply", "restore": "restore", "timeout_s": 60, "program": "harbour", "fail_line": "lost",
    "measure_s": 20, "deadline_s": 600, "silent_s": 30, "column": "dt",
}  # fmt: skip


def hashes(**changes: Any) -> dict[str, str]:
    plan = parse_plan(PLAN.format(**BASE | changes), "plan.toml", PluginHost().kinds)
    return {cell.cell_id: cell.definition_hash for cell in expand(plan)}


PUT_RIGHT = {
    "cooldown_timeout_s": 900, "then": "skip", "warm_up_timeout_s": 900, "soak_timeout_s": 900,
    "core_temp_c": 90, "tries": 5, "foreign": 20, "meter": "/usr/bin/meter", "label": "Silent",
    "restore": "/opt/restore", "timeout_s": 300, "fail_line": "device lost", "deadline_s": 900,
    "silent_s": 90,
}  # fmt: skip


@pytest.mark.parametrize("key", PUT_RIGHT)
def test_putting_a_plan_right_keeps_what_was_measured(key):
    assert hashes(**{key: PUT_RIGHT[key]}) == hashes()


@pytest.mark.parametrize(
    "change",
    [
        {"warm_up_s": 9},
        {"scale": 1.02},
        {"apply": "other"},
        {"program": "other"},
        {"measure_s": 30},
        {"column": "frame"},
    ],
    ids=str,
)
def test_what_changes_a_number_changes_the_definition(change):
    after = hashes(**change)
    changed = {cell_id for cell_id, known in hashes().items() if after[cell_id] != known}
    tuned = {"harbour-lights.default.quiet"}
    assert changed == (tuned if "apply" in change else {*tuned, "harbour-lights.default.factory"})
