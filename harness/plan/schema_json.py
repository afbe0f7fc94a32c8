"""JSON Schema (2020-12) of plan files with the installed plugins' keys, for completion in an editor."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from harness.plan.kinds import Kinds
from harness.plan.options import NO_CONTROL
from harness.plan.schema import Plan

#: Open tables: definition -> (role of the plugin, key that names it, its default).
_OPEN = {
    "SensorSpec": ("sensor", "kind", None),
    "ProfileSpec": ("control", "control", NO_CONTROL),
    "FrameLogSpec": ("reader", "reader", "columns"),
}


def plan_schema(kinds: Kinds) -> dict[str, Any]:
    """Schema of a plan file.

    In an open table the word that names the plugin (``workload = "command"``) decides which further keys
    there are. A workload's keys are never required there, since a title's settings may give them instead.
    """
    schema = Plan.model_json_schema()
    definitions: dict[str, Any] = schema["$defs"]
    for name, (role, key, default) in _OPEN.items():
        _open_up(definitions, name, role, key, default, kinds)
    _open_up(definitions, "TitleSpec", "workload", "workload", None, kinds, partial=True)
    _open_settings(definitions, kinds)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **schema,
        "title": "levelrig plan",
    }


def _open_up(
    definitions: dict[str, Any],
    name: str,
    role: str,
    key: str,
    default: str | None,
    kinds: Kinds,
    *,
    partial: bool = False,
) -> None:
    """Let the plugin that ``key`` names decide which further keys the table has."""
    table = definitions[name]
    _drop_internal(table)
    table.pop("additionalProperties", None)
    table["unevaluatedProperties"] = False
    of_role = {kind_name: kind for (kind_role, kind_name), kind in kinds.items() if kind_role == role}
    names = sorted(of_role.keys() | ({NO_CONTROL} if role == "control" else set()))
    table["properties"][key] |= {"enum": names}
    branches = []
    for kind_name in sorted(of_role):
        chosen: dict[str, Any] = {"properties": {key: {"const": kind_name}}}
        if kind_name != default:
            chosen["required"] = [key]
        branch = _option_schema(definitions, role, kind_name, kinds)
        branches.append(
            {"if": chosen, "then": {k: v for k, v in branch.items() if not partial or k != "required"}}
        )
    if branches:
        table["allOf"] = branches


def _drop_internal(table: dict[str, Any]) -> None:
    """Fields that no plan file has: they carry a plugin's keys through the program."""
    for name in ("options", "stated", "apart"):
        del table["properties"][name]


def _open_settings(definitions: dict[str, Any], kinds: Kinds) -> None:
    """A setting takes the keys of any workload: which one it is stands a level above."""
    setting = definitions["SettingSpec"]
    _drop_internal(setting)
    if any(role == "workload" for role, _ in kinds):
        branches = [
            {"properties": _option_schema(definitions, role, name, kinds)["properties"]}
            for role, name in sorted(kinds)
            if role == "workload"
        ]
        setting.pop("additionalProperties", None)
        setting["unevaluatedProperties"] = False
        setting["anyOf"] = branches


def _option_schema(definitions: dict[str, Any], role: str, name: str, kinds: Kinds) -> Mapping[str, Any]:
    """Properties and required keys of a plugin's model; its own definitions move under a prefix."""
    model = kinds[role, name].options
    if model is None:
        return {"properties": {}}
    prefix = f"{role}.{name}."
    schema = model.model_json_schema(ref_template=f"#/$defs/{prefix}{{model}}")
    for inner, definition in schema.get("$defs", {}).items():
        definitions[prefix + inner] = definition
    return {key: schema[key] for key in ("properties", "required") if key in schema}
