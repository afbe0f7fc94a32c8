"""Collects what is wrong with a plan, each thing once, in the order of the file."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, get_args

from pydantic import BaseModel

from harness.errors import Problem
from harness.plan.locate import LineIndex, Path, path_text

#: Longest part of a complaint, characters: what a person wrote may be of any length.
_LONGEST = 600


class Findings:
    """Problems found so far. The same complaint about the same place is kept once.

    Args:
        lines: Knows the line of each table and key.
        whole: What to call the whole file.
        broken: Plugins that are installed and broken, a sentence each: what the plan lacks may be theirs.
    """

    def __init__(self, lines: LineIndex, broken: Sequence[str] = (), whole: str = "the plan") -> None:
        self._whole = whole
        self.broken = tuple(broken)
        self._lines = lines
        self._problems: dict[tuple[Path, str], Problem] = {}

    def add(self, path: Path, what: str, remedy: str) -> None:
        """Record a problem at a table or key."""
        line = self._lines.line_of(path)
        place = _short(path_text(path)) if path else self._whole
        where = place if line is None else f"{place} (line {line})"
        self._problems.setdefault((path, what), Problem(where, _short(what), _short(remedy)))

    def problems(self) -> tuple[Problem, ...]:
        """All of them, by line; those without a line first."""
        keys = sorted(self._problems, key=lambda key: (self._lines.line_of(key[0]) or 0, path_text(key[0])))
        return tuple(self._problems[key] for key in keys)


def _short(text: str) -> str:
    return text if len(text) <= _LONGEST else f"{text[: _LONGEST - 1]}…"


def model_at(model: type[BaseModel], path: Sequence[str | int]) -> type[BaseModel] | None:
    """The pydantic model that validates the table at a path below ``model``; None for no such table."""
    for step in path:
        if isinstance(step, int):
            continue
        field = model.model_fields.get(step)
        inner = _model_in(field.annotation) if field is not None else None
        if inner is None:
            return None
        model = inner
    return model


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for part in get_args(annotation):
        found = _model_in(part)
        if found is not None:
            return found
    return None
