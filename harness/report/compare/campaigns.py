"""Several campaigns side by side: cards, drivers, dates. Pure.

A profile of a campaign becomes a *variant*. Variants of different campaigns are compared as independent
groups, for no block of the order spans two campaigns; what differs besides is listed, not corrected for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import pandas as pd

from harness.analysis import AnalysisSettings
from harness.analysis import words as sentences
from harness.analysis.analyse import Analysis, analyse
from harness.metrics import METRICS
from harness.numerals import counted
from harness.report.charts import figures
from harness.report.charts.chart import Chart
from harness.report.charts.style import ProfileLook, profile_looks
from harness.report.compare.definitions import Aliases, aliases, differences
from harness.report.elements import (
    NOTHING,
    Definition,
    Entry,
    Heading,
    Named,
    Picture,
    Row,
    Section,
    Table,
    View,
    records,
)
from harness.report.folder import Campaign
from harness.report.names import Names
from harness.report.page.page import picture
from harness.report.sections import summary, words


@dataclass(frozen=True)
class Several:
    """Campaigns to compare, with their own analyses. The first is what the others are compared with.

    Attributes:
        keys: Short key of each campaign, unique.
        names: What a reader calls each campaign, unique.
    """

    campaigns: Sequence[Campaign]
    analyses: Sequence[Analysis]
    keys: Sequence[str]
    names: Sequence[str]

    @cached_property
    def aliases(self) -> Sequence[Aliases]:
        """How each campaign's names read in the first one, where cells differ in names only."""
        first = self.campaigns[0].plan
        return [Aliases(), *(aliases(first, campaign.plan) for campaign in self.campaigns[1:])]

    @cached_property
    def rows(self) -> Sequence[pd.DataFrame]:
        """Each campaign's accepted repeats, cells that differ in names only called as in the first one."""
        return [_renamed(c.repeats, names) for c, names in zip(self.campaigns, self.aliases, strict=True)]

    @classmethod
    def of(cls, campaigns: Sequence[Campaign]) -> Several:
        analyses = [analyse(c.repeats, c.settings, c.attempts) for c in campaigns]
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
            for profile in dict.fromkeys(
                self.aliases[i].profiles.get(profile, profile) for profile in figures.looks_of(campaign)
            )
            if (self.rows[i]["profile"] == profile).any()
        }

    def repeats(self) -> pd.DataFrame:
        """All repeats, the variant in the place of the profile."""
        parts = []
        for key, rows in zip(self.keys, self.rows, strict=True):
            part = rows.copy()
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
            titles=self.titles(),
            labels=names.labels,
        )
        return analyse(self.repeats(), settings)

    def titles(self) -> tuple[str, ...]:
        """Titles of all plans, in the order of the plans."""
        return tuple(dict.fromkeys(t.name for c in self.campaigns for t in c.plan.titles))

    def profiles(self) -> tuple[str, ...]:
        """Measured profiles of all campaigns by name, in the order of the plans."""
        return tuple(dict.fromkeys(profile for _, profile in self.variants().values()))

    def looks(self) -> dict[str, ProfileLook]:
        """Look of each profile, the same in all campaigns."""
        return profile_looks(list(self.profiles()), self.campaigns[0].plan.plan.reference)

    def variant_looks(self) -> dict[str, ProfileLook]:
        """Look of every variant."""
        first = f"{self.keys[0]}-{self.campaigns[0].plan.plan.reference}"
        return profile_looks(list(self.variants()), first)

    @cached_property
    def pairs(self) -> Mapping[tuple[int, str], Analysis]:
        """(later campaign's place, profile) -> that profile there against itself in the first campaign."""
        found: dict[tuple[int, str], Analysis] = {}
        for i in range(1, len(self.campaigns)):
            for profile in figures.looks_of(self.campaigns[0]):
                pair = self._pair(i, profile)
                if pair is not None and len(pair.overall):
                    found[i, profile] = pair
        return found

    def _pair(self, place: int, profile: str) -> Analysis | None:
        parts = []
        for key, rows in (("before", self.rows[0]), ("after", self.rows[place])):
            part = rows[rows["profile"] == profile].copy()
            if part.empty:
                return None
            part["profile"] = key
            parts.append(part.dropna(axis="columns", how="all"))
        head = self.campaigns[0].plan.plan
        settings = AnalysisSettings(
            "before",
            head.margin_pct,
            head.confidence_pct,
            low_definition=head.one_percent_low,
            paired=False,
            labels={"before": self.names[0], "after": self.names[place]},
        )
        return analyse(pd.concat(parts, ignore_index=True), settings)

    def answer(self) -> str:
        """The first campaign's reference profile in each of the others."""
        base = self.campaigns[0]
        reference = base.plan.plan.reference
        label = Names(base)[reference]
        said = []
        for i, name in enumerate(self.names[1:], 1):
            pair = self.pairs.get((i, reference))
            speed = figures.speed_metric(pair) if pair else None
            if pair is None or speed is None:
                said.append(f"{name} shares no measured title with {self.names[0]}")
            else:
                row = records(pair.overall[pair.overall["metric"] == speed])[0]
                said.append(_claim(row, name, self.names[0], pair.settings))
        return f"Under {label}, {'; '.join(said)}."


