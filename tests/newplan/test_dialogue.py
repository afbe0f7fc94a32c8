"""A question is answered by a person, a pipe, an option or its default, and never by a wrong word."""

from __future__ import annotations

import pytest

from harness.errors import NoAnswer
from harness.newplan.dialogue import given, one_of, truth
from harness.newplan.wording import number


def test_a_wrong_answer_is_asked_again_at_a_terminal_with_what_is_wrong(talk):
    said = talk(["many", "7,5"])
    assert said.dialogue.ask("How long", number, option="--hours") == 7.5
    assert any("'many' is no number" in line for line in said.shown)


def test_a_wrong_answer_from_a_pipe_is_an_error_that_names_the_option(talk):
    with pytest.raises(NoAnswer, match=r"How long: 'many' is no number.*--hours"):
        talk(["many"], again=False).dialogue.ask("How long", number, option="--hours")


def test_the_end_of_the_input_is_an_error_that_names_the_option(talk):
    with pytest.raises(NoAnswer, match=r"before this was answered: How long; answer it, or give --hours$"):
        talk([]).dialogue.ask("How long", number, option="--hours")


def test_an_empty_answer_means_the_default_and_without_one_is_asked_again(talk):
    assert talk([" "]).dialogue.ask("How long", number, option="--hours", default="8") == 8
    assert talk(["", "3"]).dialogue.ask("How long", number, option="--hours") == 3


def test_defaults_are_taken_without_asking_but_never_for_a_permission(talk):
    said = talk([], take_defaults=True)
    assert said.dialogue.ask("How long", number, option="--hours", default="8") == 8
    assert said.shown == []
    with pytest.raises(NoAnswer):
        said.dialogue.agree("May it", option="--allow", default=None)


def test_an_option_with_a_wrong_word_is_an_error_that_names_it():
    with pytest.raises(NoAnswer, match=r"^--hours: 'x' is no number"):
        given("--hours", "x", number)


@pytest.mark.parametrize(("word", "means"), [("yes", True), ("Y", True), ("no", False), ("0", False)])
def test_yes_and_no(word, means):
    assert truth(word) is means


def test_a_word_near_a_choice_is_told_the_choice():
    with pytest.raises(ValueError, match="did you mean 'score'"):
        one_of(["log", "score"])("scores")
