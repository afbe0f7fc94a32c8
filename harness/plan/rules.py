"""Rules of a plan that no single key can break: names, references, contradictions, permissions."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any, TypeVar

from pydantic import ValidationError

from harness.metrics import METRICS
from harness.patterns import Pattern
from harness.plan.complaints import nearest, shown
from harness.plan.findings import Findings
from harness.plan.locate import Path
from harness.plan.options import Kinds
from harness.plan.schema import Conditions, Cooldown, Part, Soak, WarmUp
from harness.plan.vocabulary import CHARTS, CHARTS_OF_TITLES, DEVICE_NAMES
from harness.tables import QUANTITIES

P = TypeVar("P", bound=Part)

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
    for index, title in enumerate(_list(raw.get("titles"))):
        _check_title(title, ("titles", index), _table(raw.get("conditions")), found)


def _list(value: Any) -> list[dict[str, Any]]:
    return [entry if isinstance(entry, dict) else {} for entry in value] if isinstance(value, list) else []


def _table(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _valid(model: type[P], data: Any) -> P | None:
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
        lists.append((("titles", index, "settings"), "setting", _list(title.get("settings"))))
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
    wanted = settings * len(_list(raw.get("profiles"))) * repeats
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
    path: Path = ("conditions",)
    if "cooldown" in table:
        _check_cooldown(_valid(Cooldown, table["cooldown"]), (*path, "cooldown"), raw, found)
    if "warm_up" in table:
        _check_warm_up(_valid(WarmUp, table["warm_up"]), (*path, "warm_up"), found)
    if "soak" in table:
        _check_soak(_valid(Soak, table["soak"]), (*path, "soak"), found)


def _check_cooldown(rule: Cooldown | None, path: Path, raw: Mapping[str, Any], found: Findings) -> None:
    if rule is None:
        return
    targets = [
        key
        for key in ("until_at_most_c", "until_above_ambient_k", "until_within_of_first_k")
        if getattr(rule, key) is not None
    ]
    if len(targets) > 1:
        found.add(path, f"{' and '.join(targets)} contradict each other", "keep one of them")
    waits = bool(targets) or rule.or_stopped_falling
    if rule.seconds > rule.timeout_s and (waits or "timeout_s" in rule.model_fields_set):
        _contradiction(path, "seconds", rule.seconds, rule.timeout_s, found)
    if not waits and rule.seconds == 0 and rule.model_fields_set - {"seconds"}:
        found.add(
            path,
            "it says how to wait but not for what",
            "add seconds, until_at_most_c, until_above_ambient_k, until_within_of_first_k "
            "or or_stopped_falling",
        )
    ceiling = _table(raw.get("limits")).get("core_temp_c")
    if rule.until_at_most_c is not None and isinstance(ceiling, int | float):  # noqa: SIM102
        if rule.until_at_most_c >= ceiling:
            found.add(
                (*path, "until_at_most_c"),
                f"{rule.until_at_most_c:g} °C is not below the safety limit core_temp_c = {ceiling:g}",
                "lower it: a title would start at the temperature that stops the night",
            )


def _check_warm_up(rule: WarmUp | None, path: Path, found: Findings) -> None:
    if rule is None:
        return
    waits = rule.passes is not None or rule.until_steady
    if rule.seconds > rule.timeout_s and (waits or "timeout_s" in rule.model_fields_set):
        _contradiction(path, "seconds", rule.seconds, rule.timeout_s, found)


def _check_soak(rule: Soak | None, path: Path, found: Findings) -> None:
    if rule is None:
        return
    if rule.window_s > rule.timeout_s:
        _contradiction(path, "window_s", rule.window_s, rule.timeout_s, found)
    limits = rule.slope_at_most_c_per_min is not None or rule.clock_variation_at_most_pct is not None
    if rule.model_fields_set and not limits:
        found.add(
            path,
            "it has no limit, so there would be no soak",
            "add slope_at_most_c_per_min or clock_variation_at_most_pct, or remove the rule",
        )


def _check_patterns(table: dict[str, Any], path: Path, found: Findings) -> None:
    patterns = table.get("expect_lines")
    for index, text in enumerate(patterns if isinstance(patterns, list) else []):
        try:
            Pattern(str(text))
        except ValueError as error:
            what, _, remedy = str(error).rpartition("; ")
            found.add((*path, "expect_lines", index), what, remedy)


def _contradiction(path: Path, key: str, value: float, timeout_s: float, found: Findings) -> None:
    found.add(
        (*path, key),
        f"{key} = {value:g} is longer than timeout_s = {timeout_s:g}",
        f"raise timeout_s above {value:g}, or lower {key}",
    )


def _check_title(title: dict[str, Any], path: Path, conditions: dict[str, Any], found: Findings) -> None:
    shared = _valid(Conditions, conditions) or Conditions()
    if "warm_up" in title:
        _check_warm_up(_valid(WarmUp, title["warm_up"]), (*path, "warm_up"), found)
    if "soak" in title:
        _check_soak(_valid(Soak, title["soak"]), (*path, "soak"), found)
    _check_patterns(title, path, found)
    for index, setting in enumerate(_list(title.get("settings"))):
        _check_patterns(setting, (*path, "settings", index), found)
        here: Path = (*path, "settings", index)
        if "warm_up" in setting:
            _check_warm_up(_valid(WarmUp, setting["warm_up"]), (*here, "warm_up"), found)
        if "soak" in setting:
            _check_soak(_valid(Soak, setting["soak"]), (*here, "soak"), found)
        both = {**title, **setting}
        measure_s, deadline_s = both.get("measure_s"), both.get("deadline_s", 1800)
        warm_up = _valid(WarmUp, both["warm_up"]) if "warm_up" in both else shared.warm_up
        if warm_up is None or not (_is_number(measure_s) and _is_number(deadline_s)):
            continue
        least_s = warm_up.seconds + both["measure_s"]
        if least_s >= deadline_s:
            owner = here if {"measure_s", "deadline_s", "warm_up"} & set(setting) else path
            key = "deadline_s" if "deadline_s" in both else "measure_s"
            found.add(
                (*owner, key),
                f"deadline_s = {deadline_s:g} ends the title before warm-up ({warm_up.seconds:g} s) and "
                f"window ({measure_s:g} s) are over",
                f"set deadline_s well above {least_s:g}",
            )


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
