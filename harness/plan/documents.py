"""The one way in for what a person writes as TOML or JSON: syntax, bounds and models, in a plan's words.

A plan, the assumptions of a rehearsal, a mapping and a card's model all pass here, so that each of them is
refused with the place, what is wrong there and the nearest remedy, and none of them gets further than this
with a number, a text or a nesting that no person means.
"""

from __future__ import annotations

import json
import math
import re
import tomllib
from collections.abc import Callable, Mapping
from datetime import date, time
from typing import Any, Final, TypeVar

from pydantic import BaseModel, ValidationError

from harness.errors import PlanError, Problem
from harness.plan.backslashes import REMEDY, stumbles_over
from harness.plan.complaints import explain, trodden
from harness.plan.findings import Findings, model_at
from harness.plan.locate import LineIndex, Path
from harness.plan.slips import slip

M = TypeVar("M", bound=BaseModel)

#: TOML's own range of whole numbers; other readers of the same file know no larger ones.
LARGEST_WHOLE: Final = 2**63 - 1
#: No quantity of a rig is larger, in whatever unit.
LARGEST_NUMBER: Final = 1e15
LONGEST_TEXT: Final = 20_000
LONGEST_LIST: Final = 1_000
DEEPEST: Final = 20
#: Where a date or time of day may stand without quotes.
_TIMES_OF: Final = "night"
_ENDLESS_KEY = re.compile(
    r"""(?<![A-Za-z0-9_-])(?:(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')[ \t]*\.[ \t]*){100}"""
)
_PLACE = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")


def parse_toml(text: str, source: str) -> dict[str, Any]:
    """The tables of a TOML text, within bounds. Raises PlanError."""
    text = text.removeprefix("\ufeff")
    if _ENDLESS_KEY.search(text):  # the parser takes the square of its parts in time
        problem = Problem("the file", "a key has over 100 parts with dots between", "take it out")
        raise PlanError(source, [problem])
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        place = _PLACE.search(message)
        what = message[: place.start()] if place else message
        where = f"line {place[1]}, column {place[2]}" if place and place[1] else "end of the file"
        at_line = int(place[1]) if place and place[1] else None
        remedy = slip(text, at_line, what) or "fix the TOML there; nothing after it could be read"
        if stumbles_over(text, at_line):
            what, remedy = 'inside "…" a backslash begins an escape, so this text can\'t be read', REMEDY
        raise PlanError(source, [Problem(where, f"{what[:1].lower()}{what[1:200]}", remedy)]) from error
    except (ValueError, RecursionError, OverflowError) as error:
        raise PlanError(source, [_beyond_reading(error)]) from error
    _require_bounds(tables, LineIndex(text), source)
    return tables


def parse_json(text: str, source: str) -> dict[str, Any]:
    """The object of a JSON text, within bounds. Raises PlanError."""
    try:
        document = json.loads(text.removeprefix("\ufeff"))
    except json.JSONDecodeError as error:
        where = f"line {error.lineno}, column {error.colno}"
        problem = Problem(where, f"no JSON ({error.msg[:1].lower()}{error.msg[1:]})", "name the right file")
        raise PlanError(source, [problem]) from error
    except (ValueError, RecursionError) as error:
        raise PlanError(source, [_beyond_reading(error)]) from error
    if not isinstance(document, dict):
        raise PlanError(source, [Problem("the file", "it holds no JSON object", "name the right file")])
    _require_bounds(document, LineIndex(""), source)
    return document


def _beyond_reading(error: Exception) -> Problem:
    if isinstance(error, RecursionError):
        what = f"tables or lists lie more than {DEEPEST} deep in each other"
    elif isinstance(error, OverflowError) or "digits" in str(error):
        what = "it holds a number that is too large"
    else:
        what = f"it can't be read ({str(error)[:120]})"
    return Problem("the file", what, "fix it; nothing of it could be read")


def _require_bounds(tables: Mapping[str, Any], lines: LineIndex, source: str) -> None:
    found = Findings(lines)
    stack: list[tuple[Path, Any]] = [((), tables)]
    while stack:
        path, value = stack.pop()
        what = _out_of_bounds(path, value)
        if what is not None:
            found.add(path, *what)
            continue
        if isinstance(value, Mapping):
            for key, inner in value.items():
                bad = _bad_text(key)
                if bad is not None:
                    found.add((*path, key), *bad)
                else:
                    stack.append(((*path, key), inner))
        elif isinstance(value, list):
            stack.extend(((*path, index), inner) for index, inner in enumerate(value))
    problems = found.problems()
    if problems:
        raise PlanError(source, problems)


def _out_of_bounds(path: Path, value: Any) -> tuple[str, str] | None:
    if isinstance(value, bool) or value is None:
        return None
    if isinstance(value, str):
        return _bad_text(value)
    if isinstance(value, int):
        if abs(value) > LARGEST_WHOLE:
            return "the number is too large", "write a smaller one"
    elif isinstance(value, float):
        if not math.isfinite(value):
            return f"{value} is not a finite number", "write a finite number"
        if abs(value) > LARGEST_NUMBER:
            return f"{value:g} is too large", "write a smaller number"
    elif isinstance(value, date | time):
        if path[:1] != (_TIMES_OF,):
            return f"{value} is a date or time", 'write text in quotes, as in "text", or a number'
    elif isinstance(value, Mapping | list):
        if len(value) > LONGEST_LIST:
            return f"it has {len(value)} entries", f"give at most {LONGEST_LIST}"
        if len(path) > DEEPEST:
            return f"it lies more than {DEEPEST} deep", "take it out"
    return None


def _bad_text(text: str) -> tuple[str, str] | None:
    if len(text) > LONGEST_TEXT:
        return f"the text has {len(text)} characters", f"write at most {LONGEST_TEXT}"
    if "\0" in text or any("\ud800" <= sign <= "\udfff" for sign in text):
        return "the text holds a sign that no program takes (U+0000, or half of one)", "take it out"
    return None


def validated(
    model: type[M],
    data: Mapping[str, Any],
    found: Findings,
    *,
    at: Path = (),
    owner: Callable[[str], Path] | None = None,
    keys: Callable[[Path], set[str]] | None = None,
) -> M | None:
    """The data in its model, or None after complaints; nothing is converted but whole numbers to broken ones.

    Args:
        model: The model.
        data: JSON values, as :func:`parse_toml` and :func:`parse_json` give them.
        found: Takes the complaints.
        at: Where in the file the data lies.
        owner: Key -> where the table lies that it stands in, where not all stand in the same.
        keys: Path of a misspelled key -> keys that may stand there; default: the model's.
    """
    try:
        return model.model_validate_json(json.dumps(data, default=str), strict=True)
    except ValidationError as failure:
        for error in failure.errors(include_url=False):
            steps = trodden(error["loc"], data)
            known = keys(steps) if keys is not None else _keys_of(model, steps)
            what, remedy = explain(error, known)
            base = owner(str(steps[0]) if steps else "") if owner is not None else at
            found.add((*base, *steps), what, remedy)
    return None


def _keys_of(model: type[BaseModel], steps: Path) -> set[str]:
    inner = model_at(model, steps[:-1])
    return set(inner.model_fields) if inner is not None else set()


def read_model(model: type[M], data: Mapping[str, Any], source: str, text: str = "") -> M:
    """The data in its model, with lines where the TOML text is given. Raises PlanError with all problems."""
    found = Findings(LineIndex(text), whole="the file")
    valid = validated(model, data, found)
    if valid is None:
        raise PlanError(source, found.problems())
    return valid
