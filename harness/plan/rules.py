"""Rules of a plan that no single key can break: names, references, contradictions, permissions."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any, TypeGuard, TypeVar

from pydantic import BaseModel, ValidationError

from harness.metrics import METRICS
from harness.patterns import Pattern
from harness.plan.backslashes import check_paths
from harness.plan.companion_rules import check_companions
from harness.plan.complaints import nearest, shown
from harness.plan.findings import Findings
from harness.plan.kinds import Kinds
from harness.plan.locate import Path
from harness.plan.schema import Conditions, shared_rule
from harness.plan.steps_rules import check_steps
from harness.plan.vocabulary import CHARTS, CHARTS_OF_TITLES, DEVICE_NAMES
from harness.stages import STAGES, AnyStage
from harness.tables import QUANTITIES

M = TypeVar("M", bound=BaseModel)

#: What the order of a night and the tables of its report are made for.
MOST_REPEATS = 20_000

TEMPERATURES = tuple(name for name in QUANTITIES if name.endswith("_temp_c") and name != "ambient_temp_c")


def check_rules(raw: Mapping[str, Any], kinds: Kinds, found: Findings) -> None:
    """Check a plan's raw tables; complaints go to ``found``. Tables broken as such are passed over."""
    _check_names(raw, found)
    _check_size(raw, found)
    _check_words(raw, found)
    _check_reference(raw, found)
    _check_permission(raw, kinds, found)
    _check_sensors(raw, kinds, found)
    _check_sentinels(raw, found)
    _check_conditions(raw, found)
    check_paths(raw, found)
    for index, title in enumerate(_list(raw.get("titles"))):
        _check_title(title, ("titles", index), raw, found)


def _list(value: Any) -> list[dict[str, Any]]:
    return [entry if isinstance(entry, dict) else {} for entry in value] if isinstance(value, list) else []


