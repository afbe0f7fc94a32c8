"""One question after the other: from an option, from the person or pipe that answers, or by default."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

from harness.errors import NoAnswer
from harness.plan.complaints import nearest

T = TypeVar("T")

#: What a person may write for yes and for no.
YES, NO = frozenset({"yes", "y", "true", "1", "on"}), frozenset({"no", "n", "false", "0", "off"})


class Dialogue:
    """Asks; each answer passes its parser, which raises ValueError with what to write instead.

    Args:
        read: Shows a prompt and gives the line that was answered; None at the end of the input.
        say: Prints a line to whoever answers.
        again: A wrong answer is asked again, as at a terminal; otherwise it is an error.
        take_defaults: Questions that have a default are not asked.
    """

    def __init__(
        self,
        read: Callable[[str], str | None],
        say: Callable[[str], None],
        *,
        again: bool,
        take_defaults: bool = False,
    ) -> None:
        self._read = read
        self.say = say
        self._again = again
        self._take_defaults = take_defaults

    def explain(self, line: str) -> None:
        """Print what helps to answer what follows; nothing where defaults answer."""
        if not self._take_defaults:
            self.say(line)

    def ask(
        self,
        question: str,
        parse: Callable[[str], T],
        *,
        option: str,
        default: str | None = None,
        shown: str | None = None,
    ) -> T:
        """The answer to a question.

        Args:
            question: Without a sign at its end.
            parse: Turns the answer into a value. Raises ValueError.
            option: What would answer it on the command line; named where the input ends too early.
            default: What an empty answer means; None where there is none.
            shown: The default in words, where they say more.
        Raises:
            NoAnswer: The input has ended, or a piped answer is wrong.
        """
        if self._take_defaults and default is not None:
            return parse(default)
        hint = f" [{shown or default}]" if shown or default else ""
        while True:
            answer = self._read(f"{question}{hint}: ")
            if answer is None:
                raise NoAnswer(
                    f"the input ended before this was answered: {question.strip()}; "
                    f"answer it, or give {option}" + ("" if default is None else ", or --yes for the default")
                )
            text = answer.strip() or default
            try:
                if text is None:
                    raise ValueError("this needs an answer; nothing is assumed here")
                return parse(text)
            except ValueError as error:
                if not self._again:
                    raise NoAnswer(
                        f"{question.strip()}: {error}; correct the answer, or give {option}"
                    ) from error
                self.say(f"  {error}")

    def agree(self, question: str, *, option: str, default: bool | None) -> bool:
        """Yes or no; without a default the word must be written. Raises NoAnswer."""
        word = None if default is None else "yes" if default else "no"
        return self.ask(question, truth, option=option, default=word, shown=word or "yes/no")


def given(option: str, text: str, parse: Callable[[str], T]) -> T:
    """The value of an answer that was given as an option. Raises NoAnswer."""
    try:
        return parse(text)
    except ValueError as error:
        raise NoAnswer(f"{option}: {error}") from error


def truth(text: str) -> bool:
    """Yes or no. Raises ValueError."""
    word = text.strip().lower()
    if word in YES | NO:
        return word in YES
    raise ValueError(f"{text!r} is neither yes nor no; write yes or no")


def one_of(choices: Sequence[str]) -> Callable[[str], str]:
    """A parser that takes one of these words."""

    def parse(text: str) -> str:
        word = text.strip().lower()
        if word not in choices:
            raise ValueError(f"{text!r} is none of them; {nearest(word, choices)}")
        return word

    return parse
