"""Which cells of two plans are the same measurement under other names, and what else differs. Pure."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from harness.plan.cells import definition_of, expand
from harness.plan.schema import Plan

Place = tuple[str, str]
#: Parts of a cell's definition that its profile states; the rest is stated by title, conditions and sampling.
_OF_PROFILE: Final = ("control", "tuning")


@dataclass(frozen=True)
class Aliases:
    """How a later plan's names read in the first one.

    Attributes:
        places: Its title and setting -> those of the first plan, where only names differ.
        profiles: Its profile -> that of the first plan, likewise.
    """

    places: Mapping[Place, Place] = field(default_factory=dict)
    profiles: Mapping[str, str] = field(default_factory=dict)


def aliases(first: Plan, other: Plan) -> Aliases:
    """Titles with settings, and profiles, that are defined the same and called otherwise.

    A name that both plans have stays what it is; so does one whose definition fits several, and a title of
    which its plan states nothing but the name.
    """
    ours, theirs = _parts(first), _parts(other)
    return Aliases(_matched(ours[0], theirs[0]), _matched(ours[1], theirs[1]))


def differences(first: Plan, other: Plan, names: Aliases, cells: Iterable[str]) -> dict[str, list[str]]:
    """What differs, ``cooldown.timeout_s: 600 against 300`` -> the cells of the first plan where it does.

    Args:
        names: How the other plan's names read in the first one.
        cells: Cells of the first plan to look at.
    """
    theirs = {
        ".".join((*names.places.get(place, place), names.profiles.get(profile, profile))): found
        for (place, profile), found in _definitions(other).items()
    }
    ours = {".".join((*place, profile)): found for (place, profile), found in _definitions(first).items()}
    made: dict[str, list[str]] = {}
    for cell in cells:
        if cell in ours and cell in theirs:
            a, b = _flat(ours[cell]), _flat(theirs[cell])
            for key in dict.fromkeys([*a, *b]):
                if a.get(key) != b.get(key):
                    said = f"{key}: {_value(a.get(key))} against {_value(b.get(key))}"
                    made.setdefault(said, []).append(cell)
    return made


def _definitions(plan: Plan) -> dict[tuple[Place, str], dict[str, Any]]:
    return {
        ((cell.title.name, cell.setting.name), cell.profile.name): definition_of(plan, cell)
        for cell in expand(plan)
    }


def _parts(plan: Plan) -> tuple[dict[Any, str], dict[Any, str]]:
    """Title with setting, and profile -> what defines it, as text that can be compared."""
    places: dict[Any, str] = {}
    profiles: dict[Any, str] = {}
    for (place, profile), found in _definitions(plan).items():
        if found["options"]:
            places[place] = _canonical({k: v for k, v in found.items() if k not in _OF_PROFILE})
        profiles[profile] = _canonical({k: found.get(k) for k in _OF_PROFILE})
    return places, profiles


def _canonical(value: object) -> str:
    return json.dumps(value, sort_keys=True, default=str)


def _matched(ours: Mapping[Any, str], theirs: Mapping[Any, str]) -> dict[Any, Any]:
    free_ours = {name: text for name, text in ours.items() if name not in theirs}
    free_theirs = {name: text for name, text in theirs.items() if name not in ours}
    found = {}
    for name, text in free_theirs.items():
        fits = [other for other, its in free_ours.items() if its == text]
        if len(fits) == 1 and list(free_theirs.values()).count(text) == 1:
            found[name] = fits[0]
    return found


def _flat(value: Mapping[str, Any], before: str = "") -> dict[str, Any]:
    """Nested tables as ``table.key``; what only groups (``options``, ``tuning``) is left out of the name."""
    made: dict[str, Any] = {}
    for key, inner in value.items():
        name = before if key in ("options", "tuning") else f"{before}{key}"
        if isinstance(inner, Mapping):
            made |= _flat(inner, name if not name or name.endswith(".") else f"{name}.")
        else:
            made[name or key] = inner
    return made


def _value(value: Any) -> str:
    if value is None:
        return "not stated"
    if isinstance(value, list | dict):
        return json.dumps(value, ensure_ascii=False, default=str)
    return f"{value:g}" if isinstance(value, float) else str(value)
