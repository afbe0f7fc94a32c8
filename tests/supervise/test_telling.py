from __future__ import annotations

import importlib.util
import sys
import threading
import time
from pathlib import Path

import pytest

from harness.engine.progress import Progress, Silent
from harness.plan.night_tables import Notify
from harness.supervise.telling import TellingObserver, open_notifier

STORE_TESTS = Path(__file__).parent.parent / "store"


class Kept:
    """A notifier that keeps its messages, and fails if told so."""

    def __init__(self, failure: str | None = None) -> None:
        self.messages = []
        self._failure = failure

    def send(self, message):
        self.messages.append(message)
        return [self._failure] if self._failure else []


class Hearing(Silent):
    def __init__(self) -> None:
        self.heard = []

    def on_message(self, level, message):
        self.heard.append((level, message))


@pytest.fixture
def small():
    spec = importlib.util.spec_from_file_location("levelrig_small_told", STORE_TESTS / "small_campaign.py")
    loaded = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(loaded)
    return loaded


def test_a_profile_that_turns_out_unstable_is_told_once(small, tmp_path):
    kept = Kept()
    with (
        small.open_store(tmp_path / "c") as store,
        TellingObserver("night", tmp_path / "c", kept, Silent()) as telling,
    ):
        for slot in [s for s in store.remaining_slots() if s.cell_id.endswith("quiet")]:
            small.measure(store, slot, verdict="failed", reason_code="title-crashed", reason="it crashed")
            telling.on_attempt(slot.cell_id, slot.repeat_index, 1, "failed", "it crashed")
        telling.on_attempt(slot.cell_id, slot.repeat_index, 1, "failed", "it crashed")
    (message,) = kept.messages
    assert message.occasion == "unstable-profile"
    assert "title-1 crashed twice under profile quiet" in message.body


@pytest.mark.parametrize(
    ("exit_code", "occasion", "word"),
    [
        (0, "end", "done"),
        (4, "end", "some repeats are missing"),
        (5, "stop", "safety"),
        (130, "stop", "interrupted"),
    ],
)
def test_the_end_and_a_stop_are_told_with_what_is_measured(tmp_path, exit_code, occasion, word):
    kept = Kept()
    with TellingObserver("night", tmp_path, kept, Silent()) as telling:
        telling.ended(exit_code, "the reason", 7, 8)
    (message,) = kept.messages
    assert message.occasion == occasion
    assert word in message.title
    assert "7 of 8 repeats" in message.body


def test_an_error_that_ends_the_campaign_is_told_and_goes_on_its_way(tmp_path):
    kept = Kept()
    with (
        pytest.raises(OSError, match="gone"),
        TellingObserver("night", tmp_path, kept, Silent()),
    ):
        raise OSError("gone")
    assert kept.messages[0].occasion == "stop"


def test_a_message_that_can_not_be_delivered_becomes_a_warning(tmp_path):
    hearing = Hearing()
    with TellingObserver("night", tmp_path, Kept("no network"), hearing) as telling:
        telling.ended(0, "r", 1, 1)
    assert hearing.heard == [("warning", "no network")]


def test_a_plan_that_asks_for_nothing_gets_no_notifier(monkeypatch):
    monkeypatch.delenv("LEVELRIG_NOTIFY", raising=False)
    assert open_notifier(Notify()) is None
    assert open_notifier(Notify(command=["true"])) is not None


def progress_of(**more):
    values = dict.fromkeys(("cell_id", "repeat_index", "attempt_index", "phase_left_s"))
    values |= {"phase": "measure", "accepted": 41, "wanted": 80, "phase_s": 1.0, "ends_in_s": 3600.0}
    return Progress(**(values | {"readings": {}} | more))


def test_signs_of_life_go_out_as_often_as_asked_and_come_from_the_run_s_own_progress(tmp_path):
    kept, now_s = Kept(), [0.0]
    with TellingObserver(
        "night", tmp_path, kept, Silent(), alive_every_s=600, now_s=lambda: now_s[0]
    ) as telling:
        for now_s[0] in range(0, 3601, 60):
            telling.on_progress(progress_of())
            while not telling._waiting.empty():
                time.sleep(0.001)
        now_s[0] += 36000  # the run hangs: nothing is said
    assert [message.occasion for message in kept.messages] == ["alive"] * 6
    assert "still alive, 41 of 80, ends about " in kept.messages[0].title
    assert kept.messages[0].data["ends_at"]


def test_signs_of_life_that_can_not_leave_do_not_pile_up(tmp_path):
    gate = threading.Event()

    class Blocked(Kept):
        def send(self, message):
            gate.wait(60)
            return super().send(message)

    kept, now_s = Blocked(), [0.0]
    with TellingObserver(
        "night", tmp_path, kept, Silent(), alive_every_s=60, now_s=lambda: now_s[0]
    ) as telling:
        for now_s[0] in range(0, 6001, 60):
            telling.on_progress(progress_of())
        gate.set()
    assert len(kept.messages) <= 3


def test_a_command_hears_signs_of_life_though_on_names_the_end_alone(tmp_path):
    heard = tmp_path / "heard"
    code = f"import os; open({str(heard)!r}, 'a').write(os.environ['LEVELRIG_TITLE'])"
    notifier = open_notifier(Notify(command=[sys.executable, "-c", code], on=["end"], alive_every_s=60))
    now_s = [0.0]
    with TellingObserver(
        "night", tmp_path, notifier, Silent(), alive_every_s=60, now_s=lambda: now_s[0]
    ) as telling:
        now_s[0] = 61.0
        telling.on_progress(progress_of(ends_in_s=None))
    assert heard.read_text() == "night: still alive, 41 of 80"
