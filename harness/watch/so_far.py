"""The answer as it stands while the night runs: changes with their intervals, and how these have narrowed.

No verdict is given before the end: a fixed plan's error rates hold for its last look. The figures are those
of the analysis that the report rests on, less what only whole files tell (how even runs are, the step of the
instruments). Its libraries take a second of a processor to load, so they are loaded while
nothing is measured.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from harness.attempt_row import AttemptRow
from harness.metrics import METRICS
from harness.metrics.definition import Role
from harness.numerals import decimals_of, signed
from harness.plan.schema import Plan
from harness.stages import STAGES

if TYPE_CHECKING:
    import pandas as pd

_ROLES: Final[tuple[Role, ...]] = ("low", "power", "temperature", "sound")


def may_load(phase: str | None) -> bool:
    """Whether a second of a processor for the libraries disturbs no title; once loaded they cost none."""
    in_title = {stage.word for stage in STAGES if stage.place != "before-launch"}
    return "harness.analysis.comparisons" in sys.modules or phase not in {"launch", "measure", *in_title}


def so_far(attempts: Sequence[AttemptRow], plan: Plan) -> dict[str, Any] | None:
    """Changes over titles by the repeats that count so far, as JSON values; None before there are any."""
    import pandas as pd

    rows = [dict(row) | {"campaign_id": "this one"} for row in attempts if row.counts]
    if not rows:
        return None
    repeats = pd.DataFrame(rows)
    changes = _changes(repeats, plan, every=True)
    if not changes:
        return None
    most = int(repeats["repeat_index"].max())
    courses: dict[str, list[dict[str, Any]]] = {}
    for count in range(2, most + 1):
        for row in _changes(repeats[repeats["repeat_index"] <= count], plan, every=False):
            if math.isfinite(row["low"]) and math.isfinite(row["high"]):
                courses.setdefault(row["profile"], []).append({"repeats": count, **_ends(row)})
    profiles: dict[str, dict[str, Any]] = {}
    for row in changes:
        mine = profiles.setdefault(
            row["profile"], {"profile": row["profile"], "titles": row["n_titles"], "figures": []}
        )
        mine["figures"].append(_figure(row))
    return {
        "reference": plan.plan.reference,
        "headline": changes[0]["label"],
        "margin_pct": plan.plan.margin_pct,
        "confidence_pct": plan.plan.confidence_pct,
        "profiles": [{**one, "course": courses.get(name, [])} for name, one in profiles.items()],
    }


def _changes(repeats: pd.DataFrame, plan: Plan, *, every: bool) -> list[dict[str, Any]]:
    """Rows over titles, the headline first; of the headline alone unless ``every``."""
    from dataclasses import replace

    from harness.analysis import comparisons, overall
    from harness.analysis.family import family_of
    from harness.analysis.low_definition import by_one_definition
    from harness.analysis.repeats import cells_of, lower_score_titles
    from harness.analysis.settings import AnalysisSettings

    settings = AnalysisSettings.from_plan(plan)
    settings = replace(settings, lower_score_titles=lower_score_titles(repeats, settings))
    repeats, _ = by_one_definition(repeats, settings.low_definition)
    cells = cells_of(repeats, settings)
    family = family_of(cells, settings)
    profiles = [p for p in settings.profiles if p not in (settings.reference, settings.blank)]

    def across(name: str) -> list[dict[str, Any]]:
        metric = METRICS.compared_as[name]
        by_profile = {p: comparisons.compare(cells, metric, p, settings) for p in profiles}
        return overall.decided_rows(metric, {p: c for p, c in by_profile.items() if c}, settings, family)

    found = across(family.headline) if family.headline is not None else []
    if every:
        for role in _ROLES:
            found += next((rows for m in METRICS.standing_for(role) if (rows := across(m.name))), [])
            if role == "power":
                found += across("fps_per_w")
    return found


def _ends(row: Mapping[str, Any]) -> dict[str, Any]:
    """Interval as shown: in % for a ratio."""
    low, high = _shown(row, "low"), _shown(row, "high")
    decimals = decimals_of((high - low) / 2)
    unit = "%" if row["scale"] == "ratio" else str(row["unit"])
    text = f"{signed(low, decimals)} to {signed(high, decimals)} {unit}"
    return {"low": low, "high": high, "text": text}


def _figure(row: Mapping[str, Any]) -> dict[str, Any]:
    low, high = _shown(row, "low"), _shown(row, "high")
    known = math.isfinite(low) and math.isfinite(high)
    change = signed(_shown(row, "estimate"), decimals_of((high - low) / 2))
    return {
        "label": row["label"],
        "change": f"{change} {'%' if row['scale'] == 'ratio' else row['unit']}",
        "arrow": {"+": "▲", "−": "▼"}.get(change[:1], ""),
        "interval": _ends(row)["text"] if known else "no interval yet",
    }


def _shown(row: Mapping[str, Any], name: str) -> float:
    return 100 * (float(row[name]) - 1) if row["scale"] == "ratio" else float(row[name])
