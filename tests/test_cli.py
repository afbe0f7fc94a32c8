"""The command line as a person meets it."""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys

import pytest

from harness.cli import build_parser, main

PLAN = """
[plan]
question = "Is the quiet setting as fast?"
repeats = 2
reference = "factory"
allow_hardware_changes = true

[conditions]
cooldown = { seconds = 2 }
warm_up = { seconds = 2 }

[sampling]
period_s = 0.5

[[profiles]]
name = "factory"

[[profiles]]
name = "slow"
control = "processor"
thread_count = 1

[[titles]]
name = "salt-road"
workload = "scene"
scene = "slow-tide"
measure_s = 20
"""


@pytest.fixture
def plan(tmp_path):
    path = tmp_path / "plan.toml"
    path.write_text(PLAN, encoding="utf-8")
    return path


def commands() -> dict[str, argparse.ArgumentParser]:
    (action,) = (a for a in build_parser()._actions if isinstance(a, argparse._SubParsersAction))
    return dict(action.choices)


def test_every_commands_help_has_an_example_that_parses():
    for name, parser in commands().items():
        example = re.search(r"example:\n\s+levelrig (.+)", parser.format_help())
        assert example, name
        words = example[1].split(" > ")[0].split(" && ")[0].split()
        assert build_parser().parse_args(words).command == name


def test_check_shows_cells_order_and_forecast_and_changes_nothing(plan, capsys):
    before = sorted(plan.parent.iterdir())
    assert main(["check", str(plan)]) == 0
    shown = capsys.readouterr().out
    assert "salt-road" in shown
    assert "forecast" in shown
    assert sorted(plan.parent.iterdir()) == before


def test_a_wrong_plan_ends_with_code_2_and_every_problem(plan, capsys):
    broken = PLAN.replace("repeats = 2", "repeats = 0").replace('"slow-tide"', '"slow-tied"')
    plan.write_text(broken, encoding="utf-8")
    assert main(["check", str(plan)]) == 2
    said = capsys.readouterr().err
    assert "repeats" in said
    assert "slow-tide" in said


def test_a_rehearsal_ends_with_a_report_a_table_and_an_answer(plan, tmp_path, capsys):
    assert main(["rehearse", str(plan), "--into", str(tmp_path / "night")]) == 0
    shown = capsys.readouterr().out
    assert "average FPS" in shown
    assert "report:" in shown
    assert (tmp_path / "night" / "report" / "index.html").is_file()
    assert main(["status", str(tmp_path / "night"), "--json"]) == 0
    status = json.loads(capsys.readouterr().out)
    assert (status["accepted"], status["wanted"], status["state"]) == (4, 4, "complete")


def test_json_output_is_one_document_and_nothing_else(plan, tmp_path, capsys):
    assert main(["rehearse", str(plan), "--into", str(tmp_path / "night"), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["accepted"] == 4
    assert document["comparisons"]


def test_no_colour_codes_are_written_when_output_is_not_a_terminal(plan):
    done = subprocess.run(
        [sys.executable, "-m", "harness.cli", "check", str(plan)], capture_output=True, text=True, check=True
    )
    assert "\x1b[" not in done.stdout


def test_a_rehearsal_of_a_tuning_plan_never_touches_this_machines_restore_record(plan, tmp_path, monkeypatch):
    monkeypatch.setattr("harness.guard.state_folder", lambda: tmp_path / "state")
    tuned = PLAN.replace('control = "processor"\nthread_count = 1', 'control = "nvml"\npower_limit_w = 225')
    plan.write_text(tuned, encoding="utf-8")
    assert main(["rehearse", str(plan), "--into", str(tmp_path / "night"), "--json"]) == 0
    assert not (tmp_path / "state").exists()


def test_a_completion_script_knows_every_command(capsys):
    with pytest.raises(SystemExit) as ended:
        main(["--print-completion", "bash"])
    assert ended.value.code == 0
    script = capsys.readouterr().out
    assert all(name in script for name in commands())


@pytest.mark.parametrize(
    "words",
    [
        ["st\x1b[31matus"],
        ["status", "a", "b\x1b]0;owned\x07"],
        ["check", "p.toml", "--\x9bmore"],
        ["\u202eback"],
    ],
)
def test_a_wrong_command_line_is_told_without_obeying_what_stands_in_it(words, capsys):
    with pytest.raises(SystemExit) as ended:
        main(words)
    told = "".join(capsys.readouterr())
    assert ended.value.code == 2
    assert not [sign for sign in told if (ord(sign) < 32 and sign != "\n") or sign in "\x7f\x9b\u202e"]
