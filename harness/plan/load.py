"""Reads a plan file: every problem at once, each with its place and the nearest remedy."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from harness import userfiles
from harness.errors import PlanError, Problem, UserFileError
from harness.plan.complaints import explain, trodden
from harness.plan.documents import parse_toml
from harness.plan.earlier_keys import earlier_path, notes, with_present_keys
from harness.plan.findings import Findings, model_at
from harness.plan.kinds import Kinds, KindSource
from harness.plan.locate import LineIndex, path_text
from harness.plan.options import fill_options
from harness.plan.parts import OpenPart
from harness.plan.rules import check_rules
from harness.plan.schema import Plan


def load_plan(path: Path, host: KindSource, *, base: Path | None = None) -> Plan:
    """Read and validate a plan file with the installed plugins.

    Args:
        path: The file.
        host: Knows the installed plugins.
        base: Folder where its relative paths are looked for first; None: the file's own.
    Raises:
        PlanError: With all problems.
    """
    try:
        text = userfiles.read_text(path, "plan")
    except UserFileError as error:
        raise PlanError(str(path), [Problem("the file", error.what, error.remedy)]) from error
    broken = [str(plugin) for plugin in host.broken]
    return parse_plan(text, str(path), host.kinds, broken, base=(base or path.parent).absolute())


def older_spellings(path: Path) -> list[str]:
    """A sentence for each key of a valid plan that has another name or place by now."""
    return notes(parse_toml(userfiles.read_text(path, "plan"), str(path)))


def parse_plan(
    text: str, source: str, kinds: Kinds, broken: Sequence[str] = (), *, base: Path | None = None
) -> Plan:
    """Validate a plan's text.

    Args:
        text: The TOML text.
        source: What to call it in messages.
        kinds: (role, name) -> kind, as the plugins bring them.
        broken: Plugins that are installed and broken, a sentence each.
        base: Folder where its relative paths are looked for first; None: none.
    Returns:
        The plan. Every ``options`` is a plain dict of JSON values that has passed its plugin's model, with
        the model's defaults filled in; a setting's ``options`` include its title's.
    Raises:
        PlanError: With all problems found, by line.
    """
    raw = parse_toml(text, source)
    found = Findings(LineIndex(text), broken)
    filled = with_present_keys(fill_options(raw, kinds, found))
    for key in ("sensors", "profiles", "titles"):
        tables = filled.get(key)
        for table in tables if isinstance(tables, list) else ():
            if isinstance(table, dict):
                table["base"] = base
    plan: Plan | None = None
    try:
        plan = Plan.model_validate(filled, strict=True)
    except ValidationError as failure:
        for error in failure.errors(include_url=False):
            path = trodden(error["loc"], filled)
            written = earlier_path(path, raw)
            what, remedy = explain(error, _keys_at(path))
            if error["type"] == "extra_forbidden" and not _is_plural_here(str(path[-1]), path):
                remedy = _home_of(str(path[-1])) or remedy
                if path[:-1] == ("conditions",):
                    bringers = (f"or fix what may bring it: {plugin}" for plugin in broken)
                    remedy = "; ".join((remedy, "or install the plugin that brings this stage", *bringers))
            found.add(written, what, remedy)
    check_rules(filled, kinds, found)
    problems = found.problems()
    if problems or plan is None:
        raise PlanError(source, problems)
    return plan


def _keys_at(path: tuple[str | int, ...]) -> set[str]:
    model = model_at(Plan, path[:-1])
    fields = model.model_fields if model else {}
    return {name for name, field in fields.items() if not field.exclude} - {"options"}


def _is_plural_here(key: str, path: tuple[str | int, ...]) -> bool:
    """A table that is written often, named as one: ``[[title]]``."""
    return f"{key}s" in _keys_at(path)


def _home_of(key: str) -> str | None:
    """Where a key that stands in the wrong table belongs, if the plan knows it elsewhere."""
    homes: list[str] = []
    stack: list[tuple[tuple[str, ...], Any]] = [((), Plan)]
    while stack:
        path, model = stack.pop()
        for name in model.model_fields:
            if name == key and path:
                listed = path[0] in {"profiles", "titles", "sensors"}
                homes.append(f"[[{path_text(path)}]]" if listed else f"[{path_text(path)}]")
            inner = model_at(model, (name,))
            if inner is not None and not (path and issubclass(inner, OpenPart)):
                stack.append(((*path, name), inner))
    return f"it belongs in {' or '.join(sorted(homes))}" if homes else None
