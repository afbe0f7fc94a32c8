"""The first screen: what each profile changes, and beside it what went wrong under it. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

import pandas as pd
from markupsafe import Markup

from harness.analysis import Analysis, words
from harness.metrics import METRICS
from harness.metrics.definition import Role
from harness.numerals import at_start, counted, out_of, shown_unit
from harness.report.charts import first_picture
from harness.report.charts.chart import Looks
from harness.report.charts.data_table import data_table
from harness.report.elements import (
    Figure,
    Glance,
    ProfileGlance,
    between,
    change_decimals,
    number,
    records,
    signed,
)
from harness.report.folder import Campaign
from harness.report.mean_levels import BeforeAfter, before_after, level_decimals
from harness.report.names import Names
from harness.report.sections import power_doubt
from harness.report.sections.summary import SIGNS, shown_change

#: What is shown of each profile, each by the metric that stands for it; FPS per watt follows the power.
ROLES: Final[tuple[Role, ...]] = ("speed", "low", "power", "temperature", "sound")
_NOT_MEASURED: Final[Mapping[Role, str]] = {
    "speed": "frame rate", "low": "1 % low", "power": "power", "temperature": "temperature",
    "sound": "sound level",
}  # fmt: skip
#: Checks that find other programs at work.
FOREIGN: Final = ("foreign-cpu-load", "foreign-gpu-load")


def glance(campaign: Campaign, analysis: Analysis, names: Names, looks: Looks) -> Glance:
    """All of it, from a campaign and its analysis."""
    metrics = shown_metrics(analysis)
    by_key = {(r["profile"], r["metric"]): r for r in records(analysis.overall)}
    levels = before_after(analysis)
    compared = list(dict.fromkeys(analysis.overall["profile"]))
    reference = analysis.settings.reference
    most = int(analysis.overall["n_titles"].max()) if len(analysis.overall) else 0
    wrong = {p: what_went_wrong(campaign, analysis, p) for p in _tried(campaign, analysis)}
    profiles = [
        ProfileGlance(
            profile,
            names[profile],
            [
                _figure(by_key.get((profile, m)), *_beside(levels, by_key, profile, m), most, analysis)
                for m in metrics
            ]
            if profile in compared
            else [None] * len(metrics),
            wrong[profile],
        )
        for profile in sorted(wrong, key=lambda p: p != reference)
    ]
    labels = [METRICS.compared_as[m].label for m in metrics]
    places = [(t.name, s.name) for t in campaign.plan.titles for s in t.settings]
    places += sorted({(str(t), str(s)) for t, s in _measured_places(analysis)} - set(places))
    data = first_picture.table_of(analysis, names, places)
    drawn = len(data) > 0
    return Glance(
        reference=names[reference],
        columns=[at_start(label) for label in labels],
        profiles=profiles,
        notes=[*_notes(analysis, names, metrics, most), *power_doubt.said(campaign, analysis, names)],
        wide=first_picture.draw(data, looks, first_picture.layout(data, 1240)) if drawn else Markup(),
        narrow=first_picture.draw(data, looks, first_picture.layout(data, 340, stacked=True))
        if drawn
        else Markup(),
        alt=first_picture.alt_text(data) if drawn else "",
        picture_notes=_picture_notes(analysis, data) if drawn else (),
        table=data_table("first-picture", "Frame rates and power by title", _shown_columns(data))
        if drawn
        else None,
    )


def shown_metrics(analysis: Analysis) -> list[str]:
    """The metrics of the first screen, those that were measured."""
    present = set(analysis.overall["metric"])
    found: list[str] = []
    for role in ROLES:
        mine = [m.name for m in METRICS.standing_for(role) if m.name in present]
        found += mine[:1]
        if role == "speed" and "average_fps" in mine[1:]:
            found.append("average_fps")  # scores have no frames per second; those of the others are shown too
        if role == "power" and "fps_per_w" in present:
            found.append("fps_per_w")
    return found


def what_went_wrong(campaign: Campaign, analysis: Analysis, profile: str) -> list[str]:
    """What of a profile's repeats crashed, is missing, is marked or was disturbed, a few words each."""
    said = [
        f"crashed in {one.crashed} of {counted(one.tries, 'try', 'tries')}"
        for one in analysis.crashes
        if one.profile == profile and one.crashed
    ]
    mine = campaign.counted[campaign.counted["profile"] == profile]
    have = mine.groupby("cell_id").size().to_dict()
    least = campaign.plan.plan.repeats_at_least
    cells = {f"{t.name}.{s.name}.{profile}" for t in campaign.plan.titles for s in t.settings}
    wanted = sum(max(int(have.get(cell, 0)), least) for cell in cells | set(have))
    if len(mine) < wanted:
        said.append(f"incomplete: {out_of(len(mine), wanted, 'repeat')} count")
    marked = sum(marks is not None and len(marks) > 0 for marks in mine["marks"])
    if marked:
        said.append(f"{counted(marked, 'repeat')} marked")
    disturbed = sum(loaded_by_others(row) for row in records(_planned(campaign, profile)))
    if disturbed:
        said.append(f"{counted(disturbed, 'attempt')} loaded by other programs")
    return said


