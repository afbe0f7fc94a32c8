"""Validates the plan keys that belong to plugins, each by the model that its plugin brings.

Works on the raw tables of a plan file, so that these complaints come together with the core's own, and
returns the tables with every plugin's keys collected under ``options``, defaults filled in.
"""

from __future__ import annotations

import copy
from collections.abc import Iterable, Mapping
from typing import Any

from pydantic import BaseModel

from harness.plan.bearing import apart_paths, bearing
from harness.plan.captured import check_frames, with_frame_log
from harness.plan.complaints import nearest, shown
from harness.plan.documents import validated
from harness.plan.findings import Findings, model_at
from harness.plan.kinds import Kind, Kinds
from harness.plan.locate import Path
from harness.plan.parts import OpenPart
from harness.plan.schema import FrameLogSpec, ProfileSpec, SensorSpec, SettingSpec, TitleSpec

#: The control that every installation has, even without plugins: nothing is changed.
NO_CONTROL = "factory"


def fill_options(raw: Mapping[str, Any], kinds: Kinds, found: Findings) -> dict[str, Any]:
    """Check every plugin key of a plan; complaints go to ``found``.

    Returns:
        A copy of the tables in which each open table carries ``options``. A setting's ``options`` hold all
        that its title's workload gets: the title's, with the setting's own laid over.
    """
    filled = copy.deepcopy(dict(raw))
    for index, sensor in _tables(filled, "sensors"):
        _fill_one(sensor, SensorSpec, "sensor", sensor.get("kind"), ("sensors", index), kinds, found)
    for index, profile in _tables(filled, "profiles"):
        control = profile.get("control", NO_CONTROL)
        _fill_one(profile, ProfileSpec, "control", control, ("profiles", index), kinds, found)
    for index, title in _tables(filled, "titles"):
        _fill_title(title, ("titles", index), kinds, found)
    return filled


def _tables(within: Mapping[str, Any], key: str) -> Iterable[tuple[int, dict[str, Any]]]:
    entries = within.get(key)
    if not isinstance(entries, list):
        return []
    return [(index, entry) for index, entry in enumerate(entries) if isinstance(entry, dict)]


def _take_options(
    table: dict[str, Any], model: type[OpenPart], path: Path, found: Findings
) -> dict[str, Any]:
    """Move the keys that the core does not know into ``table["options"]`` and return them."""
    core = _core_keys(model)
    if "options" in table:
        found.add((*path, "options"), "unknown key 'options'", "write its keys straight into this table")
        del table["options"]
    options = {key: table.pop(key) for key in list(table) if key not in core}
    table["options"] = options
    return options


def _find_kind(role: str, name: Any, key: str, path: Path, kinds: Kinds, found: Findings) -> Kind | None:
    if not isinstance(name, str):
        return None  # missing or of the wrong type: the core complains
    kind = kinds.get((role, name))
    if kind is not None or (role, name) == ("control", NO_CONTROL):
        return kind or Kind("control", NO_CONTROL, "changes nothing")
    names = [known for known_role, known in kinds if known_role == role]
    if role == "control":
        names.append(NO_CONTROL)
    remedy = nearest(name, names) if names else f"install a plugin that brings this {role}"
    found.add(
        (*path, key),
        f"no {role} {shown(name)} is installed",
        "; ".join((remedy, *(f"or fix what may bring it: {plugin}" for plugin in found.broken))),
    )
    return None


def _core_keys(model: type[BaseModel]) -> set[str]:
    return {name for name, field in model.model_fields.items() if not field.exclude} - {"options"}


def _option_keys(kind: Kind) -> set[str]:
    if kind.options is None:
        return set()
    return {field.alias or name for name, field in kind.options.model_fields.items()}


def _fill_one(
    table: dict[str, Any],
    model: type[OpenPart],
    role: str,
    name: Any,
    path: Path,
    kinds: Kinds,
    found: Findings,
) -> None:
    options = _take_options(table, model, path, found)
    key = {"sensor": "kind", "control": "control", "reader": "reader"}[role]
    kind = _find_kind(role, name, key, path, kinds, found)
    if kind is not None:
        _state(table, _validate(kind, options, lambda _: path, _core_keys(model), found))


def _fill_title(title: dict[str, Any], path: Path, kinds: Kinds, found: Findings) -> None:
    shared = _take_options(title, TitleSpec, path, found)
    kind = _find_kind("workload", title.get("workload"), "workload", path, kinds, found)
    _fill_frame_log(title, path, kinds, found)
    if "settings" not in title:
        title["settings"] = [{"name": "default"}]
    for index, setting in _tables(title, "settings"):
        here = (*path, "settings", index)
        own = _take_options(setting, SettingSpec, here, found)
        _fill_frame_log(setting, here, kinds, found)
        if kind is None:
            continue
        if kind.setting_options is not None:
            for key in sorted(set(own) & _option_keys(kind) - kind.setting_options):
                found.add((*here, key), f"a setting can't change {key!r}", "state it in the title itself")

        def owner(key: str, own: dict[str, Any] = own, here: Path = here) -> Path:
            return here if key in own else path

        allowed = _core_keys(SettingSpec) | _core_keys(TitleSpec)
        _state(setting, _validate(kind, {**shared, **own}, owner, allowed, found))


def _fill_frame_log(table: dict[str, Any], path: Path, kinds: Kinds, found: Findings) -> None:
    check_frames(table, path, found)
    table.update(with_frame_log(table))
    log = table.get("frame_log")
    if isinstance(log, dict):
        default = FrameLogSpec.model_fields["reader"].default
        name = log.get("reader", default)
        _fill_one(log, FrameLogSpec, "reader", name, (*path, "frame_log"), kinds, found)


def _state(table: dict[str, Any], valid: BaseModel | None) -> None:
    """Put a plugin's valid options into its table, with what of them bears on a measurement."""
    if valid is not None:
        table["options"] = valid.model_dump(mode="json", by_alias=True)
        table["stated"] = bearing(valid)
        table["apart"] = apart_paths(type(valid))


class _NoOptions(BaseModel):
    """A kind without keys of its own."""


def _validate(
    kind: Kind, options: dict[str, Any], owner: Any, core_keys: set[str], found: Findings
) -> BaseModel | None:
    """The options as the plugin's model, or None after complaints."""
    if kind.options is None:
        for key in options:
            what = f"unknown key {key!r} ({kind.role} {kind.name!r} takes none of its own)"
            found.add((*owner(key), key), what, nearest(key, core_keys))
        return None if options else _NoOptions()

    def keys(steps: Path) -> set[str]:
        return _option_keys(kind) | core_keys if len(steps) <= 1 else _nested_keys(kind, steps)

    return validated(kind.options, options, found, owner=owner, keys=keys)


def _nested_keys(kind: Kind, steps: Path) -> set[str]:
    """Keys of the table inside an option in which that key stands."""
    model = model_at(kind.options, steps[:-1]) if kind.options else None
    return set(model.model_fields) if model else set()
