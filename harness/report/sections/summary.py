"""The report's tables: from a campaign and its analysis to rows of text. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pandas as pd

from harness.analysis import Analysis
from harness.metrics import METRICS
from harness.numerals import counted, shown_unit
from harness.report.elements import (
    NOTHING,
    Entry,
    Heading,
    Row,
    Table,
    between,
    change_decimals,
    decimals_for,
    duration,
    number,
    records,
    signed,
)
from harness.report.folder import Campaign
from harness.report.names import Names
from harness.report.sections.power_doubt import REMARK, doubted
from harness.stages import STAGES

#: Before the decision; a number that is described and not claimed has no sign. Arrows are kept for up and
#: down: what is less may be better.
SIGNS = {
    "same": "=",
    "undecided": "?",
    "withheld": "!",
    "better": "✓",
    "worse": "✗",
    "changed": "",
    "descriptive": "",
}


def overall_table(analysis: Analysis, names: Names) -> Table:
    """One row per metric, one column per compared profile."""
    overall = analysis.overall
    profiles = list(overall["profile"].unique())
    by_key = {(r["metric"], r["profile"]): r for r in records(overall)}
    count = int(overall["n_titles"].max()) if len(overall) else 0
    rows = [
        Row(
            [
                Entry(str(overall.loc[overall["metric"] == metric, "label"].iloc[0])),
                *(
                    _overall_entry(by_key[metric, p], count) if (metric, p) in by_key else Entry(NOTHING)
                    for p in profiles
                ),
            ]
        )
        for metric in overall["metric"].unique()
    ]
    return Table(
        "table-overall",
        f"Change against {names[analysis.settings.reference]} over "
        f"{counted(count, 'title')}, {analysis.settings.confidence_pct:g} % interval, decision "
        "(claimed metrics: joint intervals; the rest is described only)",
        [Heading("Metric"), *(Heading(names[p]) for p in profiles)],
        rows,
    )


def _overall_entry(row: Mapping[str, Any], most: int) -> Entry:
    """A change over titles; told in how many where these are not all that the table is over."""
    entry = change_entry(row, f"overall/{row['profile']}/{row['metric']}")
    here = int(row["n_titles"])
    if here == most:
        return entry
    return replace(entry, range=f"{entry.range} in {counted(here, 'title')} only")


def change_entry(row: Mapping[str, Any], number_id: str) -> Entry:
    """A change, its interval and its decision word: ``= same −0.8 % (−1.0 to −0.6)``."""
    value, low, high, unit = shown_change(row)
    decimals = change_decimals(low, high)
    interval = between(low, high, decimals, sign=True)
    decision = "" if row["decision"] == "descriptive" else f"{row['decision']} "
    return Entry(
        f"{decision}{signed(value, decimals)} {unit}",
        f"({interval})" if interval else "(no interval)",
        number_id,
        sign=SIGNS[row["direction"]],
    )


def shown_change(row: Mapping[str, Any]) -> tuple[float, float, float, str]:
    """Estimate, low, high and unit as shown: % for a ratio, the difference's own unit otherwise."""
    values = (float(row["estimate"]), float(row["low"]), float(row["high"]))
    if row["scale"] == "ratio":
        a, b, c = (100 * (v - 1) for v in values)
        return a, b, c, "%"
    return *values, str(row["unit"])


def comparison_table(analysis: Analysis, names: Names) -> Table:
    """One row per title, setting and profile; one column per metric."""
    metrics = [metric.name for metric in METRICS.shown_in("comparison-table")]
    shown = analysis.comparisons[analysis.comparisons["metric"].isin(metrics)]
    present = [m for m in metrics if m in set(shown["metric"])]
    labels = dict(zip(shown["metric"], shown["label"], strict=True))
    by_key = {(r["title"], r["setting"], r["profile"], r["metric"]): r for r in records(shown)}
    rows = []
    keys = list(dict.fromkeys((r["title"], r["setting"], r["profile"]) for r in records(shown)))
    places = list(dict.fromkeys(key[:2] for key in keys))
    for title, setting, profile in sorted(keys, key=lambda key: places.index(key[:2])):
        entries = []
        for metric in present:
            row = by_key.get((title, setting, profile, metric))
            number_id = f"change/{title}.{setting}.{profile}/{metric}"
            sides = (profile, analysis.settings.reference)
            entry = change_entry(row, number_id) if row else Entry(NOTHING)
            entries.append(_remarked(entry, doubted(analysis, metric, title, setting, *sides)))
        first = by_key.get((title, setting, profile, present[0]), {})
        more = first.get("more_repeats_needed")
        more_text = NOTHING if more is None or pd.isna(more) else f"{int(more)}"
        rows.append(
            Row(
                [
                    Entry(names.row(title, setting)),
                    Entry(names[profile], profile=profile),
                    *entries,
                    Entry(more_text),
                ],
                title=title,
                profile=profile,
            )
        )
    return Table(
        "table-comparison",
        f"Change against {names[analysis.settings.reference]} by title, "
        f"{analysis.settings.confidence_pct:g} % interval (joint for claimed metrics), decision; "
        "last, how many further repeats would likely decide what is undecided in the first metric",
        [
            Heading("Title"),
            Heading("Profile"),
            *(Heading(labels[m]) for m in present),
            Heading("further repeats", number=True),
        ],
        rows,
    )


