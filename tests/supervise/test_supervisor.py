from __future__ import annotations

import importlib.util
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from harness.engine.requests import Request, ask, waiting_request
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
SOON = {"first_pause_s": 0.05, "longest_pause_s": 0.1}


class ScriptedChild:
    """A child that ends with a code, or never."""

    pid = 0

    def __init__(self, code: int | None) -> None:
        self.code = code
        self.killed = self.polled = self.immortal = False

    def poll(self):
        self.polled = True
        return self.code

    def kill(self):
        self.killed = True

    def wait(self, timeout=None):
        assert timeout is not None
        if self.immortal:
            raise subprocess.TimeoutExpired("made-up", timeout)
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
        restore=more.pop("restore", restored.append),
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


def test_a_campaign_that_gets_nowhere_is_given_up_after_a_bounded_number_of_starts_with_growing_pauses(
    tmp_path,
):
    supervisor, children, told, restored = scripted(tmp_path, [-11] * 60)
    assert supervisor.run() == module.GAVE_UP == 6
    assert [kind for kind, _ in told] == ["restarted"] * 5 + ["gave-up"]
    assert len(restored) == 6
    waited_s = [float(text.split("again in ")[1].split(" s")[0]) for _, text in told[:-1]]
    assert waited_s == [5, 10, 20, 40, 80]
    assert sum(child.polled for child in children) == 6


def test_pauses_never_grow_beyond_the_longest():
    assert [Patience().pause_s(n) for n in (1, 2, 7, 50)] == [5, 10, 300, 300]


def test_an_error_before_the_campaign_ever_began_is_not_tried_again(tmp_path):
    supervisor, _, told, restored = scripted(tmp_path, [1, 0])
    assert supervisor.run() == 1
    assert (told, restored) == ([], [])


@pytest.mark.skipif(sys.platform == "win32", reason="codes of POSIX signals")
@pytest.mark.parametrize("number", ["SIGTERM", "SIGINT", "SIGHUP"])
def test_a_child_that_was_asked_to_end_by_a_signal_is_not_started_again(tmp_path, number):
    supervisor, _, told, restored = scripted(tmp_path, [-getattr(signal, number), 0])
    assert supervisor.run() == 130
    assert [kind for kind, _ in told] == ["stopped"]
    assert len(restored) == 1


def test_a_stop_request_that_a_hung_child_never_took_is_not_answered_by_a_start(tmp_path):
    ask(tmp_path, Request("stop"))
    supervisor, children, told, _ = scripted(tmp_path, [None, 0])
    assert supervisor.run() == 130
    assert children[0].killed
    assert [kind for kind, _ in told] == ["stopped"]
    assert waiting_request(tmp_path) is None


def test_a_stop_request_ends_the_pause_before_the_next_start(tmp_path):
    supervisor, children, _, _ = scripted(tmp_path, [-11, 0])
    clock = supervisor._clock
    clock.at(clock.now_s() + 3.0, lambda: ask(tmp_path, Request("stop")))
    assert supervisor.run() == 130
    assert not children[1].polled


def test_a_child_that_can_not_be_killed_is_reported_and_nothing_is_started_beside_it(tmp_path):
    supervisor, children, told, restored = scripted(tmp_path, [None, 0])
    children[0].immortal = True
    assert supervisor.run() == module.GAVE_UP
    assert [kind for kind, _ in told] == ["stuck"]
    assert "restart the machine" in told[0][1]
    assert len(restored) == 1


def test_a_restore_that_fails_stands_in_the_sentence_and_in_the_exit_code(tmp_path):
    supervisor, _, told, _ = scripted(tmp_path, [-11] * 6, restore=lambda s: "still changed: nvml")
    assert supervisor.run() == 5
    assert all("still changed: nvml" in sentence for _, sentence in told)


def test_further_starts_say_how_long_the_night_has_been_going(tmp_path):
    commands = []
    children = iter([ScriptedChild(-11), ScriptedChild(-11), ScriptedChild(0)])

    def start(command):
        commands.append(tuple(command))
        return next(children)

    Supervisor(
        ["run"], tmp_path, goes_on=["--goes-on"], clock=FakeClock(), start=start,
        restore=lambda s: None, tell=lambda kind, sentence: None,
    ).run()  # fmt: skip
    assert commands == [("run",), ("run", "--goes-on", "5"), ("run", "--goes-on", "15")]


