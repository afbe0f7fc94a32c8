"""``levelrig restore`` says what it knows, and each answer has its exit code."""

from __future__ import annotations

import json
import os
import sys

import pytest

from harness.cli import main
from harness.guard import HardwareLock, RestoreRecord

PYTHON = sys.executable


@pytest.fixture
def state(tmp_path, monkeypatch):
    folder = tmp_path / "state"
    for module in ("record", "lock"):
        monkeypatch.setattr(f"harness.guard.{module}.state_folder", lambda: folder)
    monkeypatch.setattr("harness.commands.restore.end_dead_runs_titles", list)
    return folder


def saved(state, *words, **more):
    entry = {"folder": str(state.parent), "restore": [{"words": [PYTHON, "-c", *words], "timeout_s": 60}]}
    RestoreRecord(state / "restore.json").save_snapshot("command", {**entry, "proofs": [], **more})


def restore(capsys, *options):
    code = main(["restore", *options])
    out, err = capsys.readouterr()
    return code, " ".join((out + err).split())


def test_without_a_record_it_says_so(state, capsys):
    code, text = restore(capsys)
    assert code == 0
    assert "No record: no run of this user left anything to be put back" in text
    assert "command" not in text  # whose maker's state nobody knows


def test_a_restore_that_is_read_back_is_proven(state, capsys, tmp_path):
    card = tmp_path / "card"
    card.write_text("quiet")
    show = [PYTHON, "-c", f"print('state', open({str(card)!r}).read())"]
    proof = {
        "profile": "quiet",
        "words": show,
        "limit_s": 60,
        "line": "^state quiet$",
        "restored_line": None,
        "found_in_force": False,
    }
    saved(state, f"open({str(card)!r}, 'w').write('factory')", proofs=[proof])
    code, text = restore(capsys)
    assert (code, card.read_text()) == (0, "factory")
    assert "Put back as they were found, and read back: command." in text
    assert not (state / "restore.json").exists()


def test_a_restore_command_that_does_nothing_is_found_out(state, capsys, tmp_path):
    show = [PYTHON, "-c", "print('state quiet')"]
    proof = {
        "profile": "quiet",
        "words": show,
        "limit_s": 60,
        "line": "^state quiet$",
        "restored_line": None,
        "found_in_force": False,
    }
    saved(state, "pass", proofs=[proof])
    code, text = restore(capsys)
    assert code == 5
    assert "verify of profile quiet does not show the state that was found" in text
    assert (state / "restore.json").exists()


def test_a_control_that_can_not_read_back_is_told_apart(state, capsys):
    saved(state, "pass")
    code, text = restore(capsys)
    assert code == 4
    assert "nothing reads back that they worked" in text


def test_a_restore_that_fails_keeps_its_record(state, capsys):
    saved(state, "raise SystemExit('no right')")
    code, text = restore(capsys)
    assert code == 5
    assert "no right" in text
    code, text = restore(capsys, "--json")
    assert json.loads(text)["items"][0]["kind"] == "command"
    assert code == 5


def test_a_damaged_record_is_kept_aside(state, capsys):
    state.mkdir(mode=0o700)
    (state / "restore.json").write_text("{ half a")
    code, text = restore(capsys)
    assert code == 4
    (kept,) = state.glob("restore.damaged-*.json")
    assert kept.read_text() == "{ half a"
    assert "look at that yourself" in text


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() != 0, reason="needs root to make another owner")
def test_another_users_record_is_not_used(state, capsys, tmp_path):
    saved(state, f"open({str(tmp_path / 'x')!r}, 'w')")
    os.chown(state / "restore.json", 65534, 65534)
    code, text = restore(capsys)
    assert code == 3
    assert "belongs to another user" in text
    assert not (tmp_path / "x").exists()


def test_roots_record_is_named_to_another_user(state, capsys, tmp_path, monkeypatch):
    monkeypatch.setattr("harness.commands.restore.records_of_others", lambda: [tmp_path / "roots.json"])
    code, text = restore(capsys)
    assert code == 3
    assert "only that user can put it back" in text


def test_a_live_runs_hardware_is_not_touched(state, capsys, tmp_path):
    saved(state, f"open({str(tmp_path / 'x')!r}, 'w')")
    lock = HardwareLock.take("run", tmp_path / "night", state=state)
    code, text = restore(capsys)
    assert code == 3
    assert f"process {os.getpid()} (a run, since" in text
    assert not (tmp_path / "x").exists()
    lock.release()
