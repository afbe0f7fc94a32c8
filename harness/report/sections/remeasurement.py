"""What the page says of repeats that lay far from the others and were measured once more."""

from __future__ import annotations

from typing import Any

import pandas as pd

from harness.analysis.analyse import Analysis, analyse
from harness.analysis.remeasurement import Likeness, Remeasured, remeasured, with_second_values
from harness.metrics import METRICS
from harness.report.elements import (
    Entry,
    Heading,
    Row,
    Section,
    Table,
    decimals_for,
    number,
    records,
    signed,
)
from harness.report.folder import Campaign
from harness.report.names import Names
from harness.report.sections.summary import change_entry

_SAID: dict[Likeness, str] = {
    "once": "with the others: it happened once",
    "again": "where the first did: it comes back",
    "unclear": "neither with the others nor where the first did",
}
_INTRODUCTION = (
    "Nothing is dropped for being far away. These repeats were measured once more at the end of the night. "
    "The results on this page rest on the planned repeats, the far ones among them: a measurement that was "
    "made because of what the first one showed can't take its place."
)


def remeasurement_section(campaign: Campaign, analysis: Analysis, names: Names) -> Section:
    """Far repeats, what their second measurements came to, and the result with these in their place."""
    if campaign.remeasurements.empty:
        return Section("re-measurements", "Re-measurements")
    everything = pd.concat([campaign.repeats, campaign.remeasurements], ignore_index=True)
    looks = remeasured(everything)
    swapped = analyse(with_second_values(everything), analysis.settings)
    side_by_side = _side_by_side(analysis, swapped, names, {(look.title, look.setting) for look in looks})
    return Section(
        "re-measurements",
        "Re-measurements",
        paragraphs=[_INTRODUCTION],
        tables=[_looks(looks, names)],
        closing_tables=[side_by_side] if side_by_side.rows else [],
    )


def _looks(looks: tuple[Remeasured, ...], names: Names) -> Table:
    rows = []
    for look in looks:
        decimals = decimals_for(look.others_fps, look.others_fps / 500)
        off = [100 * (value / look.others_fps - 1) for value in (look.first_fps, look.second_fps)]
        rows.append(
            Row(
                [
                    Entry(names.row(look.title, look.setting)),
                    Entry(names[look.profile], profile=look.profile),
                    Entry(str(look.repeat_index)),
                    Entry(number(look.others_fps, decimals)),
                    Entry(number(look.first_fps, decimals), f"({signed(off[0])} %)"),
                    Entry(number(look.second_fps, decimals), f"({signed(off[1])} %)"),
                    Entry(_SAID[look.finding]),
                ],
                title=look.title,
                profile=look.profile,
            )
        )
    return Table(
        "table-re-measurements",
        "Repeats that lay far from the others, average FPS",
        [
            Heading("Title"),
            Heading("Profile"),
            Heading("repeat", number=True),
            Heading("others, median", number=True),
            Heading("first", number=True),
            Heading("second", number=True),
            Heading("the second came out", wide=True),
        ],
        rows,
    )


def _side_by_side(analysis: Analysis, swapped: Analysis, names: Names, places: set[tuple[str, str]]) -> Table:
    """Change against the reference as measured, and with the second values in place of the far ones."""
    without = {_key(row): row for table in (swapped.overall, swapped.comparisons) for row in records(table)}
    shown = [row for row in records(analysis.comparisons) if (row["title"], row["setting"]) in places]
    told = {metric.name for metric in METRICS.shown_in("second-look")}
    rows = []
    for row in (*records(analysis.overall), *shown):
        key = _key(row)
        if row["metric"] not in told:
            continue
        rows.append(
            Row(
                [
                    Entry(names.row(row["title"], row["setting"]) if "title" in row else "all titles"),
                    Entry(names[row["profile"]], profile=row["profile"]),
                    Entry(str(row["label"])),
                    change_entry(row, ""),
                    change_entry(without[key], "") if key in without else Entry("–"),
                ],
                profile=row["profile"],
            )
        )
    reference = names[analysis.settings.reference]
    return Table(
        "table-second-values",
        f"Change against {reference}, with the outliers and with the second ones in their place",
        [Heading(text) for text in ("Title", "Profile", "Metric", "As measured", "With the second values")],
        rows,
    )


def _key(row: dict[str, Any]) -> tuple[Any, ...]:
    return row.get("title"), row.get("setting"), row["profile"], row["metric"]