def _claim(row: Mapping[str, Any], name: str, first: str, settings: AnalysisSettings) -> str:
    """``autumn is faster than spring over 5 titles (average FPS +19.9 %, 95 % interval …)``."""
    metric = METRICS.compared_as[str(row["metric"])]
    within = sentences.within(metric, settings)
    clause = sentences.claim(metric, row["decision"], name, first, within)
    change = sentences.change_with_interval(
        row["estimate"],
        row["low"],
        row["high"],
        row["scale"],
        row["unit"],
        settings.confidence_pct,
        row["claimed_together"],
    )
    opening = "it is " if row["decision"] == "undecided" else ""
    titles = counted(int(row["n_titles"]), "title")
    return f"{opening}{clause} over {titles} ({metric.label} {change})"


class CampaignNames(Names):
    """Names over several campaigns: a variant is called by its campaign and profile."""

    def __init__(self, several: Several) -> None:
        self.labels: dict[str, str] = {}
        own = [Names(campaign) for campaign in several.campaigns]
        for names in reversed(own):
            names.add_to(self)
        for variant, (i, profile) in several.variants().items():
            theirs = {ours: theirs for theirs, ours in several.aliases[i].profiles.items()}
            self.labels[variant] = f"{several.names[i]}: {own[i][theirs.get(profile, profile)]}"
        for campaign, names in zip(reversed(several.campaigns), reversed(own), strict=True):
            self.labels |= {profile.name: names[profile.name] for profile in campaign.plan.profiles}
            self.labels |= {title.name: names[title.name] for title in campaign.plan.titles}

    def __getitem__(self, name: str) -> str:
        return self.labels.get(name, name)


