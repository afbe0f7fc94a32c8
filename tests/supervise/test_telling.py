from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

from harness.engine.progress import Silent
from harness.plan.schema import Notify
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
    [(0, "end", "done"), (4, "end", "done"), (5, "stop", "safety"), (130, "stop", "interrupted")],
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
