"""Turns pydantic's findings into complaints that a person can act on, with the nearest remedy."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from difflib import get_close_matches
from typing import Any

from pydantic_core import ErrorDetails

_WANTED = {
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "float_parsing": "a number",
    "finite_number": "a finite number",
    "string_type": 'text in quotes, as in "text"',
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "list_type": "a list, as in [1, 2]",
    "tuple_type": "a list, as in [1, 2]",
    "dict_type": "a table, as in { key = value }",
    "model_type": "a table, as in { key = value }",
    "model_attributes_type": "a table, as in { key = value }",
}
#: Keys that hold a program and its arguments.
_COMMANDS = frozenset(("command", "apply", "verify", "restore", "end_command", "arguments"))
_NUMBERS = frozenset(("ok_exit_codes", "affinity"))
_BOUNDS = {
    "greater_than": ("gt", "above"),
    "greater_than_equal": ("ge", "at least"),
    "less_than": ("lt", "below"),
    "less_than_equal": ("le", "at most"),
}


def nearest(word: str, choices: Iterable[str]) -> str:
    """Remedy naming the nearest choice, or all of them where none is near."""
    known = sorted(set(choices))
    if not known:
        return "remove it"
    near = get_close_matches(word, known, n=1, cutoff=0.55)
    if near:
        return f"did you mean {near[0]!r}?"
    return f"choose one of: {', '.join(known)}"


def shown(value: Any) -> str:
    """A value as the plan's author wrote it, cut short."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, dict):
        return "a table"
    elif isinstance(value, list | tuple):
        return "a list"
    else:
        text = str(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def explain(error: ErrorDetails, keys_there: Iterable[str]) -> tuple[str, str]:
    """What is wrong and what to do, for one of pydantic's errors.

    Args:
        error: As pydantic reports it.
        keys_there: Keys that may stand where the error is; for a misspelled key.
    """
    kind, value, context = error["type"], error.get("input"), error.get("ctx", {})
    name = str(error["loc"][-1]) if error["loc"] else ""
    if kind == "extra_forbidden":
        return f"unknown key {name!r}", nearest(name, keys_there)
    if kind == "missing":
        return f"{name!r} is missing", f"add {name} = ..."
    if kind in ("tuple_type", "list_type") and isinstance(value, str):
        entries = (
            value.split()
            if name in _COMMANDS
            else [int(value) if name in _NUMBERS and value.isdecimal() else value]
        )
        return (
            f"{shown(value)} is not a list",
            f"write a list, as in {json.dumps(entries, ensure_ascii=False)}",
        )
    if kind in _WANTED:
        return f"{shown(value)} is not {_WANTED[kind].split(',')[0]}", f"write {_WANTED[kind]}"
    if kind in _BOUNDS:
        bound, words = _BOUNDS[kind]
        return f"{shown(value)} is out of range", f"choose a value {words} {context[bound]:g}"
    if kind in {"literal_error", "enum"}:
        return f"{shown(value)} is not a choice here", _nearest_literal(
            value, str(context.get("expected", ""))
        )
    if kind == "string_pattern_mismatch" and name in ("starts_at", "ends_at"):
        return f"{shown(value)} is no time of day", 'write hours and minutes of 24 hours, as in "23:00"'
    if kind == "string_pattern_mismatch":
        return (
            f"{shown(value)} can't be a name",
            "use small letters, digits and single hyphens, as in 'harbour-lights'",
        )
    if kind == "string_too_long":
        return f"{shown(value)} is too long", f"use at most {context['max_length']} characters"
    if kind == "string_too_short":
        return "it is empty", "write something between the quotes"
    if kind == "too_short":
        return "the list is too short", f"give at least {context['min_length']}"
    if kind == "too_long":
        return "the list is too long", f"give at most {context['max_length']}"
    if kind in {"value_error", "assertion_error"}:
        what, _, remedy = str(context.get("error", error["msg"])).partition("; ")
        return what, remedy or "see plans/README.md"
    return f"{shown(value)}: {error['msg'][0].lower()}{error['msg'][1:]}", "see plans/README.md"


def _nearest_literal(value: Any, expected: str) -> str:
    choices = [part.strip().strip("'") for part in expected.replace(" or ", ", ").split(",")]
    return nearest(str(value), [choice for choice in choices if choice])


def trodden(location: Sequence[str | int], data: Any) -> tuple[str | int, ...]:
    """The part of pydantic's location that leads through the data, plus a last key that is not there.

    Pydantic adds names of union members and validators to a location; a reader of the plan knows none.
    """
    path: list[str | int] = []
    for depth, step in enumerate(location):
        if _leads_on(data, step):
            data = data[step]
            path.append(step)
        elif depth == len(location) - 1 and isinstance(data, Mapping):
            path.append(step)
    return tuple(path)


def _leads_on(data: Any, step: str | int) -> bool:
    if isinstance(data, list):
        return isinstance(step, int) and 0 <= step < len(data)
    return isinstance(data, Mapping) and step in data
