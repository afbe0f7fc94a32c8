"""Several campaigns side by side: cards, drivers, dates. Pure.

A profile of a campaign becomes a *variant*. Variants of different campaigns are compared as independent
groups, for no block of the order spans two campaigns; what differs besides is listed, not corrected for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from harness.analysis import Analysis, AnalysisSettings, analyse
from harness.report import charts, figures, summary, words
from harness.report.charts import Chart
from harness.report.folder import Campaign
from harness.report.look import ProfileLook, profile_looks
from harness.report.page import picture
from harness.report.summary import Names
from harness.report.view import NOTHING, Column, Entry, Named, Row, Section, Table, View, records


@dataclass(frozen=True)
class Several:
    """Campaigns to compare, with their own analyses.

    Attributes:
        keys: Short key of each campaign, unique.
        names: What a reader calls each campaign, unique.
    """

    campaigns: Sequence[Campaign]
    analyses: Sequence[Analysis]
    keys: Sequence[str]
    names: Sequence[str]

    @classmethod
    def of(cls, campaigns: Sequence[Campaign]) -> Several:
        analyses = [analyse(c.repeats, AnalysisSettings.from_plan(c.plan)) for c in campaigns]
        names = [c.name for c in campaigns]
        if len(set(names)) < len(names):
            names = [f"{c.name} ({c.folder.name})" for c in campaigns]
        if len(set(names)) < len(names):
            names = [f"{name} [{i}]" for i, name in enumerate(names, 1)]
        return cls(campaigns, analyses, [f"c{i}" for i in range(1, len(campaigns) + 1)], names)

    def variants(self) -> dict[str, tuple[int, str]]:
        """Variant -> campaign's place and profile, in order."""
        return {
            f"{key}-{profile}": (i, profile)
            for i, (key, campaign) in enumerate(zip(self.keys, self.campaigns, strict=True))
            for profile in figures.looks_of(campaign)
            if (campaign.repeats["profile"] == profile).any()
        }

    def repeats(self) -> pd.DataFrame:
        """All repeats, the variant in the place of the profile."""
        parts = []
        for key, campaign in zip(self.keys, self.campaigns, strict=True):
            part = campaign.repeats.copy()
            part["profile"] = key + "-" + part["profile"].astype(str)
            part["campaign_id"] = key
            parts.append(part.dropna(axis="columns", how="all"))
        return pd.concat(parts, ignore_index=True)

    def analysis(self, names: CampaignNames) -> Analysis:
        """Every variant against the first campaign's reference."""
        first = self.campaigns[0].plan
        settings = AnalysisSettings(
            reference=f"{self.keys[0]}-{first.plan.reference}",
            margin_pct=first.plan.margin_pct,
            confidence_pct=first.plan.confidence_pct,
            question=first.plan.question,
            low_definition=first.plan.one_percent_low,
            paired=False,
            profiles=tuple(self.variants()),
            titles=tuple(dict.fromkeys(t.name for c in self.campaigns for t in c.plan.titles)),
            labels=names.labels,
        )
        return analyse(self.repeats(), settings)


class CampaignNames(Names):
    """Names over several campaigns: a variant is called by its campaign and profile."""

    def __init__(self, several: Several) -> None:
        self.labels: dict[str, str] = {}
        own = [Names(campaign) for campaign in several.campaigns]
        for names in reversed(own):
            names.add_to(self)
        for variant, (i, profile) in several.variants().items():
            self.labels[variant] = f"{several.names[i]}: {own[i][profile]}"
        for campaign, names in zip(reversed(several.campaigns), reversed(own), strict=True):
            self.labels |= {title.name: names[title.name] for title in campaign.plan.titles}

    def __getitem__(self, name: str) -> str:
        return self.labels.get(name, name)


def campaigns_table(several: Several) -> Table:
    """What each campaign was, and so what differs between them."""
    facts: list[tuple[str, list[str]]] = [
        ("measured", [summary.night(c) for c in several.campaigns]),
        ("card", [c.fact("card", "model") or NOTHING for c in several.campaigns]),
        ("driver", [c.fact("card", "driver") or NOTHING for c in several.campaigns]),
        ("processor", [c.fact("processor", "model") or NOTHING for c in several.campaigns]),
        (
            "system",
            [_joined(c.fact("system", "name"), c.fact("system", "release")) for c in several.campaigns],
        ),
        ("rig", [str(c.rig.get("rig_id", NOTHING)) for c in several.campaigns]),
        ("repeats that count", [str(len(c.repeats)) for c in several.campaigns]),
        ("simulated", ["yes" if c.simulated else "no" for c in several.campaigns]),
        ("plan", [c.plan_sha256[:12] for c in several.campaigns]),
    ]
    rows = [Row([Entry(what), *(Entry(v) for v in values)]) for what, values in facts]
    columns = [Column("Campaign"), *(Column(name) for name in several.names)]
    return Table("table-campaigns", "The campaigns", columns, rows)