def campaigns_table(several: Several) -> Table:
    """What each campaign was, and so what differs between them."""
    facts: list[tuple[str, list[str]]] = [
        ("measured", [summary.night(c) for c in several.campaigns]),
        ("card", [c.fact("card", "model") or NOTHING for c in several.campaigns]),
        ("driver", [c.fact("card", "driver_version") or NOTHING for c in several.campaigns]),
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
    columns = [Heading("Campaign"), *(Heading(name) for name in several.names)]
    return Table("table-campaigns", "What was measured, on what and when", columns, rows)


def _joined(*parts: str | None) -> str:
    return " ".join(part for part in parts if part) or NOTHING


def cautions(several: Several) -> list[str]:
    """What stands between the campaigns besides what is asked about, a sentence each."""
    found = []
    for what, section, name in (
        ("card", "card", "model"),
        ("driver", "card", "driver_version"),
        ("processor", "processor", "model"),
    ):
        values = {campaign.fact(section, name) for campaign in several.campaigns}
        if len(values) > 1:
            found.append(f"The campaigns differ in their {what}.")
    if len({c.rig.get("rig_id") for c in several.campaigns}) > 1:
        found.append("The campaigns were measured on different rigs.")
    for i, name in enumerate(several.names[1:], 1):
        found += [*_called_otherwise(several, i), *_defined_otherwise(several, i, name)]
    if len({c.plan.plan.one_percent_low for c in several.campaigns}) > 1:
        found.append("The campaigns define the 1 % low differently; their lows must not be compared.")
    found.append(
        "Campaigns are compared as independent groups. What changed between them besides the thing asked "
        "about "
        "(room, driver, version of a title) is part of the difference."
    )
    return found


def _renamed(repeats: pd.DataFrame, names: Aliases) -> pd.DataFrame:
    """Repeats with a later plan's names read as the first one's."""
    if not names.places and not names.profiles:
        return repeats
    made = repeats.copy()
    places = [names.places.get(place, place) for place in zip(made["title"], made["setting"], strict=True)]
    made["title"] = [title for title, _ in places]
    made["setting"] = [setting for _, setting in places]
    made["profile"] = [names.profiles.get(profile, profile) for profile in made["profile"]]
    made["cell_id"] = made["title"] + "." + made["setting"] + "." + made["profile"]
    return made


def _called_otherwise(several: Several, place: int) -> list[str]:
    """Which names of a later campaign are read as names of the first one."""
    names, own = several.aliases[place], Names(several.campaigns[place])
    first = Names(several.campaigns[0])
    pairs = [(own.row(*theirs), first.row(*ours)) for theirs, ours in names.places.items()]
    pairs += [(own[theirs], first[ours]) for theirs, ours in names.profiles.items()]
    told = [f"{theirs} there is {ours} here" for theirs, ours in pairs if theirs != ours]
    if not told:
        return []
    return [
        f"{several.names[place]} is defined the same under other names and is compared by them: "
        f"{sentences.listed(told)}."
    ]


def _defined_otherwise(several: Several, place: int, name: str) -> list[str]:
    """What makes cells of a later campaign other measurements than those of the first, a sentence each."""
    first, other = several.campaigns[0], several.campaigns[place]
    hashes = [dict(zip(rows["cell_id"], rows["definition_hash"], strict=True)) for rows in several.rows]
    changed = [cell for cell, its in hashes[0].items() if hashes[place].get(cell, its) != its]
    if not changed:
        return []
    names = Names(first)
    found = differences(first.plan, other.plan, several.aliases[place], changed)
    shared = [cell for cell in hashes[0] if cell in hashes[place]]
    said = []
    for what, cells in found.items():
        where = "everywhere" if len(cells) == len(shared) else f"in {_places(cells, names)}"
        said.append(
            f"Not defined the same in {several.names[0]} and {name}, so part of the difference: "
            f"{what} ({where})."
        )
    unnamed = [cell for cell in changed if not any(cell in cells for cells in found.values())]
    if unnamed:
        said.append(
            f"Not defined the same in {several.names[0]} and {name} by what the plans of these folders no "
            f"longer tell, {_places(unnamed, names)}: their plans were changed during the night, or a plugin "
            "that read them is missing."
        )
    return said


def _places(cells: Sequence[str], names: Names) -> str:
    """``Harbour Lights under Quiet and Capped, and Copper Rain under Quiet``."""
    by_place: dict[str, list[str]] = {}
    for cell in cells:
        title, setting, profile = cell.split(".")
        by_place.setdefault(names.row(title, setting), []).append(names[profile])
    return "; ".join(f"{row} under {sentences.listed(profiles)}" for row, profiles in by_place.items())


def same_profile_table(several: Several, names: CampaignNames) -> Table | None:
    """The same profile in a later campaign against the first campaign, over shared titles."""
    rows = [
        Row(
            [
                Entry(names[profile], profile=profile),
                Entry(several.names[i]),
                Entry(str(r["label"])),
                summary.change_entry(r, ""),
                Entry(str(int(r["n_titles"]))),
            ],
            profile=profile,
            campaign=several.keys[i],
        )
        for (i, profile), pair in several.pairs.items()
        for r in records(pair.overall)
    ]
    if not rows:
        return None
    return Table(
        "table-same-profile",
        f"The same profile against {several.names[0]}, over the titles that both have",
        [
            Heading("Profile"),
            Heading("Campaign"),
            Heading("Metric"),
            Heading("change", wide=True),
            Heading("titles", number=True),
        ],
        rows,
    )


def levels_table(several: Several, analysis: Analysis, names: CampaignNames) -> Table:
    """Every cell of every campaign; a variant is shown as its campaign and its profile."""
    table = summary.levels_table(analysis, names)
    variants = several.variants()
    rows = []
    for row in table.rows:
        i, profile = variants[row.profile]
        title, _, *values = row.cells
        cells = [
            title,
            Entry(several.names[i]),
            Entry(names[profile], profile=profile),
            *(replace(value, number_id="") for value in values),
        ]
        rows.append(Row(cells, row.title, profile, several.keys[i]))
    first, *others = table.columns
    return Table(table.id, table.caption, [first, Heading("Campaign"), *others], rows)


def view_of(
    several: Several,
    analysis: Analysis,
    names: CampaignNames,
    made: Sequence[Chart],
    forms: Mapping[str, Any],
    version: str,
) -> View:
    """The page over several campaigns."""
    first = several.campaigns[0].plan
    same = same_profile_table(several, names)
    by_id = {chart.id: picture(chart, form=forms.get(chart.id)) for chart in made}

    def shown(chart_id: str) -> list[Picture]:
        return [by_id[chart_id]] if chart_id in by_id else []

    own = [
        Definition(f"{name}: {campaign.plan.plan.question}", analysis.answer)
        for name, campaign, analysis in zip(several.names, several.campaigns, several.analyses, strict=True)
    ]
    sections = [
        Section("campaigns", "The campaigns", tables=[campaigns_table(several)], bullets=cautions(several)),
        Section(
            "same-profile",
            "The same profile in another campaign",
            charts=shown("against-first"),
            closing_tables=[same] if same else [],
        ),
        Section(
            "answers",
            "Each campaign by itself",
            charts=shown("effects-by-campaign"),
            definitions=own,
        ),
        Section(
            "levels-section",
            "Average FPS and 1 % low",
            charts=shown("levels"),
            closing_tables=[levels_table(several, analysis, names)] if len(analysis.cells) else [],
        ),
        Section(
            "definitions",
            "Definitions and uncertainty",
            definitions=words.definitions(first),
            paragraphs=words.uncertainty(first),
        ),
        Section("cautions", "Cautions", bullets=list(words.CAUTIONS)),
    ]
    measured = {str(t) for rows in several.rows for t in rows["title"].unique()}
    return View(
        name=" and ".join(several.names),
        overline=f"{len(several.campaigns)} campaigns: {', '.join(several.names)}",
        question=f"What differs between {', '.join(several.names[:-1])} and {several.names[-1]}?",
        answer=several.answer(),
        simulated=any(c.simulated for c in several.campaigns),
        source=f"{len(several.campaigns)} campaigns with levelrig {version}",
        titles=[Named(t, names[t]) for t in several.titles() if t in measured],
        profiles=[Named(p, names[p]) for p in several.profiles()],
        campaigns=[Named(key, name) for key, name in zip(several.keys, several.names, strict=True)],
        sections=[
            s for s in sections if s.tables or s.charts or s.bullets or s.definitions or s.closing_tables
        ],
    )
