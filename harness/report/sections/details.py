"""Tables behind the headline: wider interval, titles left out, efficiency, scatter, instruments. Pure."""

from __future__ import annotations

from typing import Any

import pandas as pd

from harness.analysis import Analysis
from harness.analysis.efficiency import ranked_over
from harness.metrics import METRICS
from harness.report.elements import (
    NOTHING,
    Entry,
    Heading,
    Row,
    Table,
    between,
    change_decimals,
    decimals_for,
    number,
    records,
)
from harness.report.names import Names
from harness.report.numbers import INSTRUMENT, SCATTER
from harness.report.sections.summary import SIGNS


def efficiency_table(analysis: Analysis, names: Names) -> Table | None:
    """Every profile on all axes at once; None for fewer than two profiles."""
    rows = records(analysis.efficiency)
    if len(rows) < 2:
        return None
    currency = analysis.settings.cost.currency if analysis.settings.cost else ""
    shown = [
        ("speed_ratio", "speed", "% of reference", 100.0, 1),
        ("mean_power_w", "mean power", "W", 1.0, 1),
        ("energy_per_frame_ratio", "energy per frame", "% of reference", 100.0, 1),
        ("temperature_difference_k", "temperature", "K", 1.0, 1),
        ("sound_difference_db", "sound level", "dB", 1.0, 1),
        ("cost_per_hour", "electricity for one hour", currency, 1.0, 4),
    ]
    present = [s for s in shown if any(pd.notna(r[s[0]]) for r in rows)]
    made = [
        Row(
            [
                Entry(names[r["profile"]], profile=r["profile"]),
                *(
                    _numbered(r[name], factor, decimals, f"efficiency/{r['profile']}/{name}")
                    for name, _, _, factor, decimals in present
                ),
                Entry(_place_of(r, names)),
            ],
            profile=r["profile"],
        )
        for r in rows
    ]
    return Table(
        "table-efficiency",
        f"All that was measured, side by side, over {ranked_over(analysis.efficiency)}; temperature and "
        "sound level against the reference. Watts and what they cost are arithmetic means over titles; what "
        "is in % of the reference is the geometric mean of the titles' ratios, so it is not the ratio of two "
        "watts in this table",
        [
            Heading("Profile"),
            *(Heading(heading, unit, number=True) for _, heading, unit, _, _ in present),
            Heading("against the other profiles", wide=True),
        ],
        made,
    )


def _scaled(value: Any, factor: float, decimals: int) -> str:
    return NOTHING if pd.isna(value) else number(float(value) * factor, decimals)


def _numbered(value: Any, factor: float, decimals: int, number_id: str) -> Entry:
    return Entry(NOTHING) if pd.isna(value) else Entry(_scaled(value, factor, decimals), "", number_id)


def _place_of(row: dict[str, Any], names: Names) -> str:
    if row["on_front"]:
        return "no other profile is at least as good in all of these and better in one"
    by = ", ".join(names[p.strip()] for p in str(row["dominated_by"]).split(",") if p.strip())
    if row["domination_decided"]:
        return f"beaten by {by}"
    return f"beaten by {by} in the estimates; not decided: within the margins or the intervals it may be even"