def _joined(*parts: str | None) -> str:
    return " ".join(part for part in parts if part) or NOTHING


def cautions(several: Several) -> list[str]:
    """What stands between the campaigns besides what is asked about, a sentence each."""
    found = []
    for what, section, name in (
        ("card", "card", "model"),
        ("driver", "card", "driver"),
        ("processor", "processor", "model"),
    ):
        values = {campaign.fact(section, name) for campaign in several.campaigns}
        if len(values) > 1:
            found.append(f"The campaigns differ in their {what}.")
    if len({c.rig.get("rig_id") for c in several.campaigns}) > 1:
        found.append("The campaigns were measured on different rigs.")
    hashes: dict[str, set[str]] = {}
    for campaign in several.campaigns:
        for row in records(campaign.repeats[["cell_id", "definition_hash"]].drop_duplicates()):
            hashes.setdefault(row["cell_id"], set()).add(row["definition_hash"])
    changed = sorted(
        {cell.rsplit(".", 1)[0] for cell, found_hashes in hashes.items() if len(found_hashes) > 1}
    )
    if changed:
        found.append(f"Not defined the same in all campaigns: {', '.join(changed)}.")
    if len({c.plan.plan.one_percent_low for c in several.campaigns}) > 1:
        found.append("The campaigns define the 1 % low differently; their lows must not be compared.")
    found.append(
        "Campaigns are compared as independent groups. What changed between them besides the thing asked "
        "about "
        "(room, driver, version of a title) is part of the difference."
    )
    return found


def own_effects(several: Several) -> pd.DataFrame:
    """Each campaign's own changes against its own reference, over its titles."""
    parts = []
    for name, campaign, analysis in zip(several.names, several.campaigns, several.analyses, strict=True):
        speed = figures.speed_metric(analysis)
        if speed is None:
            continue
        rows = figures.effects(
            analysis, Names(campaign), [speed, "one_percent_low_fps", "mean_power_w", "fps_per_w"]
        )
        over_all = rows[rows["summary"]] if rows["summary"].any() else rows
        parts.append(over_all.assign(row_label=name, summary=False))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def same_profile_table(several: Several) -> Table | None:
    """The same profile in a later campaign against the first campaign, over shared titles."""
    base = several.campaigns[0]
    rows = []
    for i, campaign in enumerate(several.campaigns[1:], 1):
        for profile in figures.looks_of(base):
            pair = _pair(base, campaign, profile)
            if pair is None:
                continue
            rows += [
                Row(
                    [
                        Entry(Names(base)[profile]),
                        Entry(several.names[i]),
                        Entry(str(r["label"])),
                        summary.change_entry(r, ""),
                        Entry(str(int(r["n_titles"]))),
                    ]
                )
                for r in records(pair.overall)
            ]
    if not rows:
        return None
    return Table(
        "table-same-profile",
        f"The same profile against {several.names[0]}, over the titles that both have",
        [
            Column("Profile"),
            Column("Campaign"),
            Column("Metric"),
            Column("change", wide=True),
            Column("titles", number=True),
        ],
        rows,
    )


def _pair(base: Campaign, other: Campaign, profile: str) -> Analysis | None:
    parts = []
    for key, campaign in (("before", base), ("after", other)):
        part = campaign.repeats[campaign.repeats["profile"] == profile].copy()
        if part.empty:
            return None
        part["profile"] = key
        parts.append(part.dropna(axis="columns", how="all"))
    head = base.plan.plan
    settings = AnalysisSettings("before", head.margin_pct, head.confidence_pct, paired=False)
    return analyse(pd.concat(parts, ignore_index=True), settings)


