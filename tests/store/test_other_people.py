"""Other people around a campaign folder: links that they plant, locks that they hold, what they may read."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest

from harness.commands import stop
from harness.errors import CampaignBusy, StoreError, UnsafePath
from harness.store import journal as journal_module
from harness.store.campaign import CampaignStore
from harness.store.journal import Journal

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="links and users")


@pytest.mark.parametrize("name", ["journal.sqlite", "journal.sqlite-shm", "lock", "attempts", "dataset"])
def test_a_link_in_the_place_of_what_the_store_writes_is_refused(
    name: str, tmp_path: Path, small: ModuleType
) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    folder = tmp_path / "night"
    folder.mkdir()
    (folder / name).symlink_to(outside if name in ("attempts", "dataset") else outside / "new")
    with pytest.raises(UnsafePath):
        small.run(folder)
    assert list(outside.iterdir()) == []


@pytest.mark.parametrize("name", ["plan.toml", "rig.json", "manifest.json", "ballast"])
def test_a_link_in_the_place_of_a_whole_file_is_replaced_and_not_followed(
    name: str, tmp_path: Path, small: ModuleType
) -> None:
    outside = tmp_path / "outside"
    outside.write_text("untouched")
    folder = tmp_path / "night"
    small.run(folder)
    (folder / name).unlink()
    (folder / name).symlink_to(outside)
    small.run(folder)
    assert outside.read_text() == "untouched"
    assert not (folder / name).is_symlink()


@pytest.fixture
def open_place() -> Iterator[Path]:
    """A folder that every user can look into."""
    with tempfile.TemporaryDirectory(dir="/tmp") as name:
        Path(name).chmod(0o755)
        yield Path(name)


def as_nobody(*words: str) -> str:
    """What the words say on standard error as a user without rights."""
    ended = subprocess.run(
        words, user=65534, group=65534, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, check=False
    )
    return ended.stderr.decode()


@contextlib.contextmanager
def without_rights() -> Iterator[None]:
    """As a user whom write protection binds."""
    user = os.geteuid()
    if user == 0:
        os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(user)


def test_a_write_protected_folder_with_a_log_and_no_index_is_read(
    open_place: Path, small: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite makes the index beside the journal, where nothing may be written."""
    folder, left = open_place / "night", open_place / "left"
    with small.open_store(folder):
        left.mkdir()
        for name in ("journal.sqlite", "journal.sqlite-wal"):
            (left / name).write_bytes((folder / name).read_bytes())
    assert (left / "journal.sqlite-wal").stat().st_size > 0
    for path in left.iterdir():
        path.chmod(0o444)
    left.chmod(0o555)
    temporary = open_place / "temporary"
    temporary.mkdir()
    temporary.chmod(0o777)
    monkeypatch.setattr(tempfile, "tempdir", str(temporary))
    try:
        with without_rights():
            journal = Journal.read(left)
            assert journal.query("SELECT count(*) FROM cells")[0][0] > 0
            assert journal.problems() == []
            journal.close()
        assert {path.name for path in left.iterdir()} == {"journal.sqlite", "journal.sqlite-wal"}
    finally:
        left.chmod(0o755)


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() != 0, reason="becomes another user")
def test_a_reader_can_hold_no_lock_and_still_read(open_place: Path, small: ModuleType) -> None:
    folder = open_place / "night"
    with small.open_store(folder) as store:
        for name in ("lock", "journal.sqlite-shm"):
            assert "Permission denied" in as_nobody("/bin/cat", str(folder / name))
        assert as_nobody("/bin/cat", str(folder / "journal.sqlite"), str(folder / "journal.sqlite-wal")) == ""
        with journal_module.copy_of(folder, folder / "journal.sqlite") as copy:
            held = journal_module._in_memory(copy)
        assert held.execute("SELECT count(*) FROM slots").fetchone()[0] == len(store.remaining_slots())
        held.close()


def test_a_program_that_holds_a_lock_is_waited_for_and_costs_no_attempt(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, small: ModuleType
) -> None:
    folder = tmp_path / "night"
    with small.open_store(folder) as store:
        other = sqlite3.connect(folder / "journal.sqlite", isolation_level=None, check_same_thread=False)
        other.execute("BEGIN IMMEDIATE")
        store._journal._connection.execute("PRAGMA busy_timeout=100")
        let_go = threading.Timer(0.5, lambda: other.execute("ROLLBACK"))
        let_go.start()
        small.measure(store, store.remaining_slots()[0])
        let_go.join()
        other.execute("BEGIN IMMEDIATE")
        monkeypatch.setattr(journal_module, "_BUSY_TRIES", 2)
        began_s = time.monotonic()
        with pytest.raises(StoreError, match=r"keeps the journal of .* locked"):
            small.begin(store, store.remaining_slots()[0])
        assert time.monotonic() - began_s < 30
        other.execute("ROLLBACK")
        other.close()
        small.begin(store, store.remaining_slots()[0])


def test_a_second_run_is_still_refused(tmp_path: Path, small: ModuleType) -> None:
    with small.open_store(tmp_path / "night"), pytest.raises(CampaignBusy):
        small.open_store(tmp_path / "night")


def test_looking_at_a_running_campaign_in_its_own_process_leaves_its_locks(
    tmp_path: Path, small: ModuleType
) -> None:
    folder = tmp_path / "night"
    code = "import sqlite3, sys; c = sqlite3.connect(sys.argv[1], timeout=0); c.execute('BEGIN IMMEDIATE')"
    with small.open_store(folder) as store, store._journal.transaction("test"):
        CampaignStore.read(folder).close()
        words = [sys.executable, "-c", code, str(folder / "journal.sqlite")]
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        assert "locked" in done.stderr


def test_a_stop_never_says_that_nothing_runs_where_the_lock_is_not_ours_to_read(small, tmp_path, monkeypatch):
    folder = tmp_path / "c"
    with small.open_store(folder):
        monkeypatch.setattr(stop.os, "access", lambda path, mode: Path(path).name != "lock")
        with pytest.raises(StoreError, match=r"another user began this campaign.*stop it as that user"):
            stop.stop_campaign(folder, after_attempt=False, timeout_s=0.1)
