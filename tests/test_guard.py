"""Changed hardware is put back, whatever ends the program."""

from __future__ import annotations

import json
import subprocess
import sys
import textwrap
import time

import pytest

from harness.errors import ControlRefused, StoreError
from harness.guard import Guard, RestoreRecord, restore_machine, restore_recorded, watch_over
from harness.hookspecs import Kind, hookimpl
from harness.plugins import PluginHost
from harness.testing import RecordingControl

FACTORY = {"power_limit_w": 300}


class MemoryStore(dict):
    """A campaign's snapshot store in memory."""

    def save_snapshot(self, kind, snapshot):
        self.setdefault(kind, snapshot)

    def open_snapshots(self):
        return dict(self)

    def clear_snapshot(self, kind):
        self.pop(kind, None)


class StillWatch:
    started = 0

    def __init__(self, path):
        type(self).started += 1
        self.beats, self.closed = 0, False

    def beat(self):
        self.beats += 1

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


def test_the_state_is_on_the_disk_before_the_campaign_knows_of_a_change(record):
    class Crashing(MemoryStore):
        def save_snapshot(self, kind, snapshot):
            raise KeyboardInterrupt

    guard = Guard(Crashing(), lambda kind: True, record, StillWatch)
    with pytest.raises(KeyboardInterrupt):
        guard.save_snapshot("tuner", FACTORY)
    assert RestoreRecord(record.path).open_snapshots() == {"tuner": FACTORY}


def test_nothing_is_changed_when_the_record_can_not_be_written(tmp_path):
    (tmp_path / "state").write_text("a file where the folder should be")
    campaign = MemoryStore()
    guard = Guard(campaign, lambda kind: True, RestoreRecord(tmp_path / "state" / "restore.json"), StillWatch)
    with pytest.raises(StoreError, match="nothing was changed"):
        guard.save_snapshot("tuner", FACTORY)
    assert campaign == {}


def test_a_state_that_is_already_on_record_is_not_overwritten_by_the_profiles(record):
    record.save_snapshot("tuner", FACTORY)
    record.save_snapshot("tuner", {"power_limit_w": 200})
    assert record.open_snapshots() == {"tuner": FACTORY}


def test_the_next_campaign_learns_what_another_one_left_behind(record):
    record.save_snapshot("tuner", FACTORY)
    guard = Guard(MemoryStore(), lambda kind: True, record, StillWatch)
    assert guard.open_snapshots() == {"tuner": FACTORY}
    guard.clear_snapshot("tuner")
    assert guard.open_snapshots() == record.open_snapshots() == {}


def test_a_control_that_writes_to_no_hardware_needs_neither_record_nor_watch(record):
    StillWatch.started = 0
    campaign = MemoryStore()
    guard = Guard(campaign, lambda kind: False, record, StillWatch)
    guard.save_snapshot("processor", {})
    guard.beat()
    guard.close()
    assert campaign == {"processor": {}}
    assert not record.path.exists()
    assert StillWatch.started == 0


def test_one_watch_serves_the_whole_campaign(record):
    StillWatch.started = 0
    guard = Guard(MemoryStore(), lambda kind: True, record, StillWatch)
    for _ in range(3):
        guard.save_snapshot("tuner", FACTORY)
        guard.beat()
        guard.clear_snapshot("tuner")
    assert StillWatch.started == 1
    guard.close()


@pytest.mark.parametrize("end", ["gone", "silent"])
def test_the_watch_restores_when_the_program_is_gone_or_silent_and_not_before(record, end):
    record.save_snapshot("tuner", FACTORY)
    control = Tuner()
    signs = iter(["alive", "alive", end])

    def wait():
        assert control.calls == []
        return next(signs)

    assert [item.failure for item in watch_over(record, wait, lambda kind: control)] == [""]
    assert control.state == FACTORY
    assert record.open_snapshots() == {}


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
    assert [item.kind for item in done] == ["known", "unknown"]
    assert (known.state, unknown.state) == (FACTORY, {})
    assert harmless.calls == []
    assert record.open_snapshots() == {}


def test_restore_names_what_failed_and_the_next_action(record):
    with pytest.raises(ControlRefused, match=r"tuner: no permission.*levelrig restore"):
        restore_machine(host_with(Tuner(refuses=True)), record)


def test_a_damaged_record_is_said_so_and_restore_then_goes_to_the_factory_state(record):
    record.path.parent.mkdir()
    record.path.write_text("{ half a")
    with pytest.raises(StoreError, match="levelrig restore"):
        record.open_snapshots()
    control = Tuner()
    restore_machine(host_with(control), record)
    assert control.state == {}
    assert record.open_snapshots() == {}


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL")
def test_a_program_killed_outright_has_its_card_put_back_by_the_watch(record, tmp_path):
    """The real processes: a victim that starts the real watch and is killed by SIGKILL."""
    victim_code = textwrap.dedent(
        f"""
        import time
        from pathlib import Path
        from harness.guard import Guard, RestoreRecord
        class Store(dict):
            def save_snapshot(self, kind, snapshot): self[kind] = snapshot
        guard = Guard(Store(), lambda kind: True, RestoreRecord(Path({str(record.path)!r})))
        guard.save_snapshot("factory", {{}})  # a control that every installation has
        guard.beat()
        print("changed", flush=True)
        time.sleep(60)
        """
    )
    victim = subprocess.Popen([sys.executable, "-c", victim_code], stdout=subprocess.PIPE)
    assert victim.stdout.readline() == b"changed\n"
    assert json.loads(record.path.read_text()) == {"factory": {}}
    victim.kill()
    victim.communicate()
    end_s = time.monotonic() + 30
    while record.open_snapshots() and time.monotonic() < end_s:
        time.sleep(0.05)
    assert record.open_snapshots() == {}
