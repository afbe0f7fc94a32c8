"""Rules of a title's companions that no single key can break: who writes the log, what stands in braces."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from harness.plan.complaints import nearest, shown
from harness.plan.findings import Findings
from harness.plan.locate import Path
from harness.plan.placeholders import BUILT_IN, PROCESS_ID, names_in


def check_companions(title: Mapping[str, Any], path: Path, found: Findings) -> None:
    """Check a title's raw table; complaints go to ``found``. What is broken as such is passed over."""
    companions = [entry for entry in _list(title.get("companions")) if isinstance(entry, dict)]
    settings = [(index, s) for index, s in enumerate(_list(title.get("settings"))) if isinstance(s, dict)]
    names = [entry["name"] for entry in companions if isinstance(entry.get("name"), str)]
    for place, table in ((path, title), *(((*path, "settings", i), setting) for i, setting in settings)):
        log = table.get("frame_log")
        writer = log.get("companion") if isinstance(log, dict) else None
        if isinstance(writer, str) and writer not in names:
            what = f"the title has no companion {shown(writer)}"
            remedy = nearest(writer, names) if names else "add it under [[titles.companions]]"
            found.add((*place, "frame_log", "companion"), what, remedy)
        for name in _names_in_path(log):
            if name not in {*BUILT_IN, *_values(title), *_values(table)}:
                remedy = nearest(name, {*BUILT_IN, *_values(table)})
                found.add((*place, "frame_log", "path"), f"nothing fills the placeholder {{{name}}}", remedy)
    values = [_values(setting) or _values(title) for _, setting in settings] or [_values(title)]
    for index, companion in enumerate(companions):
        here: Path = (*path, "companions", index)
        known = {*BUILT_IN, *set.intersection(*(set(names) for names in values))}
        early = companion.get("starts", "before") == "before"
        for key, text in _texts(companion):
            for name in names_in(text):
                if name == PROCESS_ID and early and key != "end_command":
                    found.add(
                        (*here, key),
                        "there is no {process_id} before the title was started",
                        'set starts = "with" or "when-ready"',
                    )
                elif name not in known and name != PROCESS_ID:
                    remedy = nearest(name, {*known, PROCESS_ID})
                    found.add((*here, key), f"nothing fills the placeholder {{{name}}}", remedy)


def _names_in_path(log: Any) -> list[str]:
    path = log.get("path") if isinstance(log, dict) else None
    return names_in(path) if isinstance(path, str) else []


def _list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []


def _values(table: Mapping[str, Any]) -> Mapping[str, Any]:
    options = table.get("options")
    values = (options if isinstance(options, dict) else table).get("values")
    return values if isinstance(values, dict) else {}


def _texts(companion: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Every text in which something may stand in braces, with its key."""
    for key in ("command", "end_command"):
        yield from ((key, word) for word in _list(companion.get(key)) if isinstance(word, str))
    environment = companion.get("environment")
    for text in environment.values() if isinstance(environment, dict) else ():
        if isinstance(text, str):
            yield "environment", text
    for key in ("working_folder", "file"):
        if isinstance(companion.get(key), str):
            yield key, companion[key]
