"""One levelrig at a time holds the hardware."""

from __future__ import annotations

import contextlib
import signal
import subprocess
import sys
import textwrap
import time

import psutil
import pytest

from harness.commands.hardware_claim import hold_hardware
from harness.engine.campaign import Unguarded
from harness.errors import HardwareBusy, StoreError
from harness.guard import Guard, HardwareLock, RestoreRecord, left_changed
from harness.guard.lock import LOCK_NAME, read_holder
from harness.identity import lives, own_identity
from harness.plan.schema import Plan
from harness.plugins import PluginHost
from harness.testing import FakeClock


def take(state, doing="run", **more):
    return HardwareLock.take(doing, state / "night", state=state, patience_s=1.0, clock=FakeClock(), **more)


def test_a_second_one_is_refused_with_who_holds_it_since_when_and_what_to_do(tmp_path):
    lock = take(tmp_path)
    with pytest.raises(HardwareBusy) as refused:
        take(tmp_path)
    text = str(refused.value)
    assert f"process {own_identity().partition('/')[0]} (a run, since 20" in text
    assert str(tmp_path / "night") in text
    assert "wait for its end, or stop it there" in text
    assert refused.value.exit_code == 3
    lock.release()
    take(tmp_path).release()


def test_the_text_of_a_holder_that_is_gone_refuses_nobody(tmp_path):
    take(tmp_path).release()
    assert read_holder(tmp_path / LOCK_NAME) is not None
    take(tmp_path).release()


@pytest.mark.parametrize("text", [b"", b"{", b"[1]", b'{"identity": "x"}', b"\xff" * 5000])
def test_whatever_text_stands_in_the_lock_it_is_the_system_that_decides(tmp_path, text):
    lock = take(tmp_path)
    (tmp_path / LOCK_NAME).write_bytes(text)
    with pytest.raises(HardwareBusy):
        take(tmp_path)
    lock.release()
    take(tmp_path).release()


@pytest.mark.skipif(sys.platform == "win32", reason="links of POSIX")
def test_a_link_in_place_of_the_lock_is_not_followed(tmp_path):
    (tmp_path / "elsewhere").write_text("precious")
    (tmp_path / "state").mkdir()
    (tmp_path / "state" / LOCK_NAME).symlink_to(tmp_path / "elsewhere")
    with pytest.raises(StoreError, match="can't be opened"):
        take(tmp_path / "state")
    assert (tmp_path / "elsewhere").read_text() == "precious"


HOLDER = """
import sys, time
from pathlib import Path
from harness.guard import Guard, HardwareLock, RestoreRecord, left_changed
state = Path(sys.argv[1])
record = RestoreRecord(state / "restore.json")
lock = HardwareLock.take("run", state / "night", state=state)
guard = Guard(lambda kind: True, record, lock)
guard.save_snapshot(sys.argv[2], {})
print("changed", guard._watch.pid, flush=True)
time.sleep(100)
"""


def start_holder(state, kind):
    holder = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(HOLDER), str(state), kind], stdout=subprocess.PIPE, text=True
    )
    word, watch_pid = holder.stdout.readline().split()
    assert word == "changed"
    return holder, int(watch_pid)


def end_watch(pid):
    with contextlib.suppress(psutil.NoSuchProcess):
        psutil.Process(pid).kill()


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL; locks can't be inherited")
def test_the_lock_of_a_killed_run_is_its_watchs_until_the_restore_is_proven(tmp_path):
    """``nobody`` is no control: its restore fails for ever. A run is refused then; a restore gets it."""
    holder, watch_pid = start_holder(tmp_path, "nobody")
    try:
        with pytest.raises(HardwareBusy, match=r"a run, since"):
            take(tmp_path)
        holder.kill()
        holder.communicate()
        end_s = time.monotonic() + 60
        # None for a moment, while the watch writes its name
        while getattr(read_holder(tmp_path / LOCK_NAME), "doing", "") != "watch" and time.monotonic() < end_s:
            time.sleep(0.05)
        with pytest.raises(HardwareBusy, match=r"watch of a run that ended.*levelrig restore"):
            take(tmp_path)
        lock = HardwareLock.take("restore", state=tmp_path, patience_s=60)
        assert RestoreRecord(tmp_path / "restore.json").open_snapshots() == {"nobody": {}}
        lock.release()
    finally:
        holder.kill()
        end_watch(watch_pid)


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL")
def test_the_next_run_waits_for_the_watch_of_one_that_was_killed(tmp_path):
    holder, watch_pid = start_holder(tmp_path, "factory")
    try:
        holder.kill()
        holder.communicate()
        lock = HardwareLock.take("run", state=tmp_path, patience_s=60)
        assert RestoreRecord(tmp_path / "restore.json").open_snapshots() == {}
        lock.release()
    finally:
        end_watch(watch_pid)


