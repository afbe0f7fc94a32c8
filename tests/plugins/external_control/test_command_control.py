from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

import psutil
import pytest
from pydantic import ValidationError

from harness.errors import ControlRefused, PluginError, WorkloadFailed
from harness.plan.schema import ProfileSpec
from harness_plugins.external_control.control import CommandControl, CommandControlOptions
from harness_plugins.external_control.run import run_command


def python(program: str) -> list[str]:
    return [sys.executable, "-c", program]


class Card:
    """A card that is a file; the user's tuning program writes a number into it."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "limit"
        self.path.write_text("320")

    def set_to(self, watts: int) -> list[str]:
        return python(f"open({str(self.path)!r}, 'w').write('{watts}')")

    def show(self) -> list[str]:
        return python(f"print('limit', open({str(self.path)!r}).read(), 'W')")


@pytest.fixture
def card(tmp_path: Path) -> Card:
    return Card(tmp_path)


def profile_of(card: Card, **options: Any) -> ProfileSpec:
    base = {
        "apply": card.set_to(250),
        "verify": card.show(),
        "verify_line": r"limit 250 W",
        "restore": card.set_to(320),
    }
    chosen = {key: value for key, value in (base | options).items() if value is not None}
    return ProfileSpec.model_validate({"name": "quiet", "control": "command", **chosen})


def test_a_profile_is_applied_read_back_and_restored_by_the_users_commands(card: Card) -> None:
    control, profile = CommandControl(), profile_of(card)
    assert control.check(profile) == []
    snapshot = control.snapshot()
    control.apply(profile)
    assert control.read_back(profile)["verify_printed"] == "limit 250 W"
    control.restore(snapshot)
    assert card.path.read_text() == "320"


def test_after_a_crash_another_process_can_restore_by_the_snapshot_alone(card: Card) -> None:
    first = CommandControl()
    first.check(profile_of(card))
    snapshot = first.snapshot()
    first.apply(profile_of(card))
    CommandControl().restore(snapshot)
    assert card.path.read_text() == "320"


def test_a_command_that_ends_well_but_changed_nothing_is_found_by_reading_back(card: Card) -> None:
    control, profile = CommandControl(), profile_of(card, apply=python("pass"))
    control.check(profile)
    control.apply(profile)
    with pytest.raises(
        ControlRefused, match="no line of verify matches 'limit 250 W'; it printed: limit 320 W"
    ):
        control.read_back(profile)


def test_a_refusing_command_is_told_with_its_last_words(card: Card) -> None:
    control = CommandControl()
    profile = profile_of(card, apply=python("print('no privilege'); raise SystemExit(5)"))
    control.check(profile)
    with pytest.raises(ControlRefused, match="exit code 5: no privilege"):
        control.apply(profile)


def test_a_command_that_hangs_is_ended_with_all_that_it_started(card: Card, tmp_path: Path) -> None:
    note = tmp_path / "pid"
    program = (
        "import subprocess, sys, time\n"
        "p = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(600)'])\n"
        f"open({str(note)!r}, 'w').write(str(p.pid)); time.sleep(600)"
    )
    control = CommandControl()
    profile = profile_of(card, apply=python(program), timeout_s=0.8)
    control.check(profile)
    with pytest.raises(ControlRefused, match=r"still running after 0\.8 s"):
        control.apply(profile)
    child = int(note.read_text())
    assert not psutil.pid_exists(child) or psutil.Process(child).status() == psutil.STATUS_ZOMBIE


def test_each_different_restore_command_runs_once_and_a_failing_one_does_not_stop_the_rest(
    card: Card, tmp_path: Path
) -> None:
    count = tmp_path / "count"
    good = python(f"open({str(count)!r}, 'a').write('x')")
    control = CommandControl()
    for restore in (python("raise SystemExit(1)"), good, good):
        control.check(profile_of(card, restore=restore))
    with pytest.raises(ControlRefused, match="exit code 1"):
        control.restore(control.snapshot())
    assert count.read_text() == "x"


def test_nothing_is_applied_whose_way_back_is_not_in_the_snapshot(card: Card) -> None:
    with pytest.raises(PluginError, match="was not checked"):
        CommandControl().apply(profile_of(card))
    assert card.path.read_text() == "320"


def test_a_program_that_is_not_there_is_found_before_the_night(card: Card) -> None:
    (problem,) = CommandControl().check(profile_of(card, apply=["no-such-tuner", "--on"]))
    assert problem.where == "profiles.quiet.apply"
    assert problem.what.startswith("there is no program 'no-such-tuner'")


def test_clocks_and_power_under_load_are_held_against_the_plans_bounds(card: Card) -> None:
    bounds = {"power_w": {"at_most": 255}, "core_clock_mhz": {"at_least": 1800, "at_most": 1950}}
    control, profile = CommandControl(), profile_of(card, under_load=bounds)
    good = {"power_w": [240.0] * 20, "core_clock_mhz": [1900.0] * 20}
    assert control.verify_under_load(profile, good, None) == []
    bad = {"power_w": [318.0] * 20, "core_clock_mhz": [1500.0] * 20}
    above, below = control.verify_under_load(profile, bad, None)
    assert "power_w is 318" in above
    assert "below 1800" in below


def test_without_a_verify_command_missing_readings_prove_nothing(card: Card) -> None:
    profile = profile_of(card, verify=None, verify_line=None, under_load={"power_w": {"at_most": 255}})
    (sentence,) = CommandControl().verify_under_load(profile, {"power_w": [240.0] * 3}, None)
    assert "too few" in sentence


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"verify": None, "verify_line": None}, "does not prove the setting"),
        ({"verify": None, "under_load": {"power_w": {"at_most": 1}}}, "verify_line needs verify"),
        ({"restore": None}, "Field required"),
        ({"under_load": {"power": {"at_most": 1}}}, "no quantity power"),
        ({"under_load": {"power_w": {}}}, "give at_least, at_most or both"),
        ({"verify_line": "("}, "no regular expression"),
    ],
)
def test_wrong_options_are_refused_with_their_reason(
    card: Card, change: dict[str, Any], message: str
) -> None:
    with pytest.raises(ValidationError, match=message):
        CommandControlOptions.model_validate(profile_of(card, **change).options)


def test_a_command_that_prints_without_end_is_ended_and_says_so() -> None:
    program = "import sys\nwhile True: sys.stdout.write('x' * 1000000)"
    with pytest.raises(WorkloadFailed, match="printed over"):
        run_command([sys.executable, "-c", program], 60.0)


@pytest.mark.skipif(sys.platform != "linux", reason="a folder in memory, and removed working folders")
def test_a_full_disk_and_a_removed_working_folder_keep_no_command_from_running(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The card is put back all the same, and its proof is read."""

    def full() -> str:
        raise FileNotFoundError("no usable temporary directory")

    (tmp_path / "gone").mkdir()
    monkeypatch.chdir(tmp_path / "gone")
    (tmp_path / "gone").rmdir()
    monkeypatch.setattr(tempfile, "gettempdir", full)
    monkeypatch.setattr(tempfile, "tempdir", None)
    outcome = run_command([sys.executable, "-c", "print('state factory')"], 60.0)
    assert (outcome.exit_code, outcome.output) == (0, "state factory\n")
    CommandControl().snapshot()
