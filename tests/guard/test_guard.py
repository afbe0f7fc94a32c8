"""Changed hardware is put back, whatever ends the program."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

from harness.errors import ControlRefused, RecordDamaged, RecordNotOurs, RestoreUnproven, StoreError
from harness.guard import Guard, HardwareLock, RestoreRecord, restore_machine, restore_recorded, watch_over
from harness.guard.times import growing_pauses_s
from harness.hookspecs import Kind, hookimpl
from harness.plugins import PluginHost
from harness.testing import RecordingControl

FACTORY = {"power_limit_w": 300}


class StillWatch:
    started = 0

    def __init__(self, path, lock=None):
        type(self).started += 1
        self.beats, self.closed, self.ended = 0, False, False
        type(self).last = self

    def lives(self):
        return not self.ended

    def tell(self, content):
        self.changed = dict(content.states)

    def beat(self, *, changed=True):
        self.beats += 1
        self.changed = changed

    def close(self):
        self.closed = True


@pytest.fixture
def record(tmp_path):
    return RestoreRecord(tmp_path / "state" / "restore.json")


class Tuner(RecordingControl):
    """A control whose card is a dictionary."""

    def __init__(self, kind="tuner", refuses=False):
        super().__init__(kind, changes_hardware=True)
        self.refuses = refuses

    def restore(self, snapshot):
        if self.refuses:
            raise ControlRefused("no permission; start as root")
        super().restore(snapshot)


def test_the_state_is_on_the_disk_before_a_watch_is_started_or_anything_changes(record):
    def crash(path, lock):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        Guard(lambda kind: True, record, None, crash).save_snapshot("tuner", FACTORY)
    assert RestoreRecord(record.path).open_snapshots() == {"tuner": FACTORY}


def test_nothing_is_changed_when_the_record_can_not_be_written(tmp_path):
    (tmp_path / "state").write_text("a file where the folder should be")
    guard = Guard(lambda kind: True, RestoreRecord(tmp_path / "state" / "restore.json"), None, StillWatch)
    with pytest.raises(StoreError, match="nothing was changed"):
        guard.save_snapshot("tuner", FACTORY)


def test_a_state_that_is_already_on_record_is_not_overwritten_by_the_profiles(record):
    record.save_snapshot("tuner", FACTORY)
    record.save_snapshot("tuner", {"power_limit_w": 200})
    assert record.open_snapshots() == {"tuner": FACTORY}


def test_the_next_campaign_learns_what_another_one_left_behind(record):
    record.save_snapshot("tuner", FACTORY)
    guard = Guard(lambda kind: True, record, None, StillWatch)
    assert guard.open_snapshots() == {"tuner": FACTORY}
    guard.clear_snapshot("tuner")
    assert guard.open_snapshots() == record.open_snapshots() == {}
    assert not record.path.exists()


def test_a_control_that_writes_to_no_hardware_needs_neither_record_nor_watch(record):
    StillWatch.started = 0
    guard = Guard(lambda kind: False, record, None, StillWatch)
    guard.save_snapshot("processor", {})
    guard.beat()
    assert guard.open_snapshots() == {"processor": {}}
    guard.clear_snapshot("processor")
    guard.close()
    assert guard.open_snapshots() == {}
    assert not record.path.exists()
    assert StillWatch.started == 0


def test_one_watch_serves_the_whole_campaign_and_is_replaced_when_it_ends(record):
    StillWatch.started = 0
    guard = Guard(lambda kind: True, record, None, StillWatch)
    for _ in range(3):
        guard.save_snapshot("tuner", FACTORY)
        guard.beat()
        guard.clear_snapshot("tuner")
    assert StillWatch.started == 1
    StillWatch.last.ended = True
    guard.beat()
    assert StillWatch.started == 2
    assert StillWatch.last.beats == 1
    assert not StillWatch.last.changed
    guard.close()


def test_the_watch_restores_when_the_program_is_gone_and_not_before(record):
    record.save_snapshot("tuner", FACTORY)
    control = Tuner()
    signs = iter(["alive", "alive", "gone"])

    def wait():
        assert control.calls == []
        return next(signs)

    assert [item.failure for item in watch_over(record, wait, lambda kind: control)] == [""]
    assert control.state == FACTORY
    assert record.open_snapshots() == {}


def test_the_watch_restores_a_silent_program_stays_and_restores_again_when_that_ends(record):
    """The record keeps the way back meanwhile: a stopped program may go on in the middle of a change."""
    record.save_snapshot("tuner", FACTORY)
    guard = Guard(lambda kind: True, record, None, StillWatch)
    control = Tuner()
    seen = []
    signs = iter(["alive", "silent", "silent", "alive", "silent", "gone"])

    def wait():
        seen.append((control.calls.count(("restore", None)), guard.undisturbed(), record.path.exists()))
        return next(signs)

    watch_over(record, wait, lambda kind: control)
    assert [restores for restores, _, _ in seen] == [0, 0, 1, 1, 1, 2]
    assert [undisturbed for _, undisturbed, _ in seen] == [True, True, False, False, False, False]
    assert all(kept for _, _, kept in seen)
    assert control.calls.count(("restore", None)) == 3
    assert record.open_snapshots() == {}


def test_once_the_program_is_gone_the_watch_tries_until_the_card_is_back(record):
    record.save_snapshot("tuner", FACTORY)
    control, pauses = Tuner(refuses=True), []

    def pause(seconds):
        pauses.append(seconds)
        control.refuses = len(pauses) < 12
        return False

    watch_over(record, lambda: "gone", lambda kind: control, pauses_s=growing_pauses_s(), pause=pause)
    assert pauses == [1, 2, 4, 8, 16, 32, 64, 128, 256, 300, 300, 300]
    assert control.state == FACTORY
    assert record.open_snapshots() == {}


def test_a_watch_with_nothing_to_put_back_does_not_ask_for_the_hardware(record):
    def take_over():
        raise AssertionError("the run that ends in order still holds it")

    assert watch_over(record, lambda: "gone", lambda kind: Tuner(), take_over=take_over) == []


def test_a_watch_that_gets_nowhere_lets_go_when_it_is_asked_to(record):
    record.save_snapshot("tuner", FACTORY)
    control = Tuner(refuses=True)
    done = watch_over(
        record, lambda: "gone", lambda kind: control, pauses_s=growing_pauses_s(), pause=lambda s: True
    )
    assert [bool(item.failure) for item in done] == [True]
    assert record.open_snapshots() == {"tuner": FACTORY}


def test_what_could_not_be_restored_stays_on_record_and_the_others_are_restored(record):
    good, bad = Tuner("good"), Tuner("bad", refuses=True)
    for kind in ("bad", "good"):
        record.save_snapshot(kind, FACTORY)
    done = restore_recorded(record, {"good": good, "bad": bad}.__getitem__)
    assert [(item.kind, bool(item.failure)) for item in done] == [("bad", True), ("good", False)]
    assert record.open_snapshots() == {"bad": FACTORY}
    assert good.state == FACTORY


def host_with(*controls):
    class Plugin:
        @hookimpl
        def kinds(self):
            return [Kind("control", c.kind, "", changes_hardware=c.changes_hardware) for c in controls]

        @hookimpl
        def open_control(self, kind, clock):
            return next((c for c in controls if c.kind == kind), None)

    return PluginHost({"test": Plugin()})


def test_restore_puts_recorded_controls_back_and_every_other_one_to_its_factory_state(record):
    known, unknown, harmless = Tuner("known"), Tuner("unknown"), RecordingControl("harmless")
    record.save_snapshot("known", FACTORY)
    done = restore_machine(host_with(known, unknown, harmless), record)
    assert [item.kind for item in done.items] == ["known", "unknown"]
    assert (known.state, unknown.state) == (FACTORY, {})
    assert harmless.calls == []
    assert record.open_snapshots() == {}
    assert (done.record, done.exit_code) == ("read", 0)


def test_restore_says_that_there_was_no_record(record):
    done = restore_machine(host_with(Tuner()), record)
    assert (done.record, done.exit_code) == ("none", 0)
    assert "No record" in done.lines()[0]


def test_restore_names_what_failed_and_the_next_action(record):
    done = restore_machine(host_with(Tuner(refuses=True)), record)
    assert done.exit_code == 5
    text = " ".join(done.lines())
    assert "tuner: not restored: no permission" in text
    assert "levelrig restore" in text


def test_a_control_that_breaks_does_not_keep_the_others_from_being_restored(record):
    broken, good = Tuner("broken"), Tuner("good")
    broken.restore = lambda snapshot: 1 / 0
    for kind in ("broken", "good"):
        record.save_snapshot(kind, FACTORY)
    done = restore_machine(host_with(broken, good), record)
    assert "ZeroDivisionError" in done.items[0].failure
    assert good.state == FACTORY
    assert record.open_snapshots() == {"broken": FACTORY}
    assert done.exit_code == 5


def test_a_control_that_can_not_tell_is_said_and_has_an_exit_code_of_its_own(record):
    blind = Tuner("blind")

    def restore(snapshot):
        raise RestoreUnproven("it has no way to read back; look yourself")

    blind.restore = restore
    record.save_snapshot("blind", FACTORY)
    done = restore_machine(host_with(blind), record)
    assert done.exit_code == 4
    assert "no way to read back" in done.lines()[0]
    assert record.open_snapshots() == {}


def test_a_damaged_record_is_kept_aside_and_restore_goes_to_the_factory_state(record):
    record.path.parent.mkdir()
    record.path.write_text("{ half a")
    with pytest.raises(RecordDamaged, match="levelrig restore"):
        record.open_snapshots()
    control = Tuner()
    done = restore_machine(host_with(control), record)
    assert control.state == {}
    assert record.open_snapshots() == {}
    assert (done.record, done.exit_code) == ("damaged", 4)
    assert Path(done.kept_aside).read_text() == "{ half a"
    assert any(done.kept_aside in line for line in done.lines())


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        '{"tuner": 3}',
        '{"format": 9, "states": {}, "owner": ""}',
        '{"format": 2}',
        "null",
        "[" * 10**5,
    ],
)
def test_whatever_stands_in_the_record_is_read_or_called_damaged(record, text):
    record.path.parent.mkdir()
    record.path.write_text(text)
    with pytest.raises(RecordDamaged):
        record.open_snapshots()


def test_a_record_of_an_earlier_version_still_restores(record):
    record.path.parent.mkdir()
    record.path.write_text(json.dumps({"tuner": FACTORY}))
    assert record.open_snapshots() == {"tuner": FACTORY}


@pytest.mark.skipif(sys.platform == "win32", reason="owners and links of POSIX")
@pytest.mark.parametrize("way", ["link", "writable by others", "folder writable", "second name", "fifo"])
def test_a_record_that_others_could_have_written_restores_nothing(record, tmp_path, way):
    record.save_snapshot("tuner", {"power_limit_w": 999})
    if way == "link":
        record.path.rename(tmp_path / "planted.json")
        record.path.symlink_to(tmp_path / "planted.json")
    elif way == "writable by others":
        record.path.chmod(0o666)
    elif way == "folder writable":
        record.path.parent.chmod(0o777)
    elif way == "second name":
        os.link(record.path, tmp_path / "other.json")
    else:
        record.path.unlink()
        os.mkfifo(record.path)
    control = Tuner()
    with pytest.raises(RecordNotOurs, match="nothing in it is used"):
        restore_machine(host_with(control), record)
    with pytest.raises(RecordNotOurs):
        restore_recorded(record, lambda kind: control)
    assert control.calls == []


@pytest.mark.skipif(sys.platform == "win32", reason="rights of POSIX")
def test_nothing_is_changed_where_others_can_write_to_the_state_folder(record):
    """Or a record would be written that nobody may restore from."""
    record.path.parent.mkdir()
    record.path.parent.chmod(0o777)
    with pytest.raises(StoreError, match="nothing was changed"):
        record.save_snapshot("tuner", FACTORY)
    with pytest.raises(StoreError, match="chmod 755"):
        HardwareLock.take("run", state=record.path.parent)
    assert list(record.path.parent.iterdir()) == []


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() != 0, reason="needs root to make another owner")
def test_a_record_of_another_user_restores_nothing(record):
    record.save_snapshot("tuner", {"power_limit_w": 999})
    os.chown(record.path, 65534, 65534)
    with pytest.raises(RecordNotOurs, match="belongs to another user"):
        restore_machine(host_with(Tuner()), record)


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL")
def test_a_program_killed_outright_has_its_card_put_back_by_the_watch(record, tmp_path):
    """The real processes: a victim that starts the real watch and is killed by SIGKILL."""
    victim_code = textwrap.dedent(
        f"""
        import time
        from pathlib import Path
        from harness.guard import Guard, HardwareLock, RestoreRecord
        record = RestoreRecord(Path({str(record.path)!r}))
        lock = HardwareLock.take("run", Path("."), state=record.path.parent)
        guard = Guard(lambda kind: True, record, lock)
        guard.save_snapshot("factory", {{}})  # a control that every installation has
        guard.beat()
        print("changed", flush=True)
        time.sleep(60)
        """
    )
    victim = subprocess.Popen([sys.executable, "-c", victim_code], stdout=subprocess.PIPE)
    assert victim.stdout.readline() == b"changed\n"
    assert record.open_snapshots() == {"factory": {}}
    victim.kill()
    victim.communicate()
    end_s = time.monotonic() + 30
    while record.open_snapshots() and time.monotonic() < end_s:
        time.sleep(0.05)
    assert record.open_snapshots() == {}
