"""Expands a plan to its cells: title × setting × profile. Pure."""

from __future__ import annotations

import hashlib
import json
from typing import Any

from harness.plan.bearing import bearing, same_meaning
from harness.plan.parts import OpenPart
from harness.plan.schema import (
    Cell,
    Conditions,
    Plan,
    ProfileSpec,
    Sampling,
    SensorSpec,
    SettingSpec,
    TitleSpec,
    rules_in_force,
)
from harness.stages import STAGES


def expand(plan: Plan) -> tuple[Cell, ...]:
    """All cells, in the plan's order: titles, within them settings, within them profiles.

    Each cell's ``title`` carries what its setting overrides (times, frame log, rules of stages), so that
    nobody downstream needs to know of overriding.
    """
    return tuple(
        _cell(plan, title, setting, profile)
        for title in plan.titles
        for setting in title.settings
        for profile in plan.profiles
    )


def _cell(plan: Plan, title: TitleSpec, setting: SettingSpec, profile: ProfileSpec) -> Cell:
    overrides = {
        key: value
        for key in ("measure_s", "deadline_s", "frame_log", "expect_lines", *(stage.key for stage in STAGES))
        if (value := getattr(setting, key, None)) is not None
    }
    if title.steps:
        overrides["steps"] = [s for s in title.steps if s.only is None or setting.name in s.only]
        overrides["sequences"] = {
            name: [s for s in steps if s.only is None or setting.name in s.only]
            for name, steps in title.sequences.items()
        }
    resolved = title.model_copy(update=overrides)
    options = {**title.options, **setting.options}
    definition = _definition(
        resolved, _stated_options(options, setting), profile, plan.conditions, plan.sampling, plan.sensors
    )
    return Cell(
        cell_id=f"{title.name}.{setting.name}.{profile.name}",
        title=resolved,
        setting=setting,
        profile=profile,
        workload_options=options,
        definition_hash=_hash(definition),
        measured_hash=_hash({**definition, "frame_log": _unread(definition["frame_log"])}),
    )


def definition_of(plan: Plan, cell: Cell) -> dict[str, Any]:
    """What bears on a cell's measurement, by keys of the plan; of it the cell's hash is made."""
    stated = _stated_options(cell.workload_options, cell.setting)
    return _definition(cell.title, stated, cell.profile, plan.conditions, plan.sampling, plan.sensors)


def _stated_options(options: dict[str, Any], setting: SettingSpec) -> dict[str, Any]:
    return options if setting.stated is None else setting.stated


def _unread(frame_log: dict[str, Any] | None) -> dict[str, Any] | None:
    """Less the mapping, which says how a log is read and not what is run."""
    return None if frame_log is None else {key: v for key, v in frame_log.items() if key != "options"}


def _definition(
    title: TitleSpec,
    stated: dict[str, Any],
    profile: ProfileSpec,
    conditions: Conditions,
    sampling: Sampling,
    sensors: list[SensorSpec],
) -> dict[str, Any]:
    """What bears on the measurement; names, labels, question, margin, bounds of waits and tries do not.

    Values at their default are left out, so that a later version with a new key keeps old hashes.
    """
    definition: dict[str, Any] = {
        "workload": title.workload,
        "options": stated,
        "measure_s": title.measure_s,
        "frame_log": _frame_log(title),
        "control": profile.control,
        "tuning": _stated(profile),
        "temperature": conditions.temperature,
        "sampling": bearing(sampling),
    }
    definition |= _stages(conditions, title)
    if title.companions:
        definition["companions"] = [bearing(companion) for companion in title.companions]
    if title.steps:
        definition["steps"] = _steps(title)
    if title.files or title.private_home:
        definition["files"] = _files(title)
    if sensors:
        definition["sensors"] = [{"kind": s.kind, "options": _stated(s)} for s in sensors]
    return definition


def _stages(conditions: Conditions, title: TitleSpec) -> dict[str, Any]:
    return {stage.key: bearing(rule) for stage, rule in rules_in_force(conditions, title)}


def _steps(title: TitleSpec) -> dict[str, Any]:
    """What is done at the title, less what only says how long that may take."""
    return {
        "steps": [bearing(step) for step in title.steps],
        "sequences": {name: [bearing(step) for step in steps] for name, steps in title.sequences.items()},
        "surprises": [bearing(surprise) for surprise in title.surprises],
    }


def _files(title: TitleSpec) -> list[Any]:
    return [title.private_home, *(bearing(spec) for spec in title.files)]


def _frame_log(title: TitleSpec) -> dict[str, Any] | None:
    if title.frame_log is None:
        return None
    options = _stated(title.frame_log)
    plain = {key: value for key, value in bearing(title.frame_log).items() if key != "options"}
    return {**plain, **({"options": options} if options else {})}


def _stated(table: OpenPart) -> dict[str, Any]:
    """What bears of a plugin's options; all of them where the plan was not read with its plugins."""
    return table.options if table.stated is None else table.stated


def _hash(definition: dict[str, Any]) -> str:
    canonical = json.dumps(
        definition, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    )
    return hashlib.sha256(canonical.encode("utf-8")).hexdigest()[:16]


def means_the_same(
    before: Cell, after: Cell, plan_before: dict[str, Any], plan_after: dict[str, Any]
) -> bool:
    """Whether a cell of a folder from before keys stated what they bear on means what it means now.

    Hashes of that time took in every key of a plugin, those at their default too.

    Args:
        before, after: The cell as the folder has it, and as the plan that is to go on gives it.
        plan_before, plan_after: The raw tables of both plans, for conditions, sampling and sensors.
    Raises:
        ValueError: A plan's tables are not valid.
    """
    old, new = (Conditions.model_validate(p.get("conditions", {})) for p in (plan_before, plan_after))
    samplings = [Sampling.model_validate(p.get("sampling", {})) for p in (plan_before, plan_after)]
    logs = before.title.frame_log, after.title.frame_log
    pairs: list[tuple[Any, Any]] = [
        (before.title.workload, after.title.workload),
        (before.title.measure_s, after.title.measure_s),
        (before.profile.control, after.profile.control),
        (old.temperature, new.temperature),
        (_stages(old, before.title), _stages(new, after.title)),
        ([bearing(c) for c in before.title.companions], [bearing(c) for c in after.title.companions]),
        (_steps(before.title), _steps(after.title)),
        (_files(before.title), _files(after.title)),
        (bearing(samplings[0]), bearing(samplings[1])),
        (plan_before.get("sensors"), plan_after.get("sensors")),
        (logs[0] and (logs[0].path, logs[0].reader), logs[1] and (logs[1].path, logs[1].reader)),
    ]
    if any(one != other for one, other in pairs):
        return False
    if logs[0] is not None and logs[1] is not None and not _same_options(logs[0].options, logs[1]):
        return False
    workload = after.setting.model_copy(update={"options": after.workload_options})
    return _same_options(before.workload_options, workload) and _same_options(
        before.profile.options, after.profile
    )


def _same_options(before: dict[str, Any], after: OpenPart) -> bool:
    return same_meaning(before, after.options, stated=_stated(after), apart=after.apart)
