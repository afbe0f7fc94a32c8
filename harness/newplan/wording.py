"""What people write, turned into what a plan holds: names, numbers, spans of time, command lines. Pure."""

from __future__ import annotations

import re
import shlex
import subprocess
import unicodedata
from collections.abc import Callable, Collection, Sequence
from typing import Final

LONGEST_NAME: Final = 48
_NAME = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_CLOCK = re.compile(r"(\d{1,3}):([0-5]\d)")
_SPANS = re.compile(r"(?:([\d.,]+)\s*(?:h|hours?))?\s*(?:([\d.,]+)\s*(?:min|minutes?|m))?", re.IGNORECASE)
_PROGRAM_ENDS = (".exe", ".bat", ".cmd", ".com")
_SPECIAL = re.compile(r"([\\.^$*+?{}\[\]|()])")


def plan_name(text: str, taken: Collection[str] = ()) -> str:
    """A name as a plan has it, from what people call the thing: ``Harbour Lights`` -> ``harbour-lights``.

    Where no letter or digit of it fits, it is ``title``. A name that is ``taken`` gets a number.
    """
    plain = unicodedata.normalize("NFKD", text.replace("ß", "ss")).encode("ascii", "ignore").decode().lower()
    stem = re.sub(r"[^a-z0-9]+", "-", plain.replace("'", "")).strip("-")[:LONGEST_NAME].strip("-") or "title"
    name, number = stem, 2
    while name in taken:
        ending = f"-{number}"
        name, number = stem[: LONGEST_NAME - len(ending)].rstrip("-") + ending, number + 1
    return name


def is_plan_name(text: str) -> bool:
    """Whether a plan takes it as a name as it stands."""
    return _NAME.fullmatch(text) is not None and len(text) <= LONGEST_NAME


def number(text: str, *, comma_is_decimal: bool | None = None) -> float:
    """A number with a decimal point or comma, and signs between its thousands.

    Args:
        text: ``60``, ``7.5``, ``7,5``, ``1 200``, ``1.234,5``.
        comma_is_decimal: What a comma means where the text alone can't tell (``1,234``); None: refuse it.
    Raises:
        ValueError: It is no number, or could be two.
    """
    plain = re.sub(r"(?<=\d)[ \u00a0\u202f'](?=\d{3}(?:\D|$))", "", text.strip())
    points, commas = plain.count("."), plain.count(",")
    if points and commas:
        decimal = "." if plain.rfind(".") > plain.rfind(",") else ","
        if plain.count(decimal) > 1:
            raise ValueError(_no_number(text))
        plain = plain.replace("," if decimal == "." else ".", "").replace(",", ".")
    elif commas == 1:
        if re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", plain) and not comma_is_decimal:
            raise ValueError(f"{text!r} could be two numbers; write it without a sign between thousands")
        plain = plain.replace(",", ".")
    elif points == 1 and comma_is_decimal and re.fullmatch(r"[+-]?[1-9]\d{0,2}\.\d{3}", plain):
        raise ValueError(f"{text!r} could be two numbers; write it without a sign between thousands")
    if not re.fullmatch(r"[+-]?(\d+(\.\d*)?|\.\d+)", plain, re.ASCII):
        raise ValueError(_no_number(text))
    return float(plain)


def _no_number(text: str) -> str:
    return f"{text!r} is no number; write digits, as in 60 or 7.5"


def whole(text: str) -> int:
    """A whole number from 1 to 1000. Raises ValueError."""
    value = number(text)
    if not (value.is_integer() and 1 <= value <= 1000):
        raise ValueError(f"{text!r} is no whole number from 1 to 1000; write digits, as in 6")
    return int(value)


def hours(text: str) -> float:
    """A span of time in hours: ``8``, ``7.5``, ``7:30``, ``7 h 30 min``, ``45 min``. Raises ValueError."""
    word = text.strip()
    value: float
    if match := _CLOCK.fullmatch(word):
        value = int(match[1]) + int(match[2]) / 60
    elif (match := _SPANS.fullmatch(word)) and word:
        value = number(match[1] or "0") + number(match[2] or "0") / 60
    else:
        try:
            value = number(word)
        except ValueError as error:
            raise ValueError(f"{text!r} is no span of time; write hours, as in 8, 7:30 or 45 min") from error
    if not 0 < value <= 1000:
        raise ValueError(f"{text!r} is not between a moment and 1000 hours; write hours, as in 8 or 7:30")
    return value


def split_command(
    text: str, *, windows: bool, is_program: Callable[[str], bool] = lambda _: False
) -> list[str]:
    """The words of a command line as a person writes or pastes it.

    Under Windows a backslash is a part of a path and only double quotes hold words together; elsewhere the
    rules are those of a POSIX shell. A path with blanks that was pasted without quotes is put together again,
    where the first words together name a program (under Windows also one that is not here).

    Raises:
        ValueError: It is empty, or a quote is not closed.
    """
    try:
        words = _windows_words(text) if windows else shlex.split(text)
    except ValueError as error:
        raise ValueError("a quote is opened and not closed; close it") from error
    if not words:
        raise ValueError("there is no program; write its path and its arguments")
    if not text.lstrip().startswith(('"', "'")) and not is_program(words[0]):
        for count in range(len(words), 1, -1):
            if is_program(" ".join(words[:count])):
                return [" ".join(words[:count]), *words[count:]]
        end = next((n for n, word in enumerate(words) if word.lower().endswith(_PROGRAM_ENDS)), 0)
        if windows and end and re.match(r"[A-Za-z]:|\.{0,2}\\", words[0]):
            return [" ".join(words[: end + 1]), *words[end + 1 :]]
    return words


def join_command(words: Sequence[str], *, windows: bool) -> str:
    """The command line that :func:`split_command` takes apart into these words."""
    return subprocess.list2cmdline(words) if windows else shlex.join(words)


def _windows_words(text: str) -> list[str]:
    words, word, quoted, begun = [], "", False, False
    for position, sign in enumerate(text.strip()):
        if (
            sign == '"'
            and word.endswith("\\")
            and quoted
            and text.strip()[position + 1 : position + 2].strip()
        ):
            word = word[:-1] + '"'
        elif sign == '"':
            quoted, begun = not quoted, True
        elif sign.isspace() and not quoted:
            if begun:
                words.append(word)
            word, begun = "", False
        else:
            word, begun = word + sign, True
    if quoted:
        raise ValueError
    return [*words, word] if begun else words


def unquoted(text: str) -> str:
    """A path without the quotes that file managers put around it when it is copied."""
    plain = text.strip()
    if len(plain) > 1 and plain[0] == plain[-1] and plain[0] in "\"'":
        return plain[1:-1]
    return plain


def literally(text: str) -> str:
    """The pattern that finds exactly this text."""
    return _SPECIAL.sub(r"\\\1", text)
