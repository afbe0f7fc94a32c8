"""Which keys of a plan bear on what a cell measures. Pure.

Each model of plan keys, the core's and a plugin's alike, states it in two class variables, names separated by
spaces: ``BEARS`` for keys that change what is measured, ``APART`` for keys that do not (names, bounds of
waits and tries, the way back, how results are judged or shown); ``*`` stands for all of the model's keys that
the other one does not name. A change of the first measures a cell again, a change of the second keeps what
was measured. A key without a statement, as in models of plugins from elsewhere, bears.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal, get_args

from pydantic import BaseModel

Statement = Literal["bears", "apart"]
_STATEMENTS: tuple[Statement, ...] = ("apart", "bears")
_EVERY = "*"


def statement(model: type[BaseModel], key: str) -> Statement | None:
    """What the model says of its key; None where it says nothing."""
    names = {said: str(getattr(model, said.upper(), "")).split() for said in _STATEMENTS}
    named = [said for said in _STATEMENTS if key in names[said]]
    return next(iter(named or [said for said in _STATEMENTS if _EVERY in names[said]]), None)


def unstated(model: type[BaseModel], seen: set[type[BaseModel]] | None = None) -> list[str]:
    """``Model.key`` of every key, of the model and those inside it, of which nothing is stated."""
    seen = set() if seen is None else seen
    if model in seen:
        return []
    seen.add(model)
    found = []
    for name, field in model.model_fields.items():
        if field.exclude:
            continue
        said = statement(model, name)
        if said is None:
            found.append(f"{model.__name__}.{name}")
        if said != "apart":
            for inner, _ in _models_in(field.annotation):
                found += unstated(inner, seen)
    return found


def apart_paths(model: type[BaseModel]) -> tuple[tuple[str, ...], ...]:
    """Paths of the keys that do not bear, as they stand in a dump by alias; ``*`` for any item of a list or
    table."""
    found: list[tuple[str, ...]] = []
    for name, field in model.model_fields.items():
        key = field.alias or name
        if statement(model, name) == "apart":
            found.append((key,))
            continue
        inside = [
            {(key, *way, *path) for path in apart_paths(inner)} for inner, way in _models_in(field.annotation)
        ]
        found += sorted(set.intersection(*inside)) if inside else []  # of several models: what all say
    return tuple(found)


def without(values: Any, paths: tuple[tuple[str, ...], ...]) -> Any:
    """JSON values without what lies at these paths."""
    if not paths:
        return values
    if isinstance(values, Mapping):
        kept = {}
        for key, value in values.items():
            below = tuple(path[1:] for path in paths if path[0] in (key, _EVERY))
            if () not in below:
                kept[key] = without(value, below)
        return kept
    if isinstance(values, list | tuple):
        return [
            without(value, tuple(p[1:] for p in paths if p[0] == _EVERY and len(p) > 1)) for value in values
        ]
    return values


def bearing(model: BaseModel) -> dict[str, Any]:
    """What of a valid table bears, as JSON values; values at their default are left out, so that a later
    version with a new key keeps old hashes."""
    dumped = model.model_dump(mode="json", by_alias=True, exclude_defaults=True)
    return dict(without(dumped, apart_paths(type(model))))


def same_meaning(
    before: Mapping[str, Any],
    after: Mapping[str, Any],
    *,
    stated: Mapping[str, Any],
    apart: tuple[tuple[str, ...], ...],
) -> bool:
    """Whether two whole tables, defaults filled in, mean the same measurement.

    Args:
        before: The table as an earlier version filled it in.
        after: The same as filled in now.
        stated: What of ``after`` bears and is not at its default.
        apart: Paths that do not bear.
    """
    old, new = without(before, apart), without(after, apart)
    if any(old[key] != new[key] for key in old.keys() & new.keys()):
        return False
    return not (new.keys() - old.keys()) & stated.keys() and not any(
        old[key] is not None for key in old.keys() - new.keys()
    )


def _models_in(annotation: Any, way: tuple[str, ...] = ()) -> list[tuple[type[BaseModel], tuple[str, ...]]]:
    """Models inside a type, each with the way to it: ``*`` for an item of a list or table."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [(annotation, way)]
    origin = getattr(annotation, "__origin__", None)
    step = (*way, _EVERY) if origin in (list, tuple, dict) else way
    return [found for part in get_args(annotation) for found in _models_in(part, step)]
