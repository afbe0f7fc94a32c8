"""Steps in a plan: what is refused, with its place, and what of them makes another measurement."""

from __future__ import annotations

import pytest

from harness.errors import PlanError
from harness.plan.cells import expand
from harness.plan.forecast import forecast
from harness.plan.key_names import keys_of
from harness.plan.load import parse_plan
from harness.plan.schema import Plan
from harness.plugins import PluginHost

HOST = PluginHost()
HEAD = """
[plan]
question = "Is it as fast?"
repeats = 2
reference = "factory"
[[profiles]]
name = "factory"
[[titles]]
name = "pebble-harbour"
workload = "command"
command = ["./pebble"]
score_line = "score ([0-9]+)"
"""
BEGIN = "{ begin = true }"


def plan_of(*steps: str, more: str = "", measure_s: int | None = 30) -> Plan:
    window = "" if measure_s is None else f"measure_s = {measure_s}\n"
    text = f"{HEAD}{window}steps = [{', '.join(steps)}]\n{more}"
    return parse_plan(text, "plan.toml", HOST.kinds)


def complaint(*steps: str, more: str = "", measure_s: int | None = 30) -> str:
    with pytest.raises(PlanError) as caught:
        plan_of(*steps, more=more, measure_s=measure_s)
    return str(caught.value)


def test_a_sequence_of_steps_is_read():
    plan = plan_of('{ picture = "menu.png" }', '{ press = ["down", "ctrl+s"] }', BEGIN, "{ end = true }")
    assert [step.in_words() for step in plan.titles[0].steps] == [
        "wait for the picture menu.png",
        "press down ctrl+s",
        "the window begins",
        "the window ends",
    ]


@pytest.mark.parametrize(
    ("steps", "place", "what"),
    [
        (['{ press = "enter" }'], "titles[0].steps", "no step says where the measured window begins"),
        ([BEGIN, BEGIN], "titles[0].steps[1].begin", "a second step begin"),
        (["{ end = true }", BEGIN], "titles[0].steps[0].end", "end stands before begin"),
        ([BEGIN, "{ ready = true }"], "titles[0].steps[0].begin", "begin stands before ready"),
        (["{ press = 'x', wait_s = 2 }", BEGIN], "titles[0].steps[0]", "says wait_s and press"),
        (["{ within_s = 2 }", BEGIN], "titles[0].steps[0]", "says nothing that is waited for or done"),
        (["{ press = 'entr' }", BEGIN], "titles[0].steps[0].press", "no key is named 'entr'"),
        (["{ press = 'a+b' }", BEGIN], "titles[0].steps[0].press", "write keys that follow each other"),
        (["{ hold = 'w' }", BEGIN], "titles[0].steps[0]", "hold and for_s go together"),
        (["{ press = 'w', gone = true }", BEGIN], "titles[0].steps[0]", "gone goes with window"),
        (["{ window = '(' }", BEGIN], "titles[0].steps[0].window", "("),
        (["{ window = false }", BEGIN], "titles[0].steps[0]", "waits for nothing"),
        (["{ sequence = 'quit' }", BEGIN], "titles[0].steps[0].sequence", "no sequence \"quit\""),
        (["{ wait_s = 1, then = 'quit' }", BEGIN], "titles[0].steps[0].then", "no sequence \"quit\""),
        ([BEGIN, "{ leave = 'close' }", "{ press = 'x' }"], "titles[0].steps[2]", "never be reached"),
        ([BEGIN, "{ leave = 'shout' }"], "titles[0].steps[1].leave", "shout"),
        (["{ text = '{sise}' }", BEGIN], "titles[0].steps[0].text", "nothing fills the placeholder {sise}"),
        (["{ begin = true, only = ['default'] }"], "titles[0].steps[0].only", "every setting is measured"),
        (["{ press = 'x', only = ['low'] }", BEGIN], "titles[0].steps[0].only", "no setting \"low\""),
        ([BEGIN, "{ hold = 'w', for_s = 60 }", "{ end = true }"], "titles[0].steps", "longer than measure_s"),
        ([BEGIN, "{ end = true }", "{ wait_s = 90 }"], "titles[0].steps[2]", "may take 90 s, and have 40 s"),
        (["{ pictur = 'menu.png' }", BEGIN], "titles[0].steps[0].pictur", "unknown key"),
        (["{ click = [1, 2, 3] }", BEGIN], "titles[0].steps[0].click", ""),
        (["{ picture = 'm', at = [1, 2], area = [1, 2, 3, 4] }", BEGIN], "titles[0].steps[0]", "leave one"),
    ],
)  # fmt: skip
def test_a_bad_sequence_is_refused_with_its_place(steps, place, what):
    said = complaint(*steps)
    assert any(place in line and what in line for line in said.splitlines()), said


