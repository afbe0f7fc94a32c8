"""Expands a plan to its cells: title × setting × profile. Pure."""

from __future__ import annotations

import hashlib
import json
from typing import Any

from harness.plan.schema import Cell, Conditions, Plan, ProfileSpec, Sampling, SettingSpec, TitleSpec


def expand(plan: Plan) -> tuple[Cell, ...]:
    """All cells, in the plan's order: titles, within them settings, within them profiles.

    Each cell's ``title`` carries what its setting overrides (times, frame log, warm-up, soak), so that
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
        for key in ("measure_s", "deadline_s", "frame_log", "expect_lines", "warm_up", "soak")
        if (value := getattr(setting, key)) is not None
    }
    resolved = title.model_copy(update=overrides)
    options = {**title.options, **setting.options}
    return Cell(
        cell_id=f"{title.name}.{setting.name}.{profile.name}",
        title=resolved,
        setting=setting,
        profile=profile,
        workload_options=options,
        definition_hash=_definition_hash(resolved, options, profile, plan.conditions, plan.sampling),
    )


def _definition_hash(
    title: TitleSpec,
    options: dict[str, Any],
    profile: ProfileSpec,
    conditions: Conditions,
    sampling: Sampling,
) -> str:
    """Content hash of what bears on the measurement; names, labels, question and margin do not.

    Values at their default are left out, so that a later version with a new key keeps old hashes.
    """
    warm_up = title.warm_up or conditions.warm_up
    soak = title.soak or conditions.soak
    definition = {
        "workload": title.workload,
        "options": options,
        "measure_s": title.measure_s,
        "frame_log": title.frame_log.model_dump(mode="json", exclude_defaults=True)
        if title.frame_log
        else None,
        "control": profile.control,
        "tuning": profile.options,
        "temperature": conditions.temperature,
        "cooldown": conditions.cooldown.model_dump(mode="json", exclude_defaults=True),
        "warm_up": warm_up.model_dump(mode="json", exclude_defaults=True),
        "soak": soak.model_dump(mode="json", exclude_defaults=True),
        "sampling": sampling.model_dump(mode="json", exclude_defaults=True),
    }
    canonical = json.dumps(
        definition, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    )
    return hashlib.sha256(canonical.encode("utf-8")).hexdigest()[:16]
