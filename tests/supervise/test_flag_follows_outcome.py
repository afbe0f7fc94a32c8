"""Resume-at-boot after each way in which a run ends; and what is proved before it begins."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest

from harness.cli import build_parser, main
from harness.commands import run as module
from harness.commands import unattended
from harness.engine.campaign import CampaignResult
from harness.supervise import boot

PLAN = """
[plan]
question  = "?"
repeats   = 1
reference = "a"
allow_hardware_changes = true
[[profiles]]
name    = "a"
[[profiles]]
name    = "b"
control = "command"
apply   = ["true"]
verify  = ["true"]
restore = ["true"]
[[titles]]
name      = "t"
workload  = "command"
command   = ["true"]
measure_s = 5
without_frames = true
"""


@pytest.fixture
def night(tmp_path, monkeypatch):
    monkeypatch.delenv("LEVELRIG_NOTIFY", raising=False)
    monkeypatch.setattr(module, "state_folder", lambda: tmp_path / "state")
    monkeypatch.setattr(module, "hold_hardware", lambda *a: SimpleNamespace(close=lambda: None))
    monkeypatch.setattr(module, "end_run", lambda result, arguments: result.exit_code)
    plan = tmp_path / "night.toml"
    plan.write_text(PLAN)
    folder = tmp_path / "c"
    folder.mkdir()
    (folder / boot.FLAG_NAME).touch()
    return plan, folder


@pytest.mark.parametrize(
    ("exit_code", "signals", "system", "kept"),
    [
        (0, [], "", False),
        (4, [], "", False),
        (5, [], "", False),  # a safety stop
        (3, [], "", False),
        (130, ["SIGINT"], "", False),
        (130, [], "", False),  # levelrig stop, the live page
        (130, ["SIGTERM"], "running", False),
        (130, ["SIGTERM"], "stopping", True),
        (130, ["SIGHUP"], "", True),
    ],
)
def test_the_flag_follows_the_outcome(night, monkeypatch, capsys, exit_code, signals, system, kept):
    plan, folder = night

    def run(*args, received, **more):
        received.names += signals
        return CampaignResult(folder, exit_code, "over", 0, 1)

    monkeypatch.setattr(module, "measure", run)
    monkeypatch.setattr(boot, "_system_state", lambda: system)
    assert main(["run", str(plan), "--into", str(folder)]) == exit_code
    assert (folder / boot.FLAG_NAME).exists() is kept
    said = "switched off" in capsys.readouterr().err
    assert said is (not kept and exit_code not in (0, 4))


def test_an_error_that_ends_the_run_keeps_the_flag(night, monkeypatch):
    plan, folder = night

    def crash(*args, **more):
        raise RuntimeError("bug")

    monkeypatch.setattr(module, "measure", crash)
    assert main(["run", str(plan), "--into", str(folder)]) == 1
    assert (folder / boot.FLAG_NAME).exists()


def test_a_stop_that_the_child_did_not_live_to_carry_out_takes_the_flag_away(night, monkeypatch):
    _, folder = night
    monkeypatch.setattr(boot, "_system_state", lambda: "stopping")
    unattended._tell(None, folder, "stopped", "x")
    assert (folder / boot.FLAG_NAME).exists()
    monkeypatch.setattr(boot, "_system_state", lambda: "running")
    unattended._tell(None, folder, "restarted", "x")
    assert (folder / boot.FLAG_NAME).exists()
    unattended._tell(None, folder, "stopped", "x")
    assert not (folder / boot.FLAG_NAME).exists()


def test_a_state_folder_that_can_not_be_written_ends_the_run_before_anything_begins(
    night, monkeypatch, capsys
):
    plan, folder = night
    monkeypatch.setattr(module, "state_folder", lambda: Path("/dev/null/levelrig"))
    monkeypatch.setattr(module, "measure", lambda *a, **more: pytest.fail("it began"))
    assert main(["run", str(plan), "--into", str(folder)]) == 3
    said = " ".join(capsys.readouterr().err.split())
    assert "the machine's record of what is to be put back can't be written there" in said
    assert "nothing was changed; grant access" in said
    plan.write_text(
        PLAN.replace("allow_hardware_changes = true", "").split('[[profiles]]\nname    = "b"')[0]
        + PLAN[PLAN.index("[[titles]]") :]
    )
    monkeypatch.setattr(module, "measure", lambda *a, **more: CampaignResult(folder, 0, "over", 1, 1))
    assert main(["run", str(plan), "--into", str(folder)]) == 0  # changes no hardware: it needs no record


@pytest.mark.parametrize(
    ("words", "expected"),
    [([], None), (["--goes-on"], -1), (["--goes-on", "-1"], -1), (["--goes-on", "90"], 90)],
)
def test_what_further_starts_say(words, expected):
    assert build_parser().parse_args(["run", "p.toml", *words]).goes_on == expected
