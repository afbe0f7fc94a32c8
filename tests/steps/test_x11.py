"""The desk on a real X server, with a real program."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from harness.plan.steps_table import StepSpec
from harness.steps.eyes import Eyes
from harness.steps.hands import Hands
from harness.steps.likeness import load_picture
from harness.steps.opening import open_desk
from harness.steps.own_windows import OwnWindows


@pytest.fixture
def hands(title, pictures) -> Iterator[Hands]:
    import time

    desk = open_desk()
    own = OwnWindows(desk, lambda: [title.process.pid])
    eyes = Eyes(desk, own, {path.name: load_picture(path) for path in pictures.iterdir()}, [])
    yield Hands(desk, own, eyes, time.sleep, time.monotonic)
    desk.close()


def do(hands: Hands, **keys: Any) -> None:
    hands.do(StepSpec.model_validate(keys))


def test_a_window_is_known_by_its_process_and_its_caption(title, display):
    desk = open_desk()
    own = OwnWindows(desk, lambda: [title.process.pid])
    (window,) = own.matching("^Pebble")
    assert (window.width, window.height) == (480, 320)
    assert own.matching("Other") == []
    assert OwnWindows(desk, lambda: [1]).all() == []
    desk.close()


def test_keys_text_and_clicks_reach_the_title(hands, title):
    do(hands, click="settings.png")
    title.said("click 240 172")
    do(hands, press="escape")
    title.said("key Escape")
    do(hands, press="down")
    title.said("key Down")
    do(hands, text="aB é€")
    for line in ("key a", "key B", "key space", "key eacute", "key U20AC"):
        title.said(line)
    do(hands, click="settings.png")
    title.said("click 240 172")
    do(hands, press="escape")
    do(hands, press="up")
    title.said("key Escape")
