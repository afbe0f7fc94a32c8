"""Charts over several campaigns, and their interactive forms. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final

import pandas as pd

from harness.analysis import Analysis
from harness.report.charts import drawn_overview, figures, interactive, interactive_overview
from harness.report.charts.chart import Chart, Looks
from harness.report.charts.interactive import SELECTED, Encodings, Spec
from harness.report.charts.interactive_forms import changes_said
from harness.report.compare.campaigns import CampaignNames, Several
from harness.report.names import Names

_OWN: Final = "the campaign's own reference"
_WITHIN: Final = "campaign_label"
_SELECTED: Final = f"{SELECTED} && indexof(campaigns, datum.campaign) >= 0"


def charts_of(several: Several, analysis: Analysis, names: CampaignNames) -> list[Chart]:
    """The charts over several campaigns, those that the data allow."""
    looks = several.looks()
    found = (
        against_first_chart(several, names, looks),
        own_effects_chart(several, names, looks),
        levels_chart(several, analysis, names, looks),
    )
    return [chart for chart in found if chart is not None]


def forms(several: Several, made: Sequence[Chart], enc: Encodings) -> dict[str, Any]:
    """Chart id -> specification and data for the page's script."""
    margin_pct = several.campaigns[0].plan.plan.margin_pct
    specs: dict[str, Callable[[Chart], Spec]] = {
        "against-first": lambda c: interactive_overview.comparison(
            c, enc, margin_pct, several.names[0], _SELECTED, _within(several)
        ),
        "effects-by-campaign": lambda c: interactive_overview.comparison(c, enc, margin_pct, _OWN, _SELECTED),
        "levels": lambda c: interactive_overview.levels(c, enc, _SELECTED, _WITHIN),
    }
    rows = {c.id: c.data if c.id == "levels" else changes_said(c, margin_pct) for c in made}
    return {c.id: {"spec": specs[c.id](c), "columns": interactive.columns_of(rows[c.id])} for c in made}


def against_first_chart(several: Several, names: CampaignNames, looks: Looks) -> Chart | None:
    """Every profile of a later campaign against itself in the first one, title by title."""
    parts = []
    for (i, profile), pair in several.pairs.items():
        parts.append(
            _effects(pair, names).assign(
                campaign=several.keys[i],
                campaign_label=several.names[i],
                profile=profile,
                profile_label=names[profile],
            )
        )
    data = _stacked(parts)
    if data is None:
        return None
    order = {title: place for place, title in enumerate(several.titles())}
    data = data.sort_values("title", key=lambda t: t.map(order).fillna(len(order)), kind="stable")
    first, head = several.names[0], several.campaigns[0].plan.plan
    return Chart(
        id="against-first",
        heading="The same profile in another campaign, title by title",
        caption=(
            f"Change of each profile against the same profile in {first}, with its interval; the band is the "
            f"margin of {head.margin_pct:g} %. Only titles that both campaigns measured."
            f"{figures.arrows_said(data, head.margin_pct)}"
        ),
        alt=several.answer(),
        data=data.reset_index(drop=True),
        draw=drawn_overview.comparison(
            data, looks, _labels(several, names), head.margin_pct, first, _within(several)
        ),
        height_in=_height_in(data),
    )


def own_effects_chart(several: Several, names: CampaignNames, looks: Looks) -> Chart | None:
    """Each campaign's own changes against its own reference, over its titles."""
    parts = []
    for key, name, campaign, analysis, called in zip(
        several.keys, several.names, several.campaigns, several.analyses, several.aliases, strict=True
    ):
        power = figures.metric_for("power", analysis)
        more = [*([power] if power else []), *figures.ratios_in("campaigns-chart")]
        rows = _effects(analysis, Names(campaign), *more)
        if len(rows):
            rows["profile"] = [called.profiles.get(profile, profile) for profile in rows["profile"]]
        over_all = rows[rows["summary"]] if len(rows) and rows["summary"].any() else rows
        parts.append(over_all.assign(campaign=key, campaign_label=name, row_label=name, summary=False))
    data = _stacked(parts)
    if data is None:
        return None
    margin_pct = several.campaigns[0].plan.plan.margin_pct
    return Chart(
        id="effects-by-campaign",
        heading="The effect of each profile, campaign by campaign",
        caption=(
            f"Change against {_OWN} over its titles, with interval; the band is the margin of "
            f"{margin_pct:g} %.{figures.arrows_said(data, margin_pct)}"
        ),
        alt=f"Changes of {data['profile'].nunique()} profiles in {len(several.campaigns)} campaigns.",
        data=data,
        draw=drawn_overview.comparison(data, looks, _labels(several, names), margin_pct, _OWN),
        height_in=1.4 + 0.2 * len(several.names) * (1 + data["profile"].nunique()),
    )


def levels_chart(several: Several, analysis: Analysis, names: CampaignNames, looks: Looks) -> Chart | None:
    """Average FPS and 1 % low of every cell, a title's campaigns below each other."""
    variants = several.variants()
    base = figures.levels_chart(analysis, names, several.variant_looks())
    if base is None:
        return None
    places = [variants[v] for v in base.data["profile"]]
    data = base.data.assign(
        campaign=[several.keys[i] for i, _ in places],
        campaign_label=[several.names[i] for i, _ in places],
        profile=[profile for _, profile in places],
        profile_label=[names[profile] for _, profile in places],
    )
    return Chart(
        id="levels",
        heading=base.heading,
        caption=f"{base.caption} Campaigns of one title stand together.",
        alt=base.alt,
        data=data,
        draw=drawn_overview.levels(data, looks, _labels(several, names), "1 % low", _WITHIN),
        height_in=_height_in(data),
    )


def _labels(several: Several, names: CampaignNames) -> dict[str, str]:
    return {profile: names[profile] for profile in several.profiles()}


def _within(several: Several) -> str | None:
    """Later campaigns are rows of their own under each title, where there are several."""
    return _WITHIN if len(several.campaigns) > 2 else None


def _height_in(data: pd.DataFrame) -> float:
    groups, rows = data["row_label"].nunique(), len(data.drop_duplicates(["row_label", "campaign"]))
    return 1.2 + 0.15 * (rows * (1 + data["profile"].nunique()) + (2 * groups if rows > groups else 0))


def _effects(analysis: Analysis, names: Names, *more: str) -> pd.DataFrame:
    speed = figures.speed_metric(analysis)
    metrics = [*([speed] if speed else []), *figures.ratios_in("comparison-chart"), *more]
    return figures.effects(analysis, names, dict.fromkeys(metrics))


def _stacked(parts: Sequence[pd.DataFrame]) -> pd.DataFrame | None:
    present = [part for part in parts if len(part)]
    return pd.concat(present, ignore_index=True) if present else None