def charts_of(several: Several, analysis: Analysis, names: CampaignNames) -> list[Chart]:
    """The charts over several campaigns."""
    made: list[Chart] = []
    data = own_effects(several)
    if not data.empty:
        looks: dict[str, ProfileLook] = {}
        labels: dict[str, str] = {}
        for campaign in reversed(several.campaigns):
            looks |= figures.looks_of(campaign)
            labels |= {p: Names(campaign)[p] for p in figures.looks_of(campaign)}
        head = several.campaigns[0].plan.plan
        labels[head.reference] = "the campaign's own reference"
        made.append(
            Chart(
                id="effects-by-campaign",
                heading="The effect of each profile, campaign by campaign",
                caption=(
                    "Change against the campaign's own reference over its titles, with interval; the band "
                    "is the "
                    f"margin of {head.margin_pct:g} %."
                ),
                alt=f"Changes of {data['profile'].nunique()} profiles in {len(several.campaigns)} campaigns.",
                data=data,
                draw=charts.comparison(data, looks, labels, head.margin_pct, head.reference),
                height_in=1.4 + 0.2 * len(several.names) * (1 + data["profile"].nunique()),
            )
        )
    levels = figures.levels_chart(analysis, names, variant_looks(several))
    if levels is not None:
        made.append(levels)
    return made


def variant_looks(several: Several) -> dict[str, ProfileLook]:
    """Look of every variant."""
    variants = list(several.variants())
    return profile_looks(variants, f"{several.keys[0]}-{several.campaigns[0].plan.plan.reference}")


def all_looks(several: Several) -> dict[str, ProfileLook]:
    """Look of every variant and of every profile, for the page."""
    looks = variant_looks(several)
    for campaign in several.campaigns:
        looks = {**figures.looks_of(campaign), **looks}
    return looks


def view_of(
    several: Several, analysis: Analysis, names: CampaignNames, made: Sequence[Chart], version: str
) -> View:
    """The page over several campaigns."""
    first = several.campaigns[0].plan
    same = same_profile_table(several)
    own = Table(
        "table-answers",
        "What each campaign answers by itself",
        [Column("Campaign"), Column("Question", wide=True), Column("Answer", wide=True)],
        [
            Row([Entry(name), Entry(c.plan.plan.question), Entry(a.answer)])
            for name, c, a in zip(several.names, several.campaigns, several.analyses, strict=True)
        ],
    )
    by_id: Mapping[str, Any] = {chart.id: picture(chart) for chart in made}
    sections = [
        Section("campaigns", "The campaigns", tables=[campaigns_table(several)], bullets=cautions(several)),
        Section(
            "answers",
            "Each campaign by itself",
            tables=[own],
            charts=[by_id[i] for i in ("effects-by-campaign",) if i in by_id],
        ),
        Section("same-profile", "The same profile in another campaign", tables=[same] if same else []),
        Section(
            "levels-section",
            "Average FPS and 1 % low",
            charts=[by_id["levels"]] if "levels" in by_id else [],
            closing_tables=[summary.levels_table(analysis, names)] if len(analysis.cells) else [],
        ),
        Section(
            "definitions",
            "Definitions and uncertainty",
            definitions=words.definitions(first),
            paragraphs=words.uncertainty(first),
        ),
        Section("cautions", "Cautions", bullets=list(words.CAUTIONS)),
    ]
    answer = _answer(several)
    return View(
        name=" and ".join(several.names),
        overline=f"{len(several.campaigns)} campaigns: {', '.join(several.names)}",
        question=f"What differs between {', '.join(several.names[:-1])} and {several.names[-1]}?",
        answer=answer,
        simulated=any(c.simulated for c in several.campaigns),
        source=f"{len(several.campaigns)} campaigns with levelrig {version}",
        titles=[],
        profiles=[Named(v, names[v]) for v in several.variants()],
        sections=[
            s for s in sections if s.tables or s.charts or s.bullets or s.definitions or s.closing_tables
        ],
    )


def _answer(several: Several) -> str:
    """The reference profile of the first campaign in the others, in a sentence each."""
    base = several.campaigns[0]
    reference = base.plan.plan.reference
    found = []
    for name, campaign in zip(several.names[1:], several.campaigns[1:], strict=True):
        pair = _pair(base, campaign, reference)
        rows = (
            [] if pair is None else [r for r in records(pair.overall) if r["metric"] in figures.SPEED_METRICS]
        )
        if not rows:
            found.append(
                f"{name} shares no measured title under {Names(base)[reference]} with {several.names[0]}"
            )
            continue
        entry = summary.change_entry(rows[0], "")
        found.append(
            f"{name} against {several.names[0]} under {Names(base)[reference]}: {rows[0]['label']} "
            f"{entry.text} {entry.range}"
        )
    return "; ".join(found) + "."
