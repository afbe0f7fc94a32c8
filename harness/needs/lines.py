"""Patterns that can't do what they are for: those that no line can match, and those that get in each other's
way. Pure.

The pattern's structure is read by the standard library's parser. What that parser does not know, of the few
forms in which the two dialects differ, is passed over: nothing is said that was not seen.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Callable, Iterator, Mapping
from typing import Any, Final

from harness.patterns import Pattern

#: Where a match stands in its line: at its start, after a sign, at the end of an empty line, at the end.
_Places = frozenset[str]
_ANYWHERE: Final[_Places] = frozenset(("start", "inside"))
_SAMPLES: Final = [chr(code) for code in range(0x250) if code not in (0x0A,)] + list("αЖא漢あ€\U0001f600")


def never_matches(text: str) -> str | None:
    """Why no line can match the pattern, in words; None where one may, or where that can't be seen."""
    parsed = _parsed(text)
    if parsed is None:
        return None
    try:
        places, why = _after(parsed, _ANYWHERE)
    except (LookupError, TypeError, ValueError):  # a form that is not known here
        return None
    return None if places else why


def group_lacks_digits(text: str) -> bool:
    """Whether the pattern's first group can be seen to hold no digit, whatever it matches."""
    parsed = _parsed(text)
    if parsed is None:
        return False
    try:
        groups = [value for kind, value in _all_nodes(parsed) if kind == "SUBPATTERN" and value[0] == 1]
        return bool(groups) and not any(
            _allows_digit(kind, value) for kind, value in _all_nodes(groups[0][-1])
        )
    except (LookupError, TypeError, ValueError):
        return False


def conflicts(patterns: Mapping[str, str]) -> Iterator[tuple[str, str, str]]:
    """What gets in the way of what: (key, what is wrong, what to do).

    Args:
        patterns: Key -> pattern, of ``ready_line``, ``end_line``, ``fail_line``, ``score_line`` and so on,
            and ``expect_lines[0]``, as far as they are given.
    """
    for key, text in patterns.items():
        if Pattern(text).search("") is not None and not key.startswith("expect"):
            yield (
                key,
                f"the pattern {text!r} matches every line, also an empty one",
                "say what the line holds",
            )
    fail = patterns.get("fail_line")
    for key, text in patterns.items():
        line = _only_line(text)
        if fail is not None and key != "fail_line" and (text == fail or _hits(fail, line)):
            yield (
                "fail_line",
                f"a line for {key} ({text!r}) counts as a failure too",
                "make one of them narrower",
            )
    end, ready = patterns.get("end_line"), patterns.get("ready_line")
    if end is not None and ready is not None and (end == ready or _hits(end, _only_line(ready))):
        what = f"the line that says ready ({ready!r}) ends the title at once"
        yield "end_line", what, "make end_line narrower"


def _hits(pattern: str, line: str | None) -> bool:
    return line is not None and Pattern(pattern).search(line) is not None


def _only_line(text: str) -> str | None:
    """The text that a pattern without choices stands for; None for one with choices."""
    body = text.removeprefix("^").removesuffix("$")
    if set(re.sub(r"\\[^\w\s]", "", body)) & set(".*+?[](){}|^$\\"):
        return None
    return re.sub(r"\\([^\w\s])", r"\1", body) or None


# --- the structure ----------------------------------------------------------------------------------------


def _parsed(text: str) -> Any:
    try:
        from re import _parser  # type: ignore[attr-defined]

        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of a set inside a set, which the engine understands
            return _parser.parse(text, re.MULTILINE)
    except (ImportError, re.error, OverflowError, RecursionError):
        return None


def _all_nodes(parsed: Any) -> Iterator[tuple[str, Any]]:
    for kind, value in parsed:
        yield str(kind), value
        for inner in _inside(str(kind), value):
            yield from _all_nodes(inner)


def _inside(kind: str, value: Any) -> list[Any]:
    if kind in ("SUBPATTERN", "MAX_REPEAT", "MIN_REPEAT", "POSSESSIVE_REPEAT"):
        return [value[-1]]
    return list(value[1]) if kind == "BRANCH" else [value] if kind == "ATOMIC_GROUP" else []


