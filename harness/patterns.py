"""Patterns that a person writes: every one goes through here, and none can stop the harness.

They are matched by RE2, whose time is proportional to text times pattern, whatever both are. It was chosen
over an engine with time-outs because nothing has to be interrupted, because one search through a block of a
million lines costs what one through a single line does (so that a title may print gigabytes), and because
the other threads go on meanwhile. The price: no look-around and no references back to a group.

A pattern is looked for in each line by itself: it never reaches over a line's end, and ``^`` and ``$`` are
the line's. Text that is not UTF-8 is searched with its damaged bytes replaced.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import lru_cache
from typing import Annotated, Any, NamedTuple

from pydantic import AfterValidator

#: Largest compiled pattern, in the engine's instructions: what bounds the time that a character costs.
LARGEST_PATTERN = 1000
#: Longest part of a line that is searched, bytes; what follows of such a line is passed over.
LONGEST_LINE = 65536
_MEMORY_BYTES = 8 << 20
_REMEDIES = (
    (r"\(\?[=!<]", "look-around is not offered: write what the line must hold, or use two patterns"),
    (r"escape sequence: \\\\?[1-9k]", "references back to a group are not offered: write the text itself"),
    (r"repetition size|too large", "count less: write + or * instead of a large count"),
    (r"perl operator|bad repetition", "write it plainly: only ? * + {n} and their lazy forms are offered"),
)


class Match(NamedTuple):
    """A line that a pattern matches: the whole line, its groups in order, and those that have names.

    ``cut_number`` is the longer number of which the first group holds a part only, as ``1,234.5`` where it
    holds ``1``; empty where it is whole, or where the pattern itself says what comes after the group.
    """

    line: str
    groups: tuple[str | None, ...]
    named: dict[str, str]
    cut_number: str = ""


_AFTER = re.compile(rb"([0-9]|[.,'][0-9]|[eE][-+]?[0-9])")
_WHOLE = re.compile(rb"[-+0-9.,'eE]*")


def _cut_number(line: bytes, group: tuple[int, int], match_end: int) -> str:
    """The number in the line of which the group holds a part only; empty where there is none."""
    begin, end = group
    if begin < 0 or not line[begin:end].strip()[-1:].isdigit():
        return ""
    cut = line[max(0, begin - 1) : begin].isdigit() and line[begin : begin + 1].isdigit()
    if not cut and not (end == match_end and _AFTER.match(line, end)):
        return ""
    while begin > 0 and line[begin - 1 : begin] in b"0123456789.,'":
        begin -= 1
    whole = _WHOLE.match(line, begin)
    return "" if whole is None else whole[0].decode("ascii")[:40]


class Pattern:
    """A compiled pattern.

    Args:
        text: The pattern as the plan has it.
    Raises:
        ValueError: It is no pattern, or too costly; the message says why and what to do.
    """

    def __init__(self, text: str) -> None:
        self.text = text
        self._engine = _compile(text)
        self.group_count: int = self._engine.groups
        self.names: frozenset[str] = frozenset(name.decode() for name in self._engine.groupindex)

    def search(self, line: str) -> Match | None:
        """The match in one line; None if there is none."""
        return next(self.in_block(line.encode("utf-8", "replace")[:LONGEST_LINE]), None)

    def matches(self, block: bytes) -> bool:
        """Whether any line of a block (UTF-8, lines ended by ``\\n``) matches."""
        return self._engine.search(block, 0, _end_of(block)) is not None

    def in_block(self, block: bytes) -> Iterator[Match]:
        """Every line of a block that matches, once each, in order."""
        position, end = 0, _end_of(block)
        while position <= end:
            found = self._engine.search(block, position, end)
            if found is None:
                return
            begins = block.rfind(b"\n", 0, found.start()) + 1
            ends = block.find(b"\n", found.end(), end)
            ends = end if ends < 0 else ends
            named = {name.decode(): _text(value) for name, value in found.groupdict().items()}
            yield Match(
                _text(block[begins:ends]) or "",
                tuple(_text(value) for value in found.groups()),
                {name: value for name, value in named.items() if value is not None},
                self._cut_number(found, block[begins:ends], begins),
            )
            position = ends + 1

    def _cut_number(self, found: Any, line: bytes, begins: int) -> str:
        if not self.group_count:
            return ""
        begin, end = found.span(1)
        return _cut_number(line, (begin - begins, end - begins), found.end() - begins)


def check_pattern(text: str) -> str:
    """The text itself, if it is a pattern. Raises ValueError with the reason and the remedy."""
    Pattern(text)
    return text


#: Type of a plan key that holds a pattern.
PatternText = Annotated[str, AfterValidator(check_pattern)]


def _end_of(block: bytes) -> int:
    """Where the last line ends: behind its ``\\n`` there is no further line."""
    return len(block) - block.endswith(b"\n")


def _text(data: bytes | None) -> str | None:
    return None if data is None else data.decode("utf-8", "replace")


@lru_cache(maxsize=256)
def _compile(text: str) -> Any:
    import re2  # here, for the start-up time of commands that match nothing

    options = re2.Options()
    options.log_errors = False
    options.never_nl = True
    options.max_mem = _MEMORY_BYTES
    # The start and end of the text are the line's own.
    plain = re.sub(r"\\(.)", lambda m: {"A": "^", "Z": "$", "z": "$"}.get(m[1], m[0]), text, flags=re.DOTALL)
    try:
        engine = re2.compile(b"(?m)" + plain.encode(), options)
    except UnicodeEncodeError as error:
        raise ValueError(f"{text!r} is no text: it holds half a character; write it again") from error
    except re2.error as error:
        reason = error.args[0]
        reason = reason.decode("utf-8", "replace") if isinstance(reason, bytes) else str(reason)
        reason = reason.replace("(?m)", "", 1)
        remedy = next((words for sign, words in _REMEDIES if re.search(sign, reason)), "fix it")
        raise ValueError(f"{text!r} is no regular expression ({reason}); {remedy}") from error
    if engine.programsize > LARGEST_PATTERN:
        raise ValueError(
            f"{text!r} is too costly ({engine.programsize} steps a character, at most {LARGEST_PATTERN}); "
            "count less: write + or * instead of a large count"
        )
    return engine
