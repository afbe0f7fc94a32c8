"""The one sentence that answers the plan's question."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from harness.analysis import words
from harness.analysis.settings import AnalysisSettings
from harness.metrics import METRICS, ComparedMetric
from harness.metrics.definition import Role

#: What is told of a profile after its speed, each by the metric that stands for it.
_THEN: Final[tuple[Role, ...]] = ("low", "power", "temperature")

Rows = Mapping[tuple[str, str], Mapping[str, Any]]


def answer(overall: Sequence[Mapping[str, Any]], settings: AnalysisSettings) -> str:
    """Answer the question from the rows across titles: speed first, then lows, power and temperature."""
    by_key: Rows = {(row["metric"], row["profile"]): row for row in overall}
    metrics = {row["metric"] for row in overall}
    headline = next((m.name for m in METRICS.standing_for("speed") if m.name in metrics), None)
    if headline is None:
        return (
            f"No profile could be compared with {settings.label(settings.reference)}: "
            "no title has accepted repeats of both."
        )
    profiles = [row["profile"] for row in overall if row["metric"] == headline]
    clauses = [_of_profile(profile, headline, by_key, settings) for profile in profiles]
    titles = max(row["n_titles"] for row in overall if row["metric"] == headline)
    place = "In the one title measured" if titles == 1 else f"Over {titles} titles"
    return f"{place}, {'; '.join(clauses)}."


def _of_profile(profile: str, headline: str, rows: Rows, settings: AnalysisSettings) -> str:
    row = rows[headline, profile]
    metric = METRICS.compared_as[headline]
    within = words.margin(
        metric, settings.margin_pct, settings.temperature_margin_k, settings.sound_margin_db
    )
    clause = words.claim(
        metric, row["decision"], settings.label(profile), settings.label(settings.reference), within
    )
    if row["decision"] == "undecided":
        clause = f"it is {clause}"
    clause += f" ({metric.label} {_figure(row, settings)})"
    others = (_first(role, rows, profile) for role in _THEN)
    extras = [_extra(rows[m.name, profile], m, settings) for m in others if m is not None]
    return ", ".join([clause, *extras])


def _first(role: Role, rows: Rows, profile: str) -> ComparedMetric | None:
    return next((m for m in METRICS.standing_for(role) if (m.name, profile) in rows), None)


def _figure(row: Mapping[str, Any], settings: AnalysisSettings) -> str:
    if row["low"] != row["low"]:
        return f"{words.change(row['estimate'], row['scale'], row['unit'])}, one repeat, no interval"
    return words.change_with_interval(
        row["estimate"], row["low"], row["high"], row["scale"], row["unit"], settings.confidence_pct
    )


def _extra(row: Mapping[str, Any], metric: ComparedMetric, settings: AnalysisSettings) -> str:
    """``mean power 18.0 % less``, ``1 % low the same within 3 % (+0.8 %)``."""
    half = (row["high"] - row["low"]) / 2 * (100 if row["scale"] == "ratio" else 1)
    figure = words.change(row["estimate"], row["scale"], row["unit"], half)
    if row["decision"] == "undecided":
        return f"{metric.label} undecided ({figure})"
    if row["decision"] == "same":
        within = words.margin(
            metric, settings.margin_pct, settings.temperature_margin_k, settings.sound_margin_db
        )
        return f"{metric.label} the same {within} ({figure})"
    return f"{metric.label} {figure[1:]} {row['decision']}"