def _after(parsed: Any, places: _Places) -> tuple[_Places, str]:
    """Where a match can stand after these parts, from any of these places; and what makes it impossible."""
    why = ""
    for kind, value in parsed:
        places, why = _after_one(str(kind), value, places)
        if not places:
            return places, why
    return places, why


def _after_one(kind: str, value: Any, places: _Places) -> tuple[_Places, str]:
    match kind:
        case "LITERAL" | "NOT_LITERAL" | "IN" | "ANY":
            if not _some_sign(kind, value):
                return (
                    frozenset(),
                    "it holds an empty [...], or a line's end inside it",
                )
            return _moved(places)
        case "AT":
            return _anchored(str(value), places)
        case "SUBPATTERN" | "ATOMIC_GROUP":
            return _after(value[-1] if kind == "SUBPATTERN" else value, places)
        case "BRANCH":
            found = [_after(branch, places) for branch in value[1]]
            return frozenset().union(*(ends for ends, _ in found)), found[0][1]
        case "MAX_REPEAT" | "MIN_REPEAT" | "POSSESSIVE_REPEAT":
            return _repeated(int(value[0]), int(value[1]), value[2], places)
    raise LookupError(kind)


def _moved(places: _Places) -> tuple[_Places, str]:
    on = places & {"start", "inside"}
    return (
        frozenset({"inside"}) if on else frozenset()
    ), "$ stands before the pattern's end: nothing follows a line's end"


def _anchored(where: str, places: _Places) -> tuple[_Places, str]:
    if where in ("AT_BEGINNING", "AT_BEGINNING_STRING"):
        kept = places & {"start", "empty"}
        return kept, "^ stands after the pattern's beginning: nothing comes before a line's start"
    if where in ("AT_END", "AT_END_STRING"):
        ends = {"start": "empty", "empty": "empty", "inside": "end", "end": "end"}
        return frozenset(ends[place] for place in places), ""
    return places, ""  # word boundaries: either way


def _repeated(least: int, most: int, inner: Any, places: _Places) -> tuple[_Places, str]:
    found, why = places, ""
    for _ in range(min(least, 3)):  # more change nothing: a place is reached in two steps or never
        found, why = _after(inner, found)
        if not found:
            return found, why
    reached = found
    for _ in range(min(most - least, 3)):
        found, _ = _after(inner, found)
        reached |= found
    return reached, why


def _some_sign(kind: str, value: Any) -> bool:
    if kind == "LITERAL":
        return bool(value != 0x0A)
    return kind != "IN" or any(_in_class(value, sign) for sign in _SAMPLES)


def _in_class(items: Any, sign: str) -> bool:
    negated = bool(items) and str(items[0][0]) == "NEGATE"
    return any(_is_item(str(kind), value, sign) for kind, value in items[negated:]) != negated


def _is_word(sign: str) -> bool:
    return sign.isalnum() or sign == "_"


_CATEGORIES: Final[dict[str, Callable[[str], bool]]] = {
    "DIGIT": str.isdigit,
    "SPACE": str.isspace,
    "WORD": _is_word,
}


def _is_item(kind: str, value: Any, sign: str) -> bool:
    if kind == "LITERAL":
        return bool(ord(sign) == value)
    if kind == "RANGE":
        return bool(value[0] <= ord(sign) <= value[1])
    name = str(value).removeprefix("CATEGORY_")
    is_one = _CATEGORIES[name.removeprefix("NOT_")](sign) and sign.isascii()
    return bool(is_one != name.startswith("NOT_"))


def _allows_digit(kind: str, value: Any) -> bool:
    if kind in ("LITERAL", "NOT_LITERAL"):
        is_digit = chr(value).isdigit()
        return is_digit if kind == "LITERAL" else True
    return kind == "ANY" or (kind == "IN" and any(_in_class(value, sign) for sign in "0123456789"))
