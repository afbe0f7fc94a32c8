"""Folders that people name: what is no campaign is said so with exit 2; a rehearsal clears only its own."""

from __future__ import annotations

import json
import shutil

import pytest

from harness.cli import main
from harness.errors import CampaignBusy, StoreError
from harness.rehearsal_folder import MARKER_NAME, make_room
from harness.store.lock import FolderLock
from harness.testing import FakeClock

COMMANDS = {
    "status": ["status", "{}"],
    "status as JSON": ["status", "{}", "--json"],
    "verify": ["verify", "{}"],
    "rebuild": ["rebuild", "{}"],
    "report": ["report", "{}"],
    "report of several": ["report", "{}", "{}"],
    "analyse": ["analyse", "{}"],
    "explain": ["explain", "{}", "cell/a.b.c/average_fps"],
    "watch": ["watch", "{}", "--port", "0"],
    "resume-at-boot": ["resume-at-boot", "show", "{}"],
}


@pytest.mark.parametrize("arguments", COMMANDS.values(), ids=list(COMMANDS))
def test_a_folder_that_is_no_campaign_is_exit_2_and_nothing_is_written(arguments, tmp_path, capsys):
    empty = tmp_path / "empty"
    empty.mkdir()
    other = tmp_path / "other"
    other.mkdir()
    (other / "notes.txt").write_text("mine")
    file = tmp_path / "file"
    file.write_text("")
    before = sorted(tmp_path.rglob("*"))
    for folder in (empty, other, file, tmp_path / "nowhere"):
        assert main([part.format(folder) for part in arguments]) == 2, folder
        told = "".join(capsys.readouterr())
        assert str(folder) in told
        assert "Traceback" not in told
    assert sorted(tmp_path.rglob("*")) == before


def rehearsed(folder):
    """A folder as a rehearsal leaves it."""
    make_room(folder)
    (folder / "rig.json").write_text(json.dumps({"simulated": True}))
    (folder / "attempts" / "x").mkdir(parents=True)
    (folder / "journal.sqlite").write_text("")


def test_a_rehearsal_clears_its_own_folder_again(tmp_path):
    rehearsed(tmp_path / "c")
    make_room(tmp_path / "c")
    assert {p.name for p in (tmp_path / "c").iterdir()} == {MARKER_NAME, "lock"}
    make_room(tmp_path / "c")


def test_nothing_but_its_own_is_ever_cleared(tmp_path):
    def other(name, change):
        folder = tmp_path / name
        rehearsed(folder)
        change(folder)
        return folder

    copied = tmp_path / "copied"
    rehearsed(tmp_path / "first")
    shutil.copytree(tmp_path / "first", copied)  # the marker came along, and says nothing here
    link = tmp_path / "link"
    link.symlink_to(tmp_path / "first")
    file = tmp_path / "file"
    file.write_text("")
    for folder in (
        copied,
        link,
        file,
        other("unmarked", lambda f: (f / MARKER_NAME).unlink()),
        other("marker of nobody", lambda f: (f / MARKER_NAME).write_text("{}")),
        other("damaged marker", lambda f: (f / MARKER_NAME).write_bytes(b"\xff")),
        other("real", lambda f: (f / "rig.json").write_text('{"simulated": false}')),
        other("with notes", lambda f: (f / "notes.txt").write_text("mine")),
        other("with a folder", lambda f: (f / "photos").mkdir()),
    ):
        before = sorted(tmp_path.rglob("*"))
        with pytest.raises(StoreError, match="name"):
            make_room(folder)
        assert sorted(tmp_path.rglob("*")) == before, folder


def test_a_folder_in_which_a_rehearsal_is_at_work_is_not_cleared(tmp_path):
    rehearsed(tmp_path / "c")
    lock = FolderLock(tmp_path / "c", FakeClock().now_utc())
    with pytest.raises(CampaignBusy):
        make_room(tmp_path / "c")
    lock.release()
    assert (tmp_path / "c" / "journal.sqlite").exists()


def test_rehearse_refuses_a_folder_of_somebody_else_by_its_command(tmp_path, capsys):
    mine = tmp_path / "first-night-rehearsal"
    mine.mkdir()
    (mine / "rig.json").write_text('{"simulated": true}')
    assert main(["rehearse", "plans/first-night.toml", "--into", str(mine), "--json"]) != 0
    assert "no rehearsal made it" in capsys.readouterr().err
    assert [p.name for p in mine.iterdir()] == ["rig.json"]
