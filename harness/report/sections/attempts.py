"""What became of every attempt: rejected, marked, counted, and what of the plan is not covered. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from harness.numerals import agreed, counted, out_of
from harness.reasons import is_permanent
from harness.report.elements import (
    NOTHING,
    Entry,
    Heading,
    Row,
    Table,
    records,
    text_or,
)
from harness.report.folder import Campaign
from harness.report.names import Names


def rejected_table(campaign: Campaign, names: Names) -> Table | None:
    """Every attempt that does not count, with its reason; None where all counted."""
    lost = campaign.attempts[campaign.attempts["verdict"] != "accepted"]
    if lost.empty:
        return None
    rows = [
        Row(
            [
                Entry(names.row(r["title"], r["setting"])),
                Entry(names[r["profile"]], profile=r["profile"]),
                Entry(repeat_name(r)),
                Entry(_when(r["started_utc"])),
                Entry(text_or(r["verdict"])),
                Entry(text_or(r["reason_code"])),
                Entry(text_or(r["reason"])),
            ],
            title=r["title"],
            profile=r["profile"],
        )
        for r in records(lost.sort_values("position", kind="stable"))
    ]
    return Table(
        "table-rejected",
        "Rejected, failed and interrupted attempts",
        [
            Heading("Title"),
            Heading("Profile"),
            Heading("repeat.attempt"),
            Heading("started", "UTC"),
            Heading("verdict"),
            Heading("check"),
            Heading("reason", wide=True),
        ],
        rows,
    )


def repeat_name(row: Mapping[str, Any]) -> str:
    """``repeat.attempt`` of an attempt's row; a sentinel and a re-measurement are called so."""
    kind = "sentinel " if row["sentinel"] is True else "again " if row["second_look"] is True else ""
    return f"{kind}{row['repeat_index']}.{row['attempt_index']}"


def marked_table(campaign: Campaign, names: Names) -> Table | None:
    """Accepted repeats with something unusual; None where there is none."""
    rows = [
        Row(
            [
                Entry(names.row(r["title"], r["setting"])),
                Entry(names[r["profile"]], profile=r["profile"]),
                Entry(repeat_name(r)),
                Entry(", ".join(map(str, r["marks"]))),
            ],
            title=r["title"],
            profile=r["profile"],
        )
        for r in records(campaign.repeats)
        if r["marks"] is not None and len(r["marks"])
    ]
    if not rows:
        return None
    return Table(
        "table-marked",
        "Accepted repeats with something unusual",
        [
            Heading("Title"),
            Heading("Profile"),
            Heading("repeat.attempt"),
            Heading("marks", wide=True),
        ],
        rows,
    )


def account(campaign: Campaign) -> str:
    """What became of all attempts, in one sentence; the parts add up to the whole."""
    tried, counting = len(campaign.attempts), len(campaign.counted)
    watched, again = len(campaign.sentinels), len(campaign.remeasurements)
    parts = [f"{counting} count{'s as a repeat' if counting == 1 else ' as repeats'}"]
    if watched:
        parts.append(f"{watched} {'is a sentinel' if watched == 1 else 'are sentinels'}")
    if again:
        parts.append(f"{again} {'is a re-measurement' if again == 1 else 'are re-measurements'}")
    rest = tried - counting - watched - again
    parts.append(f"{rest} {'does' if rest == 1 else 'do'} not count")
    return (
        f"{counted(tried, 'attempt')} {agreed('was', tried)} made: {', '.join(parts[:-1])} and {parts[-1]}."
    )


def coverage(campaign: Campaign, names: Names) -> list[str]:
    """Cells with fewer accepted repeats than the plan wants, a sentence each."""
    wanted = campaign.plan.plan.repeats_at_least
    repeats = campaign.counted
    counts = repeats.groupby("cell_id").size().to_dict()
    aside = {
        r["cell_id"]: f"; the last attempt {r['verdict']}: {text_or(r['reason'], r['reason_code'])}"
        for r in records(campaign.attempts)
        if not pd.isna(r["reason_code"]) and (is_permanent(r["reason_code"]) or r["cell_id"] not in counts)
    }
    short = []
    for title in campaign.plan.titles:
        for setting in title.settings:
            for profile in campaign.plan.profiles:
                have = int(counts.get(f"{title.name}.{setting.name}.{profile.name}", 0))
                if have < wanted:
                    place = names.row(title.name, setting.name)
                    why = aside.get(f"{title.name}.{setting.name}.{profile.name}", "")
                    short.append(
                        f"{place} under {names[profile.name]}: {out_of(have, wanted, 'repeat')}{why}."
                    )
    return short


def _when(value: Any) -> str:
    return NOTHING if pd.isna(value) else str(pd.Timestamp(value).strftime("%Y-%m-%d %H:%M:%S"))
