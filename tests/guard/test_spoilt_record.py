"""Whoever removes, spoils or replaces the record while a run has changed the card: the card comes back."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import time

import pytest

from harness.errors import HardwareBusy, StoreError
from harness.guard import Guard, HardwareLock, RestoreRecord, watch_over
from harness.guard.lock import LOCK_NAME
from harness.guard.record import Content
from harness.guard.watch import signs_of
from harness.identity import own_identity
from harness.proctable import look_at
from harness.testing import RecordingControl

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="owners and links of POSIX")
FACTORY, OTHER = {"power_limit_w": 300}, {"power_limit_w": 999}


class NoWatch:
    def __init__(self, path, lock=None):
        pass

    def lives(self):
        return True

    def tell(self, content):
        self.told = content

    def beat(self, *, changed=True):
        pass

    def close(self):
        pass


def removed(path):
    path.unlink()


def half(path):
    path.write_text("{ half")


def link(path):
    path.rename(path.with_name("elsewhere"))
    path.symlink_to("elsewhere")


def opened_to_all(path):
    path.chmod(0o666)


def planted(path):
    path.write_text(json.dumps({"tuner": OTHER, "stranger": {}}))
    path.chmod(0o666)


def a_folder(path):
    path.unlink()
    path.mkdir()
    (path / "in it").write_text("")


def all_gone(path):
    shutil.rmtree(path.parent)


SPOILERS = [removed, half, link, opened_to_all, planted, a_folder, all_gone]


@pytest.fixture
def record(tmp_path):
    return RestoreRecord(tmp_path / "state" / "restore.json")


@pytest.mark.parametrize("spoil", SPOILERS)
def test_the_run_knows_what_to_put_back_and_repairs_the_record(record, spoil):
    guard = Guard(lambda kind: True, record, None, NoWatch)
    guard.save_snapshot("tuner", FACTORY)
    spoil(record.path)
    assert guard.open_snapshots() == {"tuner": FACTORY}
    guard.beat()
    assert record.content() == ({"tuner": FACTORY}, own_identity())
    spoil(record.path)
    guard.save_snapshot("second", {})
    assert record.open_snapshots() == {"tuner": FACTORY, "second": {}}
    spoil(record.path)
    guard.clear_snapshot("second")
    assert record.open_snapshots() == {"tuner": FACTORY}
    guard.clear_snapshot("tuner")
    assert not record.path.exists()


def test_a_record_that_can_not_be_read_at_the_start_is_no_empty_one(record):
    record.save_snapshot("tuner", FACTORY)
    half(record.path)
    guard = Guard(lambda kind: True, record, None, NoWatch)
    for _ in range(2):
        with pytest.raises(StoreError):
            guard.open_snapshots()
    with pytest.raises(StoreError):
        guard.save_snapshot("tuner", OTHER)
    assert record.path.read_text() == "{ half"


@pytest.mark.parametrize("spoil", SPOILERS)
def test_the_watch_knows_what_to_put_back(record, spoil):
    record.save_snapshot("tuner", FACTORY)
    tuner, asked = RecordingControl("tuner", changes_hardware=True), []
    tuner.state.update(OTHER)

    def signs():
        yield "alive"
        spoil(record.path)
        yield "alive"
        yield "silent"
        assert tuner.state == FACTORY
        tuner.state.update(OTHER)
        yield "gone"

    coming = signs()

    def open_control(kind):
        asked.append(kind)
        return tuner

    (done,) = watch_over(record, lambda: next(coming), open_control)
    assert not done.failure
    assert tuner.state == FACTORY
    assert asked == ["tuner", "tuner"]
    assert not record.path.exists()


@pytest.mark.parametrize("spoil", SPOILERS)
def test_what_the_run_told_the_watch_counts_although_the_watch_never_saw_the_record(record, spoil):
    record.save_snapshot("tuner", FACTORY)
    spoil(record.path)
    tuner = RecordingControl("tuner", changes_hardware=True)
    tuner.state.update(OTHER)
    signs = iter([Content({"tuner": FACTORY}, own_identity()), "alive", "gone"])
    (done,) = watch_over(record, lambda: next(signs), lambda kind: tuner)
    assert not done.failure
    assert tuner.state == FACTORY
    assert not record.path.exists()


def test_the_run_tells_its_watch_before_the_first_change_and_tells_each_new_watch(record):
    watches = []

    class Watch(NoWatch):
        def __init__(self, path, lock=None):
            watches.append(self)

    guard = Guard(lambda kind: True, record, None, Watch)
    guard.save_snapshot("tuner", FACTORY)
    assert watches[0].told == ({"tuner": FACTORY}, own_identity())
    guard.save_snapshot("second", {})
    assert watches[0].told.states == {"tuner": FACTORY, "second": {}}
    watches[0].lives = lambda: False
    guard.beat()
    assert watches[1].told.states == {"tuner": FACTORY, "second": {}}
    guard.clear_snapshot("tuner")
    assert watches[1].told.states == {"second": {}}


def test_what_is_told_goes_through_the_pipe_in_pieces_and_a_spoilt_line_is_a_sign_of_life():
    content = Content({"tuner": {**FACTORY, "name": "{ “x” }\n-."}}, "7/1.00")
    line = json.dumps(content._asdict()).encode("ascii") + b"\n"
    sent = b".-" + line + b"." + b"{ half\n" + b"-"
    for size in (1, 2, 7, len(sent)):
        pieces = [sent[at : at + size] for at in range(0, len(sent), size)]
        assert list(signs_of(pieces)) == ["alive", "unchanged", content, "alive", "alive", "unchanged"]
    assert list(signs_of([line[:-1]])) == []


def test_what_the_run_itself_put_back_is_not_put_back_again(record):
    record.save_snapshot("tuner", FACTORY)
    tuner = RecordingControl("tuner", changes_hardware=True)

    def signs():
        yield "alive"
        record.discard()
        yield "unchanged"
        yield "gone"

    coming = signs()
    assert watch_over(record, lambda: next(coming), lambda kind: tuner) == []
    assert tuner.calls == []


def test_a_restore_that_fails_leaves_the_repaired_record_to_the_next_one(record):
    record.save_snapshot("tuner", FACTORY)

    class Stuck(RecordingControl):
        def restore(self, snapshot):
            raise RuntimeError("the driver does not answer")

    def signs():
        yield "alive"
        removed(record.path)
        yield "gone"

    coming = signs()
    (done,) = watch_over(record, lambda: next(coming), lambda kind: Stuck("tuner", changes_hardware=True))
    assert "does not answer" in done.failure
    assert record.open_snapshots() == {"tuner": FACTORY}


def test_a_lock_that_was_removed_does_not_let_a_second_one_in(record, tmp_path):
    """The record names the program that changed the card; it lives, so nobody else may."""
    lock = HardwareLock.take("run", state=tmp_path / "state")
    place = own_identity().split("/")[2:]
    other = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    seen = look_at(other.pid)
    assert seen is not None
    record.repair({"tuner": FACTORY}, "/".join((str(other.pid), f"{seen.born:.2f}", *place)))
    (tmp_path / "state" / LOCK_NAME).unlink()
    for doing in ("run", "restore"):
        with pytest.raises(HardwareBusy, match=f"process {other.pid} has changed .* lock file"):
            HardwareLock.take(doing, state=tmp_path / "state", patience_s=0.0)
    record.repair(
        {"tuner": FACTORY}, "/".join((str(other.pid), "1.00", *place))
    )  # an earlier process's number
    HardwareLock.take("restore", state=tmp_path / "state", patience_s=0.0).release()
    other.communicate()
    lock.release()


@pytest.mark.parametrize("end", ["kill", "in order"])
@pytest.mark.parametrize("spoil", [removed, planted])
def test_a_run_whose_record_is_spoilt_puts_the_card_back(pretending, pretend, spoil, end):
    run = pretending.levelrig(pretend, "run", pretend.plan(repeats=1, measure_s=2), "--into", "c")
    title = str(pretend.folder / "title.py")
    assert pretending.wait_until(lambda: pretend.state == "plain" and any(pretending.marked(title)))
    time.sleep(1.0)
    spoil(pretend.record)
    if end == "kill":
        run.kill()
    output, _ = run.communicate(timeout=180)
    assert run.returncode == (-9 if end == "kill" else 0), output
    assert pretending.wait_until(lambda: pretend.state == "factory" and not pretend.record.exists(), 60)


def test_a_run_killed_before_its_watch_read_anything_is_put_back_without_record_and_state_folder(
    pretending, pretend
):
    """The state folder can't be written any more either: a file stands in its place."""
    run = pretending.levelrig(
        pretend, "run", pretend.plan(repeats=1, measure_s=60), "--into", "c", hold_watch=True
    )
    assert pretending.wait_until(lambda: pretend.state == "plain")
    (watch,) = pretending.marked(f"{pretend.record} ")
    shutil.rmtree(pretend.machine)
    pretend.machine.write_text("")
    run.kill()
    run.communicate(timeout=60)
    assert pretend.state == "plain"
    watch.resume()
    assert pretending.wait_until(lambda: pretend.state == "factory", 60)
