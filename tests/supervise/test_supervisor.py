from __future__ import annotations

import importlib.util
import os
import signal
import sys
from pathlib import Path

import pytest

from harness.store.campaign import CampaignStore
from harness.supervise import supervisor as module
from harness.supervise.supervisor import Patience, Supervisor, start_child
from harness.testing import FakeClock

STORE_TESTS = Path(__file__).parent.parent / "store"
#: One more attempt on each start; what is said on the command line happens after it.
CHILD = """
import os, signal, sys, time
sys.path.insert(0, sys.argv[1])
import small_campaign as small
folder, what = small.Path(sys.argv[2]), sys.argv[3]
with small.open_store(folder) as store:
    slots = store.remaining_slots()
    starts = len(store.sessions())
    for slot in slots if what == "hang" and starts > 1 else slots[:1]:
        small.measure(store, slot)
    if len(slots) > 1 and what == "crash" or starts == 1:
        small.begin(store, slots[1])
        if what == "hang" and starts == 1:
            time.sleep(600)
        if what == "crash":
            os.kill(os.getpid(), signal.SIGKILL)
    store.export_dataset()
"""
QUICK = Patience(hang_s=0.6, poll_s=0.05)


class ScriptedChild:
    """A child that ends with a code, or never."""

    pid = 0

    def __init__(self, code: int | None) -> None:
        self.code = code
        self.killed = False

    def poll(self):
        return self.code

    def kill(self):
        self.killed = True

    def wait(self, timeout=None):
        return -9

    def send_signal(self, sig):
        raise AssertionError("no signal was expected")


def scripted(folder, codes, **more):
    children = [ScriptedChild(code) for code in codes]
    queue = iter(children)
    told, restored = [], []
    supervisor = Supervisor(
        ["made-up"],
        folder,
        clock=FakeClock(),
        start=lambda command: next(queue),
        restore=restored.append,
        tell=lambda kind, sentence: told.append((kind, sentence)),
        **more,
    )
    return supervisor, children, told, restored


@pytest.fixture
def small():
    spec = importlib.util.spec_from_file_location("levelrig_small", STORE_TESTS / "small_campaign.py")
    loaded = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(loaded)
    return loaded


@pytest.mark.parametrize("code", [0, 2, 3, 4, 5, 130])
def test_a_campaign_that_ends_by_itself_is_not_started_again(tmp_path, code):
    supervisor, _, told, restored = scripted(tmp_path, [code])
    assert supervisor.run() == code
    assert (told, restored) == ([], [])


def test_a_campaign_that_crashes_is_restored_and_started_again(tmp_path):
    supervisor, _, told, restored = scripted(tmp_path, [-11, 0])
    assert supervisor.run() == 0
    assert [kind for kind, _ in told] == ["restarted"]
    assert len(restored) == 1


def test_a_campaign_without_a_sign_of_life_is_ended_restored_and_started_again(tmp_path):
    supervisor, children, told, restored = scripted(tmp_path, [None, 0])
    assert supervisor.run() == 0
    assert children[0].killed
    assert "hung" in told[0][1]
    assert len(restored) == 1


def test_a_campaign_that_gets_nowhere_several_times_is_given_up_and_told_so(tmp_path):
    supervisor, _, told, restored = scripted(tmp_path, [1, 1, 1])
    assert supervisor.run() == 1
    assert [kind for kind, _ in told] == ["restarted", "restarted", "gave-up"]
    assert len(restored) == 3


@pytest.mark.skipif(sys.platform == "win32", reason="kills with SIGKILL")
@pytest.mark.parametrize(("what", "count"), [("hang", 1), ("crash", 3)])
def test_a_real_campaign_that_hangs_or_crashes_is_brought_to_its_end(small, tmp_path, what, count):
    folder = tmp_path / "c"
    command = [sys.executable, "-c", CHILD, str(STORE_TESTS), str(folder), what]
    told = []
    supervisor = Supervisor(
        command, folder, patience=Patience(hang_s=3.0, poll_s=0.05), restore=lambda s: None,
        tell=lambda kind, sentence: told.append(kind),
    )  # fmt: skip
    assert supervisor.run() == 0
    assert told == ["restarted"] * count
    with CampaignStore.read(folder) as store:
        assert store.standing().complete
        assert store.repeats_table().num_rows == 4
        verdicts = store.attempts_table()["verdict"].to_pylist()
        assert verdicts.count("interrupted") == count
        kinds = [event["kind"] for event in store.events()]
        assert kinds.count("supervisor-restarted") == count


@pytest.mark.skipif(sys.platform == "win32", reason="sends a POSIX signal")
def test_a_polite_end_is_passed_on_to_the_campaign_and_its_exit_code_is_kept(tmp_path):
    code = (
        "import os, signal, sys, time\n"
        "signal.signal(signal.SIGTERM, lambda *a: sys.exit(130))\n"
        "os.kill(os.getppid(), signal.SIGTERM)\n"
        "time.sleep(30)"
    )
    before = signal.getsignal(signal.SIGTERM)
    supervisor = Supervisor([sys.executable, "-c", code], tmp_path, patience=QUICK, restore=lambda s: None)
    assert supervisor.run() == 130
    assert signal.getsignal(signal.SIGTERM) is before


def test_the_child_knows_that_it_is_supervised(tmp_path):
    kept = tmp_path / "kept"
    code = f"import os, pathlib; pathlib.Path({str(kept)!r}).write_text(os.environ[{module.SUPERVISED!r}])"
    assert start_child([sys.executable, "-c", code]).wait(30) == 0
    assert kept.read_text() == str(os.getpid())