def _table(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _valid(model: type[M], data: Any) -> M | None:
    try:
        return model.model_validate(data, strict=True)
    except ValidationError:
        return None


def _check_names(raw: Mapping[str, Any], found: Findings) -> None:
    lists: list[tuple[Path, str, list[dict[str, Any]]]] = [
        (("profiles",), "profile", _list(raw.get("profiles"))),
        (("titles",), "title", _list(raw.get("titles"))),
    ]
    for index, title in enumerate(_list(raw.get("titles"))):
        lists += [
            (("titles", index, f"{noun}s"), noun, _list(title.get(f"{noun}s")))
            for noun in ("setting", "companion")
        ]
    for path, noun, entries in lists:
        counts = Counter(str(entry["name"]) for entry in entries if "name" in entry)
        seen: set[str] = set()
        for index, entry in enumerate(entries):
            name = str(entry.get("name"))
            if counts[name] > 1 and name in seen:
                found.add((*path, index, "name"), f"a second {noun} named {name!r}", "give it another name")
            seen.add(name)
            if name in DEVICE_NAMES:
                what = f"{name!r} can't be a name: files are called by it, which Windows does not allow"
                found.add((*path, index, "name"), what, f"write {name}-1, or another name")


def _check_size(raw: Mapping[str, Any], found: Findings) -> None:
    repeats = _table(raw.get("plan")).get("repeats")
    if isinstance(repeats, dict):
        repeats = repeats.get("at_most")
    if not isinstance(repeats, int):
        return
    settings = sum(len(_list(title.get("settings"))) or 1 for title in _list(raw.get("titles")))
    blank = isinstance(_table(raw.get("plan")).get("blank"), str)
    wanted = settings * (len(_list(raw.get("profiles"))) + blank) * repeats
    if wanted > MOST_REPEATS:
        what = f"it asks for {wanted} repeats in all, more than the {MOST_REPEATS} that a campaign holds"
        found.add(("plan", "repeats"), what, "lower it, or make several plans")


def _check_words(raw: Mapping[str, Any], found: Findings) -> None:
    """Names of quantities, metrics and charts."""
    for name in _table(raw.get("instruments")):
        if name not in QUANTITIES:
            found.add(("instruments", name), f"no quantity is named {name!r}", nearest(name, QUANTITIES))
    repeats = _table(_table(raw.get("plan")).get("repeats"))
    decide_on = repeats.get("decide_on")
    for index, name in enumerate(decide_on if isinstance(decide_on, list) else []):
        if isinstance(name, str) and name not in METRICS.compared_as:
            place = ("plan", "repeats", "decide_on", index)
            found.add(place, f"no metric is named {shown(name)}", nearest(name, METRICS.compared_as))
    primary = _table(raw.get("plan")).get("primary_metrics")
    for index, name in enumerate(primary if isinstance(primary, list) else []):
        if isinstance(name, str) and name not in METRICS.compared_as:
            found.add(
                ("plan", "primary_metrics", index),
                f"no metric is named {shown(name)}",
                nearest(name, METRICS.compared_as),
            )
    charts = {*CHARTS, *CHARTS_OF_TITLES}
    for title in _list(raw.get("titles")):
        for setting in _list(title.get("settings")) or [{"name": "default"}]:
            stem = f"{title.get('name')}-{setting.get('name')}"
            charts |= {f"{chart}-{stem}" for chart in CHARTS_OF_TITLES}
    for name in _table(_table(raw.get("report")).get("captions")):
        if name not in charts:
            found.add(("report", "captions", name), f"no chart is named {name!r}", nearest(name, charts))


def _check_reference(raw: Mapping[str, Any], found: Findings) -> None:
    reference = _table(raw.get("plan")).get("reference")
    names = [str(profile.get("name")) for profile in _list(raw.get("profiles"))]
    if isinstance(reference, str) and names and reference not in names:
        found.add(("plan", "reference"), f"no profile is named {reference!r}", nearest(reference, names))
    if (blank := _table(raw.get("plan")).get("blank")) in names:
        what = f"a profile is named {blank!r} already"
        found.add(("plan", "blank"), what, "give the blank a name of its own; it needs no [[profiles]] entry")


def _check_permission(raw: Mapping[str, Any], kinds: Kinds, found: Findings) -> None:
    if _table(raw.get("plan")).get("allow_hardware_changes") is True:
        return
    for index, profile in enumerate(_list(raw.get("profiles"))):
        kind = kinds.get(("control", str(profile.get("control"))))
        if kind is not None and kind.changes_hardware:
            found.add(
                ("profiles", index, "control"),
                f"control {kind.name!r} changes the hardware, which this plan does not allow",
                "read the cautions in the README, then set allow_hardware_changes = true in [plan]",
            )


def _check_sensors(raw: Mapping[str, Any], kinds: Kinds, found: Findings) -> None:
    known = [name for role, name in kinds if role == "sensor"]
    wanted = _table(raw.get("sampling")).get("sensors")
    for index, name in enumerate(wanted if isinstance(wanted, list) else []):
        if isinstance(name, str) and name not in known:
            remedy = nearest(name, known) if known else "install a plugin that brings this sensor"
            found.add(("sampling", "sensors", index), f"no sensor {shown(name)} is installed", remedy)


def _check_sentinels(raw: Mapping[str, Any], found: Findings) -> None:
    rule, titles = _table(raw.get("sentinels")), _list(raw.get("titles"))
    names = [str(title.get("name")) for title in titles]
    wanted = rule.get("title", names[0] if names else None)
    if not isinstance(wanted, str):
        return
    if wanted not in names:
        found.add(("sentinels", "title"), f"no title is named {wanted!r}", nearest(wanted, names))
        return
    setting = rule.get("setting")
    settings = [str(entry.get("name")) for entry in _list(titles[names.index(wanted)].get("settings"))]
    if isinstance(setting, str) and setting not in settings:
        found.add(
            ("sentinels", "setting"),
            f"title {wanted!r} has no setting {setting!r}",
            nearest(setting, settings),
        )


def _check_conditions(raw: Mapping[str, Any], found: Findings) -> None:
    table = _table(raw.get("conditions"))
    quantity = table.get("temperature")
    if isinstance(quantity, str) and quantity not in TEMPERATURES:
        remedy = nearest(quantity, TEMPERATURES)
        found.add(
            ("conditions", "temperature"), f"{shown(quantity)} is no temperature that a rig has", remedy
        )
    for stage in STAGES:
        _check_stage(stage, table, ("conditions",), raw, found)


def _check_stage(
    stage: AnyStage, table: dict[str, Any], path: Path, raw: Mapping[str, Any], found: Findings
) -> None:
    """What the stage itself has to say of its rule in that table."""
    rule = _valid(stage.rule, table[stage.key]) if stage.key in table else None
    if rule is None:
        return
    here: Path = (*path, stage.key)
    for complaint in stage.complaints(rule, _table(raw.get("limits"))):
        place = here if complaint.key is None else (*here, complaint.key)
        found.add(place, complaint.what, complaint.remedy)


def _check_patterns(table: dict[str, Any], path: Path, found: Findings) -> None:
    patterns = table.get("expect_lines")
    for index, text in enumerate(patterns if isinstance(patterns, list) else []):
        try:
            Pattern(str(text))
        except ValueError as error:
            what, _, remedy = str(error).rpartition("; ")
            found.add((*path, "expect_lines", index), what, remedy)


def _check_title(title: dict[str, Any], path: Path, raw: Mapping[str, Any], found: Findings) -> None:
    shared = _valid(Conditions, _table(raw.get("conditions"))) or Conditions()
    in_title = STAGES.at("in-title")
    _check_patterns(title, path, found)
    check_companions(title, path, found)
    check_steps(title, path, found)
    for stage in in_title:
        _check_stage(stage, title, path, raw, found)
    for index, setting in enumerate(_list(title.get("settings"))):
        here: Path = (*path, "settings", index)
        _check_patterns(setting, here, found)
        for stage in in_title:
            _check_stage(stage, setting, here, raw, found)
        both = {**title, **setting}
        measure_s, deadline_s = both.get("measure_s"), both.get("deadline_s", 1800)
        if not (_is_number(measure_s) and _is_number(deadline_s)):
            continue
        waits = {}
        for stage in in_title:
            rule = _valid(stage.rule, both[stage.key]) if stage.key in both else shared_rule(stage, shared)
            if rule is not None:
                waits[stage.word] = stage.forecast(rule, lambda seconds, _: seconds).shortest_s
        least_s = sum(waits.values()) + measure_s
        if least_s >= deadline_s:
            owner = here if {"measure_s", "deadline_s", *(s.key for s in in_title)} & set(setting) else path
            key = "deadline_s" if "deadline_s" in both else "measure_s"
            parts = [f"{word} ({wait_s:g} s)" for word, wait_s in waits.items() if wait_s]
            over = f"{', '.join(parts)} and window ({measure_s:g} s) are over"
            found.add(
                (*owner, key),
                f"deadline_s = {deadline_s:g} ends the title before "
                f"{over if parts else f'its window ({measure_s:g} s) is over'}",
                f"set deadline_s well above {least_s:g}",
            )


def _is_number(value: Any) -> TypeGuard[int | float]:
    return isinstance(value, int | float) and not isinstance(value, bool)
