"""The pure machine of steps: order, limits, surprises, points of the measurement. Time is given."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.plan.steps_table import LEAVE_WITHIN_S, StepSpec, SurpriseSpec
from harness.steps.play import Do, Hold, Look, Over, Play, Point, Program, Seen


def step(**keys: Any) -> StepSpec:
    return StepSpec.model_validate(keys)


def play_of(*steps: StepSpec, measure_s: float | None = None, **more: Any) -> Play:
    return Play(Program(tuple(steps), measure_s=measure_s, **more))


BEGIN, END = step(begin=True), step(end=True)
MENU = step(picture="menu.png", within_s=10)


def test_a_picture_counts_once_two_looks_in_a_row_show_it():
    play = play_of(MENU, BEGIN)
    for seen in (True, False, True):
        assert isinstance(play.now(0.0), Look)
        play.looked(1.0, Seen(seen))
    assert isinstance(play.now(1.0), Look)
    play.looked(1.5, Seen(True))
    assert isinstance(play.now(1.5), Point)


def test_a_wait_that_is_not_met_in_time_fails_with_what_was_seen_and_what_was_wanted():
    play = play_of(MENU, BEGIN)
    play.now(5.0)
    play.looked(14.9, Seen(False, "the best likeness was 41 %"))
    assert not play.is_over
    play.looked(15.0, Seen(False, "the best likeness was 41 %"))
    over = play.now(15.0)
    assert over == Over(
        "it did not come within 10 s (the best likeness was 41 %)",
        "step 1 of 2 (wait for the picture menu.png)",
        "menu.png",
    )


def test_a_first_hit_at_the_limit_is_looked_at_once_more():
    play = play_of(MENU, BEGIN)
    play.now(0.0)
    play.looked(11.0, Seen(True))
    assert not play.is_over
    play.looked(11.5, Seen(True))
    assert isinstance(play.now(11.5), Point)


@pytest.mark.parametrize("then", ["go-on", "try-escape"])
def test_what_then_says_is_done_in_place_of_a_wait_and_told(then: str):
    menu = step(picture="menu.png", within_s=1, then=then)
    play = play_of(menu, BEGIN, sequences={"try-escape": (step(press="escape"),)})
    play.now(0.0)
    play.looked(2.0, Seen(False))
    order = play.now(2.0)
    assert isinstance(order, Do if then == "try-escape" else Point)
    assert play.marks[0].startswith(
        "step-passed-over: step 1 of 2 (wait for the picture menu.png): it did not"
    )


def test_an_act_is_ordered_once():
    play = play_of(step(press="enter"), BEGIN)
    assert isinstance(play.now(0.0), Do)
    play.done(0.1)
    assert isinstance(play.now(0.1), Point)


def test_an_act_that_is_refused_fails():
    play = play_of(step(press="enter"), BEGIN)
    play.now(0.0)
    play.refused("the focus was taken")
    assert play.now(0.1) == Over("the focus was taken", "step 1 of 2 (press enter)", "")


def test_the_title_is_ready_at_begin_and_its_window_begins_once_the_stages_are_over():
    play = play_of(BEGIN, END)
    assert play.now(1.0) == Point("ready", play.place)
    play.done(1.0)
    assert isinstance(play.now(2.0), Hold)
    play.stages_over()
    assert play.now(3.0) == Point("begin", play.place)
    play.done(3.5)
    assert (play.times.ready_s, play.times.begin_s, play.part) == (1.0, 3.5, "window")


def test_steps_go_on_after_ready_only_once_the_stages_are_over():
    play = play_of(step(ready=True), step(press="w"), BEGIN)
    play.now(0.0)
    play.done(0.0)
    assert isinstance(play.now(60.0), Hold)
    play.stages_over()
    assert isinstance(play.now(60.0), Do)


def begun(*steps: StepSpec, measure_s: float | None = None) -> Play:
    play = play_of(BEGIN, *steps, measure_s=measure_s)
    play.stages_over()
    for _ in range(2):
        play.now(0.0)
        play.done(0.0)
    return play


def test_end_ends_the_window_and_nothing_is_done_until_the_rig_has_taken_note():
    play = begun(END, step(press="escape"))
    assert play.now(5.0) == Point("end", play.place)
    play.done(5.0)
    assert play.times.end_s == 5.0
    assert isinstance(play.now(5.1), Hold)
    play.window_over(6.0)
    assert isinstance(play.now(6.0), Do)


def test_with_a_window_of_its_own_length_end_waits_for_the_rig():
    play = begun(END, step(press="escape"), measure_s=30)
    assert play.now(5.0) == Hold(play.place, 30.0)
    play.window_over(30.0)
    assert isinstance(play.now(30.0), Do)
    assert play.times.end_s is None


def test_what_the_window_had_left_is_passed_over_when_its_time_ends():
    play = begun(step(hold="w", for_s=99), END, step(press="escape"), measure_s=30)
    assert isinstance(play.now(1.0), Do)
    play.window_over(30.0)
    order = play.now(30.0)
    assert isinstance(order, Do)
    assert order.step.press == "escape"


def test_leaving_has_its_time():
    play = begun(END, step(leave="menu", within_s=999))
    play.now(1.0)
    play.done(1.0)
    play.window_over(2.0)
    assert isinstance(play.now(2.0 + LEAVE_WITHIN_S), Do)
    over = play.now(2.1 + LEAVE_WITHIN_S)
    assert isinstance(over, Over)
    assert over.failure == "leaving took over 40 s"


NEWS = SurpriseSpec(name="news", picture="news.png", sequence="close", times=2)
SIGN_IN = SurpriseSpec(name="sign-in", picture="sign-in.png", says="it wants somebody to sign in")


def test_a_surprise_is_answered_and_the_wait_begins_again():
    play = play_of(MENU, BEGIN, surprises=(NEWS,), sequences={"close": (step(press="escape"),)})
    assert isinstance(order := play.now(0.0), Look)
    assert order.surprises == (0,)
    play.looked(9.0, Seen(False, surprise=0))
    assert isinstance(order := play.now(9.0), Do)
    play.done(9.1)
    assert isinstance(play.now(9.1), Look)
    play.looked(18.0, Seen(False))
    assert not play.is_over
    assert play.marks == [
        "surprise: news came and was answered, at step 1 of 2 (wait for the picture menu.png)"
    ]


def test_a_surprise_that_comes_again_and_again_fails():
    play = play_of(MENU, BEGIN, surprises=(NEWS,), sequences={"close": (step(press="escape"),)})
    for now_s in (0.0, 6.0):
        play.now(now_s)
        play.looked(now_s, Seen(False, surprise=0))
        play.now(now_s)
        play.done(now_s)
    play.now(12.0)
    play.looked(12.0, Seen(False, surprise=0))
    over = play.now(12.0)
    assert isinstance(over, Over)
    assert over.failure == "the picture news.png came, again after it was answered 2×"


def test_a_surprise_is_not_looked_for_while_it_is_answered_and_has_time_to_go():
    play = play_of(MENU, BEGIN, surprises=(NEWS,), sequences={"close": (step(press="escape"),)})
    play.now(0.0)
    play.looked(0.0, Seen(False, surprise=0))
    assert isinstance(order := play.now(0.0), Do)
    assert order.surprises == ()
    play.done(0.1)
    play.now(0.2)
    play.looked(4.0, Seen(False, surprise=0))
    assert isinstance(play.now(4.0), Look)
    play.looked(5.2, Seen(False, surprise=0))
    assert isinstance(play.now(5.2), Do)


def test_a_picture_that_means_failure_says_what_it_means():
    play = play_of(MENU, BEGIN, surprises=(SIGN_IN,))
    play.now(0.0)
    play.looked(0.0, Seen(False, surprise=0))
    over = play.now(0.0)
    assert isinstance(over, Over)
    assert (over.failure, over.picture) == (
        "the picture sign-in.png came: it wants somebody to sign in",
        "sign-in.png",
    )


def test_inside_the_window_no_surprise_is_looked_for():
    play = begun(step(line="halfway", within_s=99), measure_s=30)
    order = play.now(1.0)
    assert isinstance(order, Look)
    assert order.surprises == ()


def test_a_sequence_runs_and_the_step_after_it_follows():
    play = play_of(step(sequence="go"), BEGIN, sequences={"go": (step(press="a"), step(press="b"))})
    pressed = []
    while isinstance(order := play.now(0.0), Do):
        pressed.append((order.step.press, order.place))
        play.done(0.0)
    assert pressed == [
        ("a", "step 1 of 2, sequence go, step 1 (press a)"),
        ("b", "step 1 of 2, sequence go, step 2 (press b)"),
    ]
    assert isinstance(order, Point)


CAME = st.sampled_from(["yes", "no", "news", "refuse", "over"])
ANY_STEP = st.sampled_from(
    [
        MENU,
        step(picture="a.png", within_s=3, then="go-on"),
        step(line="x", within_s=2, then="close"),
        step(wait_s=1.5),
        step(press="a"),
        step(sequence="close"),
    ]
)


@given(
    st.lists(ANY_STEP, max_size=4),
    st.lists(ANY_STEP, max_size=3),
    st.lists(ANY_STEP, max_size=3),
    st.lists(st.tuples(st.floats(0.01, 5), CAME), max_size=60),
    st.sampled_from([None, 8.0]),
)  # fmt: skip
def test_whatever_comes_every_order_fits_the_part_and_points_come_once_in_order(
    before: list[StepSpec],
    inside: list[StepSpec],
    after: list[StepSpec],
    events: list[tuple[float, str]],
    measure_s: float | None,
):
    play = play_of(
        *before, BEGIN, *inside, END, *after,
        measure_s=measure_s, surprises=(NEWS,), sequences={"close": (step(press="escape"),)},
    )  # fmt: skip
    now_s, points = 0.0, []
    for length_s, came in events:
        now_s += length_s
        order = play.now(now_s)
        assert play.now(now_s) == order
        match order:
            case Over():
                break
            case Point(way=way):
                points.append(way)
                play.done(now_s)
            case Do():
                play.refused("no") if came == "refuse" else play.done(now_s)
            case Look():
                assert not (order.surprises and play.part == "window")
                surprise = 0 if came == "news" and order.surprises else None
                play.looked(now_s, Seen(came == "yes", surprise=surprise))
            case Hold() if play.times.begin_s is None:
                play.stages_over()
            case Hold():
                play.window_over(now_s)
        if came == "over" and play.times.begin_s is not None:
            play.window_over(now_s)
    assert points == ["ready", "begin", "end"][: len(points)]