def loaded_by_others(attempt: Mapping[str, Any]) -> bool:
    """Whether a check found other programs at work in an attempt, whatever became of it."""
    marks = attempt["marks"]
    codes = [str(mark).partition(":")[0] for mark in marks] if marks is not None else []
    return attempt["reason_code"] in FOREIGN or any(code in FOREIGN for code in codes)


def _planned(campaign: Campaign, profile: str) -> pd.DataFrame:
    attempts = campaign.attempts
    return attempts[(attempts["profile"] == profile) & ~attempts["sentinel"].fillna(False).astype(bool)]


def _tried(campaign: Campaign, analysis: Analysis) -> list[str]:
    tried = set(campaign.attempts["profile"])
    return [p for p in dict.fromkeys([*analysis.settings.profiles, *sorted(tried)]) if p in tried]


def _measured_places(analysis: Analysis) -> list[tuple[str, str]]:
    return [(r["title"], r["setting"]) for r in records(analysis.cells)]


def _beside(
    levels: Mapping[tuple[str, str], BeforeAfter],
    by_key: Mapping[tuple[str, str], Mapping[str, Any]],
    profile: str,
    metric: str,
) -> tuple[BeforeAfter | None, str]:
    """What stands before and after a change, and the metric that it is of: speed has the scores' where all
    titles give scores."""
    scores, speed = by_key.get((profile, "score")), by_key.get((profile, metric))
    if metric == "speed" and scores and speed and scores["n_titles"] == speed["n_titles"]:
        metric = "score"
    return levels.get((profile, metric)), metric


def _figure(
    row: Mapping[str, Any] | None, levels: BeforeAfter | None, metric: str, most: int, analysis: Analysis
) -> Figure | None:
    if row is None:
        return None
    unsure = power_doubt.titles_in_doubt(analysis, str(row["metric"]), str(row["profile"]))
    value, low, high, unit = shown_change(row)
    decimals = change_decimals(low, high)
    change = signed(value, decimals)
    interval = between(low, high, decimals, sign=True)
    name = f"{row['profile']}/{row['metric']}"
    here = int(row["n_titles"])
    made = Figure(
        label=str(row["label"]),
        change=f"{change} {unit}",
        interval=f"({interval})" if interval else "(no interval)",
        arrow={"+": "▲", "−": "▼"}.get(change[:1], ""),
        verdict=_verdict(row),
        sign=SIGNS[row["direction"]],
        kind=str(row["direction"]),
        number_id=f"overall/{name}",
        remark=", ".join(
            [f"in {counted(here, 'title')} only"] * (here != most)
            + [f"{power_doubt.REMARK} in {counted(unsure, 'title')}"] * (unsure > 0)
        ),
    )
    if levels is None:
        return made
    places = level_decimals(levels, row)
    return replace(
        made,
        before=number(levels.before, places),
        after=number(levels.after, places),
        unit=shown_unit(levels.unit) or METRICS.compared_as[metric].label,
        before_id=f"level/{row['profile']}/{metric}/before",
        after_id=f"level/{row['profile']}/{metric}/after",
    )


def _verdict(row: Mapping[str, Any]) -> str:
    direction, decision = str(row["direction"]), str(row["decision"])
    if direction in ("better", "worse"):
        return f"{direction}: {decision}"
    return "no verdict asked" if direction == "descriptive" else decision


def _notes(analysis: Analysis, names: Names, metrics: Sequence[str], most: int) -> list[str]:
    settings = analysis.settings
    if not metrics:
        return []
    present = set(analysis.overall["metric"])
    lacking = [
        word
        for role, word in _NOT_MEASURED.items()
        if not any(m.name in present for m in METRICS.standing_for(role))
    ]
    said = [
        f"Change against {names[settings.reference]} over {counted(most, 'title')}, "
        f"{settings.confidence_pct:g} % interval in brackets; before and after are means over the same "
        "titles (geometric for what is compared in %, so that after ÷ before is the change).",
    ]
    if any(r["direction"] == "descriptive" for r in records(analysis.overall) if r["metric"] in metrics):
        said.append("Where no verdict is asked, the plan does not name the metric beforehand.")
    if lacking:
        said.append(f"Not measured in this campaign: {words.listed(lacking)}.")
    return said


def _picture_notes(analysis: Analysis, data: pd.DataFrame) -> list[str]:
    said = [
        "Means over the repeats that count. Bars begin at 0; each title's frame rates have their own scale."
    ]
    power = first_picture.power_metric(analysis)
    if power is not None:
        said.append(f"Watts: mean power {METRICS.compared_as[power].where}.")
    without = list(dict.fromkeys(data.loc[data["average_fps"].isna(), "row_label"]))
    if without:
        said.append(f"Without a frame rate under some profile: {', '.join(map(str, without))}.")
    return said


def _shown_columns(data: pd.DataFrame) -> pd.DataFrame:
    return data[[name for name in data.columns if not str(name).endswith("_text") and name != "setting"]]