@pytest.mark.skipif(sys.platform == "win32", reason="SIGSTOP")
def test_a_stopped_run_still_holds_the_hardware(tmp_path):
    holder, watch_pid = start_holder(tmp_path, "factory")
    try:
        holder.send_signal(signal.SIGSTOP)
        with pytest.raises(HardwareBusy):
            take(tmp_path)
        with pytest.raises(HardwareBusy):
            take(tmp_path, "restore")
    finally:
        holder.kill()
        holder.communicate()
        end_watch(watch_pid)


DYING = """
import os, sys, time
from pathlib import Path
from harness.guard import Guard, RestoreRecord
state = Path(sys.argv[1])
guard = Guard(lambda kind: True, RestoreRecord(state / "restore.json"))
guard.save_snapshot("factory", {})
print(guard._watch.pid, flush=True)
guard._watch._process.stdin.close()
time.sleep(2)
os._exit(9)
"""


def test_a_watch_without_the_lock_waits_for_its_dying_run(tmp_path):
    """A system closes the files of a program that dies before it counts as gone; some locks stay behind."""
    dying = subprocess.Popen(
        [sys.executable, "-c", DYING, str(tmp_path)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    watch_pid = int(dying.stdout.readline())
    try:
        dying.communicate()
        end_s = time.monotonic() + 60
        while (tmp_path / "restore.json").exists() and time.monotonic() < end_s:
            time.sleep(0.05)
        assert RestoreRecord(tmp_path / "restore.json").open_snapshots() == {}
    finally:
        end_watch(watch_pid)


def plan_with(control, **options):
    return Plan.model_validate(
        {
            "plan": {"question": "?", "repeats": 1, "reference": "factory", "allow_hardware_changes": True},
            "profiles": [
                {"name": "factory", "control": "factory"},
                {"name": "p", "control": control, **options},
            ],
            "titles": [{"name": "t", "workload": "command", "command": ["x"], "measure_s": 5}],
        }
    )


def test_a_run_that_changes_no_hardware_neither_waits_nor_touches_the_live_runs_record(tmp_path):
    host = PluginHost()
    record = RestoreRecord(tmp_path / "state" / "restore.json")
    harmless = plan_with("processor", affinity=[0])
    assert isinstance(hold_hardware(harmless, host, tmp_path, record), Unguarded)
    assert not record.path.parent.exists()

    changing = plan_with("nvml", power_limit_w=200)
    live = hold_hardware(changing, host, tmp_path, record)
    live._start_watch = lambda path, lock: None
    record.save_snapshot("nvml", {"cards": {}})
    guard = hold_hardware(harmless, host, tmp_path, record)
    assert isinstance(guard, Unguarded)
    assert guard.open_snapshots() == {}
    with pytest.raises(HardwareBusy):
        hold_hardware(changing, host, tmp_path, record)
    live.close()
    left = hold_hardware(harmless, host, tmp_path, record)  # the run is gone: what it left is put back
    assert isinstance(left, Guard)
    assert left.open_snapshots() == {"nvml": {"cards": {}}}
    left.close()


def test_an_identity_tells_a_process_from_a_later_one_of_the_same_number():
    pid, born_s, *place = own_identity().split("/")
    assert lives(own_identity())
    assert not lives("/".join((pid, f"{float(born_s) - 100:.2f}", *place)))
    boot, namespace, user = place
    assert not lives("/".join((pid, born_s, "another-boot", namespace, user)))
    assert lives("/".join(("999999", born_s, boot, "another-container", user)))  # not for us to judge
    assert not lives("")
    assert not lives("x/y")


def test_what_is_changed_now_is_told_with_who_holds_it(tmp_path):
    """The profile ``factory`` is refused with that: the card is not as its maker set it."""
    assert left_changed(tmp_path) == []
    record = RestoreRecord(tmp_path / "restore.json")
    record.save_snapshot("command", {})
    assert left_changed(tmp_path) == ["the hardware is changed (by control: command) and not put back yet"]
    lock = take(tmp_path)
    (told,) = left_changed(tmp_path)
    assert f"process {own_identity().partition('/')[0]} (a run, since" in told
    lock.release()
    record.path.write_text("{")
    assert "is damaged" in left_changed(tmp_path)[0]
