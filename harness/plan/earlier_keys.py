"""Plan keys that had another name or place in earlier versions: read, and reported as older. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

Place = tuple[str, str]

#: (table, key) of earlier versions -> (table, key) now.
EARLIER: Final[Mapping[Place, Place]] = {
    ("checks", "second_looks_at_most"): ("checks", "remeasurements_at_most"),
    ("plan", "slow_below_fps"): ("smoothness", "time_under_fps"),
    ("plan", "stutter_multiple"): ("smoothness", "stutter_against_neighbours"),
    ("retries", "set_aside_after_rig_losses"): ("retries", "set_aside_after_machine_crashes"),
}


def used(tables: Mapping[str, Any]) -> dict[Place, Place]:
    """Earlier keys that a plan's tables use -> their present ones; one that stands beside its present one is
    left out, so that it is refused as unknown."""
    return {
        before: now for before, now in EARLIER.items() if _holds(tables, before) and not _holds(tables, now)
    }


def _holds(tables: Mapping[str, Any], place: Place) -> bool:
    table = tables.get(place[0])
    return isinstance(table, Mapping) and place[1] in table


def with_present_keys(tables: Mapping[str, Any]) -> dict[str, Any]:
    """The same tables by present keys; what can't be moved stays, for the plan's models to refuse."""
    moved = dict(tables)
    for before, now in used(tables).items():
        if not isinstance(moved.get(now[0], {}), Mapping):
            continue
        value = moved[before[0]][before[1]]
        moved[before[0]] = {key: other for key, other in moved[before[0]].items() if key != before[1]}
        moved[now[0]] = {**moved.get(now[0], {}), now[1]: value}
    return moved


def earlier_path(path: tuple[str | int, ...], tables: Mapping[str, Any]) -> tuple[str | int, ...]:
    """Where a person wrote what stands at ``path`` by present keys."""
    written = {now: before for before, now in used(tables).items()}
    return (*written.get((str(path[0]), str(path[1])), path[:2]), *path[2:]) if len(path) > 1 else path


def notes(tables: Mapping[str, Any]) -> list[str]:
    """A sentence for each earlier key in use."""
    return [
        f"{'.'.join(before)} is an older spelling: write {'.'.join(now)}; both mean the same"
        for before, now in used(tables).items()
    ]