def wider_table(analysis: Analysis, names: Names) -> Table | None:
    """The two intervals over titles: these titles, and similar titles."""
    rows = [r for r in records(analysis.overall) if pd.notna(r["like_these_low"])]
    if not rows:
        return None
    made = []
    for r in rows:
        ratio = r["scale"] == "ratio"
        low, high, a, b = (
            100 * (float(r[n]) - 1) if ratio else float(r[n])
            for n in ("low", "high", "like_these_low", "like_these_high")
        )
        decimals = change_decimals(low, high)
        made.append(
            Row(
                [
                    Entry(str(r["label"])),
                    Entry(names[r["profile"]], profile=r["profile"]),
                    Entry(between(low, high, decimals, sign=True)),
                    Entry(between(a, b, decimals, sign=True), "", f"like-these/{r['profile']}/{r['metric']}"),
                    Entry(NOTHING if pd.isna(r["df"]) else number(float(r["df"]), 1)),
                    Entry("%" if ratio else str(r["unit"])),
                    Entry(
                        str(r["like_these_decision"]),
                        sign=SIGNS["same"] if r["like_these_decision"] == "same" else "",
                    ),
                ],
                profile=r["profile"],
            )
        )
    return Table(
        "table-wider",
        "The same for similar titles: the wider interval also carries the scatter between titles",
        [
            Heading("Metric"),
            Heading("Profile"),
            Heading("these titles", number=True),
            Heading("similar titles", number=True),
            Heading("degrees of freedom, these titles", number=True),
            Heading("unit"),
            Heading("decision for similar titles"),
        ],
        made,
    )


def leaning(analysis: Analysis, names: Names) -> list[str]:
    """Whether a single title carries a decision, a sentence each."""
    if analysis.sensitivity.empty:
        return []
    turned = [r for r in records(analysis.sensitivity) if r["changes_decision"]]
    if not turned:
        return ["No single title carries a decision: leaving any one out changes none of them."]
    return [
        f"Without {names[r['left_out']]}, {names[r['profile']]} would be {r['decision']} in {r['label']}."
        for r in turned
    ]


def scatter_table(analysis: Analysis, names: Names) -> Table | None:
    """Where the scatter of average FPS and 1 % low comes from, title by title."""
    shown = {metric.name for metric in METRICS.shown_in("scatter")}
    rows = [r for r in records(analysis.variance) if r["metric"] in shown]
    if not rows:
        return None
    made = [
        Row(
            [
                Entry(names.row(r["title"], r["setting"])),
                Entry(str(r["label"])),
                *(
                    _numbered(
                        r[f"{part}_pct"], 1.0, 2, f"scatter/{r['title']}.{r['setting']}/{r['metric']}/{part}"
                    )
                    for part in SCATTER
                ),
                Entry(str(r["advice"])),
            ],
            title=r["title"],
        )
        for r in rows
    ]
    return Table(
        "table-scatter",
        "Where the scatter comes from",
        [
            Heading("Title"),
            Heading("Metric"),
            Heading("within a repeat", "%", number=True),
            Heading("between repeats", "%", number=True),
            Heading("between campaigns", "%", number=True),
            Heading("where more work helps", wide=True),
        ],
        made,
    )


def instruments_table(analysis: Analysis, names: Names) -> Table | None:
    """Uncertainty of the instruments, apart from the scatter; None where the plan states none."""
    rows = records(analysis.instruments)
    if not rows:
        return None
    made = []
    for r in rows:
        cell = f"{r['title']}.{r['setting']}.{r['profile']}"
        decimals = decimals_for(float(r["value"]), float(r["u_instrument"]))
        made.append(
            Row(
                [
                    Entry(names.row(r["title"], r["setting"])),
                    Entry(names[r["profile"]], profile=r["profile"]),
                    Entry(str(r["label"])),
                    *(
                        _numbered(r[n], 1.0, decimals, f"instrument/{cell}/{r['metric']}/{n}")
                        for n in INSTRUMENT
                    ),
                    Entry(str(r["unit"])),
                ],
                title=r["title"],
                profile=r["profile"],
            )
        )
    return Table(
        "table-instruments",
        "Standard uncertainty by scatter and by the instruments that the plan states",
        [
            Heading("Title"),
            Heading("Profile"),
            Heading("Metric"),
            Heading("value", number=True),
            Heading("by scatter", number=True),
            Heading("by instrument", number=True),
            Heading("half width of both", number=True),
            Heading("unit"),
        ],
        made,
    )


def instruments_said(analysis: Analysis) -> list[str]:
    """What a reader must know where no accuracy was stated."""
    if analysis.instruments.empty:
        return ["The plan states no accuracy for the instruments; the intervals hold the scatter alone."]
    return []
