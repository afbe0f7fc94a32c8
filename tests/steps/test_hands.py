"""Hands and eyes on a desk in memory: where input goes is looked at before each act."""

from __future__ import annotations

import gc
from typing import Any

import numpy as np
import pytest

from harness.errors import WorkloadFailed
from harness.plan.steps_table import StepSpec, SurpriseSpec
from harness.steps.desk import NoDesk, Window
from harness.steps.eyes import Eyes
from harness.steps.hands import Hands
from harness.steps.likeness import Picture
from harness.steps.opening import open_desk
from harness.steps.own_windows import OwnWindows, Stray
from tests.steps.desks import FakeDesk

OWN, OTHER = 7, 8
RANDOM = np.random.default_rng(3)
NOISE = RANDOM.integers(0, 256, (60, 90, 3), dtype=np.uint8)
BUTTON = NOISE[10:22, 30:50]


def window(ident: int, process: int, x: int = 10, y: int = 20, size: tuple[int, int] = (90, 60)) -> Window:
    return Window(ident, f"window {ident}", process, x, y, *size)


class Bench:
    """Hands and eyes for one title; time goes on as they sleep."""

    def __init__(self, *shown: tuple[Window, Any], focus: int | None = None) -> None:
        self.desk = FakeDesk(list(shown), has_focus=focus)
        self.now_s = 0.0
        self.own = OwnWindows(self.desk, lambda: [OWN])
        self.eyes = Eyes(self.desk, self.own, {"button.png": Picture(BUTTON)}, [SURPRISE])
        self.hands = Hands(self.desk, self.own, self.eyes, self._sleep, lambda: self.now_s)

    def _sleep(self, seconds: float) -> None:
        self.now_s += seconds

    def do(self, **keys: Any) -> list[str]:
        self.hands.do(StepSpec.model_validate(keys))
        return self.desk.done


SURPRISE = SurpriseSpec(name="news", picture="button.png")


def test_keys_go_down_and_up_in_order():
    bench = Bench((window(1, OWN), NOISE), focus=1)
    assert bench.do(press=["ctrl+s", "enter"]) == [
        "key down ctrl", "key down s", "key up s", "key up ctrl", "key down enter", "key up enter",
    ]  # fmt: skip


def test_the_title_is_given_the_focus_once_where_nobody_has_it():
    bench = Bench((window(1, OWN), NOISE))
    assert bench.do(press="a") == ["focus 1", "key down a", "key up a"]


def test_another_window_that_takes_the_focus_later_gets_no_key():
    bench = Bench((window(1, OWN), NOISE), (window(2, OTHER, 120, 0, (20, 20)), 0), focus=1)
    bench.do(press="a")
    bench.desk.has_focus = 2
    bench.desk.done.clear()
    with pytest.raises(Stray, match=r"the focus was taken by the window 'window 2'.*nothing was pressed"):
        bench.do(press="b")
    assert bench.desk.done == []


def test_a_window_that_does_not_get_the_focus_gets_no_key():
    bench = Bench((window(1, OWN), NOISE), (window(2, OTHER, 120, 0, (20, 20)), 0), focus=2)
    bench.desk.may_focus = False
    with pytest.raises(Stray, match="did not get the focus"):
        bench.do(press="b")
    assert bench.desk.done == ["focus 1"]


def test_a_click_goes_to_the_middle_of_its_picture():
    bench = Bench((window(1, OWN), NOISE), focus=1)
    done = bench.do(click="button.png", button="right")
    assert done == ["move 198 50", f"move {10 + 40} {20 + 16}", "button down right", "button up right"]


def test_a_click_where_another_window_lies_over_the_title_is_not_made():
    bench = Bench((window(1, OWN), NOISE), (window(2, OTHER, 30, 30, (40, 40)), 0), focus=1)
    with pytest.raises(Stray, match=r"the window 'window 2'.* lies over the title's window there"):
        bench.do(click=[25, 20])
    assert bench.desk.done == []