def levels_table(analysis: Analysis, names: Names) -> Table:
    """Mean and interval half width of each cell."""
    cells = analysis.cells
    present = [m.name for m in METRICS.shown_in("levels-table") if m.name in set(cells["metric"])]
    head = cells.drop_duplicates("metric").set_index("metric")
    by_key = {(r["cell_id"], r["metric"]): r for r in records(cells)}
    rows = []
    for cell in records(cells.drop_duplicates("cell_id")):
        found = [by_key.get((cell["cell_id"], m)) for m in present]
        repeats = max((int(r["n"]) for r in found if r), default=0)
        rows.append(
            Row(
                [
                    Entry(names.row(cell["title"], cell["setting"])),
                    Entry(names[cell["profile"]], profile=cell["profile"]),
                    Entry(str(repeats)),
                    *(
                        _remarked(
                            _level_entry(r, f"cell/{cell['cell_id']}/{m}"),
                            doubted(analysis, m, cell["title"], cell["setting"], cell["profile"]),
                        )
                        for r, m in zip(found, present, strict=True)
                    ),
                ],
                title=cell["title"],
                profile=cell["profile"],
            )
        )
    lacking = any(entry.text == NOTHING for row in rows for entry in row.cells)
    return Table(
        "table-levels",
        f"Mean over accepted repeats ± half width of its {analysis.settings.confidence_pct:g} % interval"
        + (f"; {NOTHING} where a title or its rig has no such value" if lacking else ""),
        [
            Heading("Title"),
            Heading("Profile"),
            Heading("repeats", number=True),
            *(
                Heading(str(head.loc[m, "label"]), shown_unit(str(head.loc[m, "unit"])), number=True)
                for m in present
            ),
        ],
        rows,
    )


def _remarked(entry: Entry, in_doubt: bool) -> Entry:
    """The number with what is in doubt of it beside it."""
    if not in_doubt or entry.text == NOTHING:
        return entry
    return replace(entry, range=f"{entry.range} {REMARK}".strip())


def _level_entry(row: Mapping[str, Any] | None, number_id: str) -> Entry:
    if row is None:
        return Entry(NOTHING)
    half = (float(row["high"]) - float(row["low"])) / 2
    decimals = decimals_for(float(row["mean"]), half)
    spread = f"± {number(half, decimals)}" if math.isfinite(half) else ""
    return Entry(number(float(row["mean"]), decimals), spread, number_id)


def conditions_table(campaign: Campaign, names: Names) -> Table | None:
    """Start conditions by profile: what was held equal, and how well."""
    repeats = campaign.counted
    stages = [stage for stage in STAGES if repeats[f"{stage.key}_s"].notna().any() or stage.default]
    before = [stage for stage in stages if stage.place == "before-launch"]
    rows = []
    for profile in _in_plan_order(campaign, repeats):
        mine = repeats[repeats["profile"] == profile]
        rows.append(
            Row(
                [
                    Entry(names[profile], profile=profile),
                    Entry(str(len(mine))),
                    _range_entry(mine["start_temp_c"], profile),
                    _range_entry(mine["start_ambient_temp_c"], profile),
                    *(_range_entry(mine[f"{stage.key}_s"], profile, 0) for stage in stages),
                    _range_entry(mine["mean_foreign_cpu_load_pct"], profile),
                    *(_ends_entry(mine[f"{stage.key}_end"]) for stage in before),
                ],
                profile=profile,
            )
        )
    if not rows:
        return None
    return Table(
        "table-conditions",
        "Conditions of the accepted repeats: mean (smallest to largest)",
        [
            Heading("Profile"),
            Heading("repeats", number=True),
            Heading("start temperature", "°C", number=True),
            Heading("ambient at start", "°C", number=True),
            *(Heading(stage.word, "s", number=True) for stage in stages),
            Heading("foreign processor load", "%", number=True),
            *(Heading(f"what ended the {stage.word}", wide=True) for stage in before),
        ],
        rows,
    )


def _ends_entry(ends: pd.Series[Any]) -> Entry:
    counts = ends.fillna("none").value_counts()
    return Entry(", ".join(f"{name}: {count}" for name, count in counts.items()))


def _range_entry(values: pd.Series[Any], profile: str, decimals: int = 1) -> Entry:
    present = values.dropna().astype(float)
    if present.empty:
        return Entry(NOTHING)
    ends = between(present.min(), present.max(), decimals)
    return Entry(number(present.mean(), decimals), f"({ends})", f"conditions/{profile}/{values.name}")


def unrestored(campaign: Campaign) -> list[str]:
    """That the card was not back in the end, as a sentence."""
    if not campaign.unrestored:
        return []
    return [
        f"The card was not put back when the last run ended ({campaign.unrestored}); "
        "levelrig restore puts it back."
    ]


def unstable(analysis: Analysis) -> list[str]:
    """Profiles that the plan's rule sets aside as unstable, a sentence each: a result, not missing data."""
    return [f"{entry.reason[0].upper()}{entry.reason[1:]}." for entry in analysis.set_aside]


def measured_on(campaign: Campaign) -> list[str]:
    """Card (or processor) and driver, as far as they are known."""
    driver = campaign.fact("card", "driver_version")
    parts = (
        campaign.fact("card", "model") or campaign.fact("processor", "model"),
        f"driver {driver}" if driver else None,
    )
    return [part for part in parts if part]


def night(campaign: Campaign) -> str:
    """When it ran and for how long, in words."""
    attempts = campaign.attempts
    if attempts.empty:
        return "no attempt yet"
    first, last = campaign.span_utc
    spans = (attempts["start_s"] + attempts["duration_s"].fillna(0)).max()
    day, end = (instant.strftime("%Y-%m-%d") for instant in (first, last))
    days = day if day == end else f"{day} to {end}"
    return f"{days}, {duration(float(spans)) if pd.notna(spans) else NOTHING}"


def _in_plan_order(campaign: Campaign, rows: pd.DataFrame) -> list[str]:
    planned = [p.name for p in campaign.plan.profiles]
    present = list(rows["profile"].unique())
    return [p for p in planned if p in present] + [p for p in present if p not in planned]