@pytest.mark.parametrize(("phase", "hangs"), [("cooldown", True), ("ingest", False), (None, False)])
def test_a_call_that_may_take_long_is_not_taken_for_a_hang(small, tmp_path, phase, hangs):
    """A profile that is applied, a log that is read may last; a wait gives a sign every few seconds."""
    folder = tmp_path / "c"
    with small.open_store(folder) as store:
        ref = small.begin(store, store.remaining_slots()[0])
        if phase is not None:
            store.mark_phase(ref, phase, 1.0)
        child = ScriptedChild(None)
        supervisor, _, _, _ = scripted(folder, [], patience=Patience(hang_s=180, blocking_s=1900))
        began_s = supervisor._clock.now_s()
        supervisor._clock.at(
            began_s + 1.0, lambda: store.heartbeat(small.START_UTC + small.timedelta(seconds=9))
        )
        assert supervisor._watch(child).hung
        assert (supervisor._clock.now_s() - began_s < 200) is hangs
        assert supervisor._clock.now_s() - began_s < 1910


@pytest.mark.skipif(sys.platform == "win32", reason="kills with SIGKILL")
def test_a_real_process_that_crashes_over_and_over_is_given_up(small, tmp_path):
    folder = tmp_path / "c"
    with small.open_store(folder):
        pass
    count = tmp_path / "count"
    code = f"import os; open({str(count)!r}, 'a').write('x'); os.kill(os.getpid(), 9)"
    supervisor = Supervisor(
        [sys.executable, "-c", code], folder, restore=lambda s: None, tell=lambda kind, sentence: None,
        patience=Patience(poll_s=0.02, first_pause_s=0.01, longest_pause_s=0.05),
    )  # fmt: skip
    assert supervisor.run() == 6
    assert count.read_text() == "x" * 6
    with CampaignStore.read(folder) as store:
        assert [e["kind"] for e in store.events()].count("supervisor-gave-up") == 1


@pytest.mark.skipif(sys.platform == "win32", reason="kills with SIGKILL")
@pytest.mark.parametrize(("what", "count"), [("hang", 1), ("crash", 3)])
def test_a_real_campaign_that_hangs_or_crashes_is_brought_to_its_end(small, tmp_path, what, count):
    folder = tmp_path / "c"
    command = [sys.executable, "-c", CHILD, str(STORE_TESTS), str(folder), what]
    told = []
    supervisor = Supervisor(
        command, folder, patience=Patience(hang_s=20.0, blocking_s=20.0, poll_s=0.05, **SOON),
        restore=lambda s: None,
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


def test_a_title_that_ends_levelrig_each_time_is_set_aside_and_the_rest_is_measured(tmp_path):
    """The bound of fruitless starts is not reached: a cell newly set aside counts as progress."""
    child = CHILD.replace(
        "    starts = len(store.sessions())\n",
        "    starts = 2\n"
        "    while slots and slots[0].cell_id.startswith('title-1.'):\n"
        "        store.mark_phase(small.begin(store, slots[0]), 'launch', 0.1)\n"
        "        os.kill(os.getpid(), signal.SIGKILL)\n",
    ).replace("small.open_store(folder)", "small.open_store(folder, small.plan(titles=2))")
    folder = tmp_path / "c"
    command = [sys.executable, "-c", child, str(STORE_TESTS), str(folder), "hang"]
    supervisor = Supervisor(
        command,
        folder,
        patience=Patience(poll_s=0.05, first_pause_s=0.05, longest_pause_s=0.1, starts_without_accepted=5),
        restore=lambda timeout_s: None,
        tell=lambda kind, sentence: None,
    )
    assert supervisor.run() == 0
    with CampaignStore.read(folder) as store:
        standing = store.standing()
        assert len(store.sessions()) == 7
        assert {cell.cell_id.split(".")[0] for cell in standing.cells_set_aside} == {"title-1"}
        assert standing.accepted_count == 4
        assert standing.complete