def test_the_window_must_end_somewhere_where_the_title_is_left():
    assert "nothing says where the measured window ends" in complaint(
        BEGIN, "{ leave = 'close' }", measure_s=None
    )


@pytest.mark.parametrize(
    ("more", "what"),
    [
        ("[titles.sequences]\nquit = []", "it has no steps"),
        ("[titles.sequences]\nquit = [{ press = 'q' }]", "leads to the sequence quit"),
        ("[titles.sequences]\nfail = [{ press = 'q' }]", "can't be named 'fail'"),
        ("[titles.sequences]\na = [{ sequence = 'b' }]\nb = [{ sequence = 'a' }]", "leads back to itself"),
        ("[titles.sequences]\nquit = [{ end = true }]", "end stands in a sequence"),
        ("[titles.sequences]\nQuit = [{ press = 'q' }]", "Quit"),
        ("[[titles.surprises]]\nname = 'news'\npicture = 'n.png'\nsequence = 'close'", 'no sequence "close"'),
        ("[[titles.surprises]]\nname = 'n'\npicture = 'n.png'\n" * 2, "a second surprise named 'n'"),
    ],
)
def test_sequences_and_surprises_are_checked_too(more, what):
    assert what in complaint(BEGIN, more=more)


def test_what_goes_with_steps_is_refused_without_them():
    with pytest.raises(PlanError, match="still_at_most_s goes with steps"):
        parse_plan(f"{HEAD}measure_s = 3\nstill_at_most_s = 3\n", "plan.toml", HOST.kinds)


def test_a_limit_keeps_what_was_measured_and_another_key_measures_again():
    (before,) = expand(plan_of('{ press = "enter" }', BEGIN))
    (limit,) = expand(plan_of('{ press = "enter", within_s = 99, then = "go-on" }', BEGIN))
    (other,) = expand(plan_of('{ press = "space" }', BEGIN))
    assert before.definition_hash == limit.definition_hash != other.definition_hash


def test_a_setting_has_its_own_steps():
    settings = 'settings = [{ name = "low" }, { name = "high" }]\n'
    plan = plan_of(
        '{ press = "l", only = ["low"] }', '{ press = "h", only = ["high"] }', BEGIN, more=settings
    )
    low, high = expand(plan)
    assert [step.press for step in low.title.steps] == ["l", None]
    assert [step.press for step in high.title.steps] == ["h", None]
    assert low.definition_hash != high.definition_hash


@pytest.mark.parametrize(
    ("chord", "keys"),
    [("a", ("a",)), ("+", ("+",)), ("ctrl++", ("ctrl", "+")), ("CTRL+Shift+F5", ("ctrl", "shift", "f5"))],
)
def test_keys_are_named_by_what_stands_on_them(chord, keys):
    assert keys_of(chord) == keys


def test_a_window_that_a_step_ends_is_forecast_by_its_steps():
    plan = plan_of(BEGIN, "{ wait_s = 10 }", "{ hold = 'w', for_s = 35 }", "{ end = true }", measure_s=None)
    night = forecast(plan)
    assert not any("no measure_s" in said for said in night.assumptions)