def test_a_click_outside_of_the_window_is_refused():
    bench = Bench((window(1, OWN), NOISE), focus=1)
    with pytest.raises(WorkloadFailed, match="90 × 60 pixels"):
        bench.do(click=[95, 5])


def test_a_held_key_goes_up_where_the_focus_is_taken():
    bench = Bench((window(1, OWN), NOISE), (window(2, OTHER, 120, 0, (20, 20)), 0), focus=1)
    asked = bench.own.ready_for_keys

    def taken() -> Window:
        if bench.now_s > 3:
            bench.desk.has_focus = 2
        return asked()

    bench.own.ready_for_keys = taken  # type: ignore[method-assign]
    with pytest.raises(Stray):
        bench.do(hold="w", for_s=60)
    assert bench.desk.done == ["key down w", "key up w"]
    assert bench.now_s < 5


def test_a_title_without_a_window_is_waited_for_and_then_told():
    bench = Bench((window(2, OTHER), NOISE), focus=2)
    with pytest.raises(Stray, match="no window within 4 s"):
        bench.do(press="a", within_s=4)
    assert bench.desk.done == []


def test_the_pointer_is_parked_once_after_each_of_its_acts():
    bench = Bench((window(1, OWN), NOISE), focus=1)
    bench.hands.park()
    bench.hands.park()
    bench.do(move=[5, 5])
    bench.hands.park()
    assert bench.desk.done == ["move 198 50", "move 15 25", "move 198 50"]


def test_typed_signs_are_keys():
    bench = Bench((window(1, OWN), NOISE), focus=1)
    assert bench.do(text="A b")[::2] == ["key down A", "key down space", "key down b"]


def test_a_picture_at_its_place_is_seen_and_one_that_moved_is_told_by_how_much():
    bench = Bench((window(1, OWN), NOISE), focus=1)
    here = StepSpec(picture="button.png", at=[30, 10])
    moved = StepSpec(picture="button.png", at=[30, 30])
    assert bench.eyes.look(here, ()).met
    assert not bench.eyes.look(moved, ()).met
    assert bench.eyes.elsewhere(moved) == "it is at 30, 10 instead, moved by 0 and -20 px"


def test_what_lies_over_the_title_is_seen_as_it_is():
    over = (window(2, OTHER, 30, 22, (60, 20)), np.zeros((20, 60, 3), np.uint8))
    bench = Bench((window(1, OWN), NOISE), over, focus=1)
    assert not bench.eyes.look(StepSpec(picture="button.png"), ()).met


def test_a_surprise_is_told_before_what_is_waited_for():
    bench = Bench((window(1, OWN), NOISE), focus=1)
    assert bench.eyes.look(StepSpec(picture="button.png"), (0,)).surprise == 0


def test_a_window_is_found_by_its_caption_and_places_count_from_it():
    small = (window(3, OWN, 120, 0, (40, 30)), np.zeros((30, 40, 3), np.uint8))
    bench = Bench((window(1, OWN), NOISE), small, focus=1)
    assert bench.own.main() == window(1, OWN)
    seen = bench.eyes.look(StepSpec(window="window 3"), ())
    assert seen.met
    assert bench.own.main() == small[0]
    assert not bench.eyes.look(StepSpec(window="window 3", gone=True), ()).met
    assert "'window 1', 'window 3'" in bench.eyes.look(StepSpec(window="window 4"), ()).detail


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # Xlib leaves its socket open
@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.parametrize(
    ("names", "words"),
    [
        ({}, "DISPLAY is not set"),
        ({"WAYLAND_DISPLAY": "wayland-0"}, "Wayland"),
        ({"DISPLAY": ":397"}, ":397"),
    ],
)
def test_a_desk_that_can_not_be_reached_says_why(names, words):
    pytest.importorskip("Xlib")
    with pytest.raises(NoDesk, match=words):
        open_desk(names)
    gc.collect()
