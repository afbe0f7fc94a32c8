"""Collects what is wrong with a plan, each thing once, in the order of the file."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, get_args

from pydantic import BaseModel

from harness.errors import Problem
from harness.plan.locate import LineIndex, Path, path_text


class Findings:
    """Problems found so far. The same complaint about the same place is kept once.

    Args:
        lines: Knows the line of each table and key.
        broken: Plugins that are installed and broken, a sentence each: what the plan lacks may be theirs.
    """

    def __init__(self, lines: LineIndex, broken: Sequence[str] = ()) -> None:
        self.broken = tuple(broken)
        self._lines = lines
        self._problems: dict[tuple[Path, str], Problem] = {}

    def add(self, path: Path, what: str, remedy: str) -> None:
        """Record a problem at a table or key."""
        line = self._lines.line_of(path)
        where = path_text(path) if line is None else f"{path_text(path)} (line {line})"
        self._problems.setdefault((path, what), Problem(where, what, remedy))

    def problems(self) -> tuple[Problem, ...]:
        """All of them, by line; those without a line first."""
        keys = sorted(self._problems, key=lambda key: (self._lines.line_of(key[0]) or 0, path_text(key[0])))
        return tuple(self._problems[key] for key in keys)


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
