"""The one sentence that answers the plan's question."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from harness.analysis import words
from harness.analysis.metrics import BY_NAME
from harness.analysis.settings import AnalysisSettings

_HEADLINES = ("speed", "average_fps", "score")
_LOWS = "one_percent_low_fps"
_POWERS = ("mean_power_w", "mean_wall_power_w", "mean_cpu_power_w")
_TEMPERATURES = ("core_above_ambient_k", "end_core_temp_c", "mean_cpu_temp_c")

Rows = Mapping[tuple[str, str], Mapping[str, Any]]


def answer(overall: Sequence[Mapping[str, Any]], settings: AnalysisSettings) -> str:
    """Answer the question from the rows across titles: speed first, then lows, power and temperature."""
    by_key: Rows = {(row["metric"], row["profile"]): row for row in overall}
    metrics = {row["metric"] for row in overall}
    headline = next((name for name in _HEADLINES if name in metrics), None)
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
    metric = BY_NAME[headline]
    within = words.margin(
        metric, settings.margin_pct, settings.temperature_margin_k, settings.sound_margin_db
    )
    clause = words.claim(
        metric, row["decision"], settings.label(profile), settings.label(settings.reference), within
    )
    if row["decision"] == "undecided":
        clause = f"it is {clause}"
    clause += f" ({metric.label} {_figure(row, settings)})"
    others = (_LOWS, _first(_POWERS, rows, profile), _first(_TEMPERATURES, rows, profile))
    extras = [_extra(rows[name, profile], name, settings) for name in others if (name, profile) in rows]
    return ", ".join([clause, *extras])


def _first(names: Sequence[str], rows: Rows, profile: str) -> str:
    return next((name for name in names if (name, profile) in rows), "")


def _figure(row: Mapping[str, Any], settings: AnalysisSettings) -> str:
    if row["low"] != row["low"]:
        return f"{words.change(row['estimate'], row['scale'], row['unit'])}, one repeat, no interval"
    return words.change_with_interval(
        row["estimate"], row["low"], row["high"], row["scale"], row["unit"], settings.confidence_pct
    )


def _extra(row: Mapping[str, Any], name: str, settings: AnalysisSettings) -> str:
    """``mean power 18.0 % less``, ``1 % low the same within 3 % (+0.8 %)``."""
    metric = BY_NAME[name]
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
