"""The written plan says what was answered, whatever that is, and a person can read it."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.newplan.ask_titles import _folder_of
from harness.newplan.compose import Answers, plan_text
from harness.plan.load import parse_plan

TEXTS = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=30)
PATHS = TEXTS | st.builds(lambda a, b: f"C:\\{a}\\{b}", TEXTS, TEXTS)
FACTORY = {"name": "factory"}
QUIET = {"name": "quiet", "control": "nvml", "power_limit_w": 240}
TITLE = {"name": "t", "workload": "scene", "scene": "slow-tide", "measure_s": 9}


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(question=TEXTS, label=TEXTS, program=PATHS, folder=PATHS, log=PATHS, name=TEXTS, card=TEXTS)
def test_any_words_and_paths_read_back_as_they_were(
    machine, question, label, program, folder, log, name, card
):
    title = {
        "name": "t", "label": label, "workload": "command", "command": [program, "-x"],
        "working_folder": folder, "measure_s": 7.5, "frame_log": {"path": log, "interval_column": label},
    }  # fmt: skip
    answers = Answers(question, (FACTORY, QUIET), (title,), "factory", 8, 3, True, 87, (card, card), 4)
    written = tomllib.loads(plan_text(answers, machine(), name))
    assert written["titles"] == [title]
    assert written["profiles"] == [FACTORY, QUIET]
    assert written["plan"]["question"] == question
    assert written["rig"] == {"card": card}


@pytest.mark.parametrize("hours", [0.2, 8])
@pytest.mark.parametrize("quantities", [[], ["core_temp_c"], ["core_temp_c", "ambient_temp_c"]])
@pytest.mark.parametrize("limit", [None, 87])
def test_every_night_is_one_that_the_loader_takes(machine, hours, quantities, limit):
    here = machine(quantities=dict.fromkeys(quantities, "nvml"))
    answers = Answers("Is it?", (FACTORY, QUIET), (TITLE,), "factory", hours, 3, True, limit, None, 4)
    plan = parse_plan(plan_text(answers, here, "p.toml"), "p.toml", here.kinds)
    assert plan.limits.night_ends_after_s == hours * 3600
    assert plan.limits.core_temp_c == limit
    assert ("foreign-cpu-load" in plan.checks.mark_only) == (hours < 0.75)
    assert (plan.conditions.cooldown.until_above_ambient_k is not None) == (
        hours > 1 and len(quantities) == 2
    )


def test_the_caution_stands_where_the_card_is_changed_and_nowhere_else(machine):
    quiet = Answers("Is it?", (FACTORY, QUIET), (TITLE,), "factory", 8, 3, True, None, None, 4)
    plain = Answers("Is it?", (FACTORY,), (TITLE,), "factory", 8, 3, repeats=4)
    assert "CAUTION" in plan_text(quiet, machine(), "p.toml")
    assert "CAUTION" not in plan_text(plain, machine(), "p.toml")
    assert "allow_hardware_changes" not in plan_text(plain, machine(), "p.toml")


def test_lines_stay_readable(machine):
    answers = Answers("Is it?", (FACTORY, QUIET), (TITLE,), "factory", 8, 3, True, 87, None, 4)
    text = plan_text(answers, machine(), "p.toml")
    assert max(map(len, text.splitlines())) <= 130
    assert "150 to 350, factory 320" in text
    assert "144 times a second" in text


@pytest.mark.parametrize(
    ("program", "folder"),
    [
        (r"C:\Games\h.exe", r"C:\Games"),
        (r"C:\h.exe", "C:\\"),
        ("./h", ""),
        ("h", ""),
        ("/g/h", "/g"),
        ("t/h", "t"),
    ],
)
def test_the_folder_of_a_program(program, folder):
    assert _folder_of(program) == folder
