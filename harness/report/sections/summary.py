"""The report's tables: from a campaign and its analysis to rows of text. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pandas as pd

from harness.analysis import Analysis
from harness.metrics import METRICS
from harness.reasons import is_permanent
from harness.report.elements import (
    NOTHING,
    Column,
    Entry,
    Row,
    Table,
    between,
    decimals_for,
    duration,
    number,
    records,
    signed,
    text_or,
)
from harness.report.folder import Campaign
from harness.stages import STAGES

#: Before the decision; a number that is described and not claimed has no sign.
SIGNS = {
    "same": "=",
    "undecided": "?",
    "withheld": "!",
    "better": "▲",
    "worse": "▼",
    "changed": "",
    "descriptive": "",
}
_FACT_UNITS = {"mib": "MiB", "w": "W", "mhz": "MHz", "c": "°C", "s": "s", "hz": "Hz"}


class Names:
    """Names of a plan as a reader calls them."""

    def __init__(self, campaign: Campaign) -> None:
        plan = campaign.plan
        self._labels = {p.name: p.label for p in plan.profiles if p.label}
        self._labels |= {t.name: t.label for t in plan.titles if t.label}
        self._settings = {
            (title.name, setting.name): setting.label or setting.name
            for title in plan.titles
            for setting in title.settings
        }
        self._alone = {title.name for title in plan.titles if len(title.settings) == 1}

    def __getitem__(self, name: str) -> str:
        return self._labels.get(name, name)

    def add_to(self, other: Names) -> None:
        """Hand the settings of this plan to the names of several campaigns."""
        other._settings = {**getattr(other, "_settings", {}), **self._settings}
        other._alone = {*getattr(other, "_alone", ()), *self._alone}

    def row(self, title: str, setting: str) -> str:
        """Title, with its setting where it has several."""
        label = self[title]
        return label if title in self._alone else f"{label}, {self._settings.get((title, setting), setting)}"


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
        f"Change against {names[analysis.settings.reference]} over {count} "
        f"{'title' if count == 1 else 'titles'}, {analysis.settings.confidence_pct:g} % interval, decision "
        "(claimed metrics: joint intervals; the rest is described only)",
        [Column("Metric"), *(Column(names[p]) for p in profiles)],
        rows,
    )


def _overall_entry(row: Mapping[str, Any], most: int) -> Entry:
    """A change over titles; told in how many where these are not all that the table is over."""
    entry = change_entry(row, f"overall/{row['profile']}/{row['metric']}")
    here = int(row["n_titles"])
    if here == most:
        return entry
    return replace(entry, range=f"{entry.range} in {here} {'title' if here == 1 else 'titles'} only")


def change_entry(row: Mapping[str, Any], number_id: str) -> Entry:
    """A change, its interval and its decision word: ``= same −0.8 % (−1.0 to −0.6)``."""
    value, low, high, unit = shown_change(row)
    decimals = 2 if (high - low) / 2 < 0.1 else 1
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
            entries.append(change_entry(row, number_id) if row else Entry(NOTHING))
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
            Column("Title"),
            Column("Profile"),
            *(Column(labels[m]) for m in present),
            Column("further repeats", number=True),
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
                        _level_entry(r, f"cell/{cell['cell_id']}/{m}")
                        for r, m in zip(found, present, strict=True)
                    ),
                ],
                title=cell["title"],
                profile=cell["profile"],
            )
        )
    return Table(
        "table-levels",
        f"Mean over accepted repeats ± half width of its {analysis.settings.confidence_pct:g} % interval",
        [
            Column("Title"),
            Column("Profile"),
            Column("repeats", number=True),
            *(Column(str(head.loc[m, "label"]), str(head.loc[m, "unit"]), number=True) for m in present),
        ],
        rows,
    )


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
            Column("Profile"),
            Column("repeats", number=True),
            Column("start temperature", "°C", number=True),
            Column("ambient at start", "°C", number=True),
            *(Column(stage.word, "s", number=True) for stage in stages),
            Column("foreign processor load", "%", number=True),
            *(Column(f"what ended the {stage.word}", wide=True) for stage in before),
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


def _in_plan_order(campaign: Campaign, rows: pd.DataFrame) -> list[str]:
    planned = [p.name for p in campaign.plan.profiles]
    present = list(rows["profile"].unique())
    return [p for p in planned if p in present] + [p for p in present if p not in planned]


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
            Column("Title"),
            Column("Profile"),
            Column("repeat.attempt"),
            Column("started", "UTC"),
            Column("verdict"),
            Column("check"),
            Column("reason", wide=True),
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
        [Column("Title"), Column("Profile"), Column("repeat.attempt"), Column("marks", wide=True)],
        rows,
    )


def account(campaign: Campaign) -> str:
    """What became of all attempts, in one sentence; the parts add up to the whole."""
    tried, counted = len(campaign.attempts), len(campaign.counted)
    watched, again = len(campaign.sentinels), len(campaign.second_looks)
    parts = [f"{counted} count{'s as a repeat' if counted == 1 else ' as repeats'}"]
    if watched:
        parts.append(f"{watched} {'is a sentinel' if watched == 1 else 'are sentinels'}")
    if again:
        parts.append(f"{again} {'is a re-measurement' if again == 1 else 'are re-measurements'}")
    rest = tried - counted - watched - again
    parts.append(f"{rest} {'does' if rest == 1 else 'do'} not count")
    were = "attempt was" if tried == 1 else "attempts were"
    return f"{tried} {were} made: {', '.join(parts[:-1])} and {parts[-1]}."


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
                    short.append(f"{place} under {names[profile.name]}: {have} of {wanted} repeats{why}.")
    return short


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


def rig_table(campaign: Campaign) -> Table:
    """Everything that is known of the rig."""
    rows = [
        Row([Entry(str(section).replace("_", " ")), Entry(_fact_name(str(name))), Entry(_plain(value))])
        for section, values in campaign.rig.get("facts", {}).items()
        for name, value in (values.items() if isinstance(values, dict) else [("", values)])
    ]
    rows.append(Row([Entry("rig"), Entry("identity"), Entry(str(campaign.rig.get("rig_id", NOTHING)))]))
    return Table("table-rig", "The rig", [Column("Part"), Column("Fact"), Column("Value", wide=True)], rows)


def _fact_name(name: str) -> str:
    """``memory_mib`` -> ``memory, MiB``: a unit at the end is set apart, as units are everywhere else."""
    stem, _, last = name.rpartition("_")
    unit = _FACT_UNITS.get(last) if stem else None
    return f"{stem.replace('_', ' ')}, {unit}" if unit else name.replace("_", " ")


def profiles_table(campaign: Campaign, names: Names) -> Table:
    """The profiles as the plan defines them and as they were last read back."""
    rows = []
    for profile in campaign.plan.profiles:
        options = ", ".join(f"{k} = {_plain(v)}" for k, v in profile.options.items()) or "as the maker set it"
        read = campaign.repeats.loc[campaign.repeats["profile"] == profile.name, "profile_read_back"].dropna()
        kinds = read.nunique()
        back = (
            NOTHING
            if not kinds
            else str(read.iloc[-1]) + (f" ({kinds} different readings)" if kinds > 1 else "")
        )
        rows.append(
            Row(
                [
                    Entry(names[profile.name], profile=profile.name),
                    Entry(profile.control),
                    Entry(options),
                    Entry(back),
                ],
                profile=profile.name,
            )
        )
    return Table(
        "table-profiles",
        "The profiles",
        [
            Column("Profile"),
            Column("control"),
            Column("asked for", wide=True),
            Column("read back", wide=True),
        ],
        rows,
    )


def _plain(value: Any) -> str:
    if isinstance(value, list | tuple):
        return ", ".join(map(str, value))
    return str(value)


def _when(value: Any) -> str:
    return NOTHING if pd.isna(value) else str(pd.Timestamp(value).strftime("%Y-%m-%d %H:%M:%S"))


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
