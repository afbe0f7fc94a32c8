"""From a campaign and its analysis to the charts over all titles. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Any

import pandas as pd

from harness.analysis import Analysis
from harness.analysis.efficiency import ranked_over
from harness.metrics import METRICS
from harness.metrics.definition import Place, Role
from harness.report.charts import drawn_overview, scales, style
from harness.report.charts.chart import Chart, Frame, Looks
from harness.report.charts.quantity_figures import quantity_charts
from harness.report.conditions import start_limit, start_word
from harness.report.elements import records
from harness.report.folder import Campaign
from harness.report.names import Names
from harness.report.sections.summary import shown_change

#: Values below each other in a still of the comparison; upright, two panels share the height.
VALUES_OF_A_STILL = 16
#: The same of levels, where no value is printed.
LEVELS_OF_A_STILL = 32


def looks_of(campaign: Campaign) -> dict[str, style.ProfileLook]:
    """Look of every profile of the plan, and of any other that was measured."""
    planned = [p.name for p in campaign.plan.profiles]
    extra = [p for p in campaign.attempts["profile"].unique() if p not in planned]
    return style.profile_looks([*planned, *extra], campaign.plan.plan.reference)


def summary_charts(campaign: Campaign, analysis: Analysis, names: Names) -> list[Chart]:
    """The charts over all titles: comparison, levels, efficiency, drift, start conditions."""
    found = (
        comparison_chart(analysis, names, looks_of(campaign)),
        levels_chart(analysis, names, looks_of(campaign)),
        efficiency_chart(analysis, names, looks_of(campaign)),
        *quantity_charts(campaign, analysis, names, looks_of(campaign)),
        drift_chart(campaign, names, looks_of(campaign)),
        conditions_chart(campaign, names, looks_of(campaign)),
    )
    return [chart for chart in found if chart is not None]


def speed_metric(analysis: Analysis) -> str | None:
    """The metric that stands for speed in this campaign; None where no comparison has one."""
    return metric_for("speed", analysis)


def ratios_in(chart: Place) -> list[str]:
    """Metrics that are panels of a chart of changes in %, besides speed."""
    return [m.name for m in METRICS.shown_in(chart) if m.scale == "ratio" and m.role != "speed"]


def metric_for(role: Role, analysis: Analysis) -> str | None:
    """The metric that stands for it in this campaign; None where no comparison has one."""
    present = set(analysis.overall["metric"])
    return next((m.name for m in METRICS.standing_for(role) if m.name in present), None)


def effects(analysis: Analysis, names: Names, metrics: Iterable[str]) -> pd.DataFrame:
    """Ratios as changes in %, by title and over all titles, as the comparison chart takes them."""
    rows: list[dict[str, Any]] = []
    several = analysis.comparisons[["title", "setting"]].drop_duplicates().shape[0] > 1
    for metric in metrics:
        for source, summary in ((analysis.comparisons, False), (analysis.overall, True)):
            for r in records(source[source["metric"] == metric]):
                if summary and not several:
                    continue
                value, low, high, unit = shown_change(r)
                rows.append(
                    {
                        "metric": metric,
                        "metric_label": r["label"],
                        "unit": unit,
                        "title": "" if summary else r["title"],
                        "row_label": "all titles" if summary else names.row(r["title"], r["setting"]),
                        "summary": summary,
                        "profile": r["profile"],
                        "profile_label": names[r["profile"]],
                        "change_pct": value,
                        "low_pct": low,
                        "high_pct": high,
                        "decision": r["decision"],
                    }
                )
    return pd.DataFrame(rows)


def comparison_chart(analysis: Analysis, names: Names, looks: Looks) -> Chart | None:
    speed = speed_metric(analysis)
    if speed is None:
        return None
    data = effects(analysis, names, [speed, *ratios_in("comparison-chart")])
    settings = analysis.settings
    labels = labels_of(names, looks)

    def drawn(part: pd.DataFrame) -> Any:
        against = names[settings.reference]
        return drawn_overview.comparison(part, looks, labels, settings.margin_pct, against, whole=data)

    whole = Chart(
        id="comparison",
        heading="Change against the reference, title by title",
        caption=(
            f"Each mark is the change of one profile against {names[settings.reference]}, with its "
            f"{settings.confidence_pct:g} % interval; the shaded band is the plan's margin of "
            f"{settings.margin_pct:g} %, inside which a difference counts as none."
            f"{arrows_said(data, settings.margin_pct)}"
        ),
        alt=analysis.answer,
        data=data,
        draw=drawn(data),
        height_in=1.2 + 0.15 * len(data.drop_duplicates("row_label")) * (1 + data["profile"].nunique()),
    )
    return replace(whole, stills=_stills(whole, data, drawn))


def arrows_said(data: pd.DataFrame, margin_pct: float) -> str:
    """What an arrow means in a chart of changes; nothing where it has none."""
    if not scales.is_cut(data, scales.change_scale_pct(data, margin_pct)):
        return ""
    return " An arrow: the interval goes on beyond the scale, to the ends that stand behind its value."


def _stills(
    whole: Chart, data: pd.DataFrame, drawn: Callable[[pd.DataFrame], Any], most: int = VALUES_OF_A_STILL
) -> list[Chart]:
    """Parts of a chart in which each value has a line of its own; none where one still holds all."""
    rows = list(dict.fromkeys(data["row_label"]))
    each = max(1, most // data["profile"].nunique())
    count = -(-len(rows) // each)
    if count < 2:
        return []
    share = -(-len(rows) // count)
    parts = [data[data["row_label"].isin(rows[i : i + share])] for i in range(0, len(rows), share)]
    return [
        replace(
            whole, id=f"{whole.id}-{i}-of-{len(parts)}", heading=f"{whole.heading}, {i} of {len(parts)}",
            data=part, draw=drawn(part),
        )
        for i, part in enumerate(parts, start=1)
    ]  # fmt: skip


def levels_chart(analysis: Analysis, names: Names, looks: Looks) -> Chart | None:
    cells = analysis.cells
    rows: dict[str, dict[str, Any]] = {}
    for r in records(cells[cells["metric"].isin(["average_fps", "one_percent_low_fps"])]):
        row = rows.setdefault(
            r["cell_id"],
            {
                "title": r["title"],
                "row_label": names.row(r["title"], r["setting"]),
                "profile": r["profile"],
                "profile_label": names[r["profile"]],
            },
        )
        stem = "average" if r["metric"] == "average_fps" else "one_percent_low"
        row |= {f"{stem}_fps": r["mean"], f"{stem}_low_fps": r["low"], f"{stem}_high_fps": r["high"]}
    if not rows:
        return None
    wanted = [f"{s}_{e}fps" for s in ("average", "one_percent_low") for e in ("", "low_", "high_")]
    data = pd.DataFrame(list(rows.values())).reindex(
        columns=["title", "row_label", "profile", "profile_label", *wanted]
    )
    ranked = records(data.sort_values("average_fps"))
    best, worst = ranked[-1], ranked[0]

    def drawn(part: pd.DataFrame) -> Any:
        return drawn_overview.levels(part, looks, labels_of(names, looks), "1 % low", whole=data)

    whole = Chart(
        id="levels",
        heading="Average FPS and 1 % low",
        caption="Mean over accepted repeats with interval. The line joins a cell's average and 1 % low.",
        alt=(
            f"Average FPS from {worst['average_fps']:.0f} ({worst['row_label']}, {worst['profile_label']}) "
            f"to {best['average_fps']:.0f} ({best['row_label']}, {best['profile_label']})."
        ),
        data=data,
        draw=drawn(data),
        height_in=1.1 + 0.15 * data["row_label"].nunique() * (1 + data["profile"].nunique()),
    )
    return replace(whole, stills=_stills(whole, data, drawn, LEVELS_OF_A_STILL))


_DRAWN = ("power", "power_low", "power_high", "speed", "speed_low", "speed_high")


def efficiency_points(analysis: Analysis) -> pd.DataFrame:
    """Power and speed of each profile in % of the reference, over the titles that all profiles have.

    Empty where power was not measured or no title has all profiles.
    """
    rows = [
        {"profile": row["profile"], "power_metric": row["power_metric"]}
        | {f"{name}_pct": 100 * row[f"{name}_ratio"] for name in _DRAWN}
        for row in records(analysis.efficiency)
        if pd.notna(row["power_ratio"]) and pd.notna(row["speed_ratio"])
    ]
    if not rows:
        return pd.DataFrame()
    points = pd.DataFrame(rows)
    points["on_front"] = drawn_overview.efficiency_front(list(points["power_pct"]), list(points["speed_pct"]))
    return points


def efficiency_chart(analysis: Analysis, names: Names, looks: Looks) -> Chart | None:
    points = efficiency_points(analysis)
    if len(points) < 2:
        return None
    data = points.assign(profile_label=[names[p] for p in points["profile"]])
    front = " and ".join(data.loc[data["on_front"], "profile_label"])
    power = METRICS.compared_as[str(points["power_metric"].iloc[0])]
    return Chart(
        id="efficiency",
        heading="Speed against power",
        caption=(
            f"Geometric means over {ranked_over(analysis.efficiency)}, in % of "
            f"{names[analysis.settings.reference]}; mean power {power.where}. The dashed line joins the "
            "profiles that no other profile beats in both."
        ),
        alt=f"On the efficiency front: {front}.",
        data=data,
        draw=drawn_overview.efficiency(points, looks, labels_of(names, looks)),
        height_in=4.4,
    )


def drift_points(campaign: Campaign) -> pd.DataFrame:
    """Every accepted repeat against the mean of its cell, over the night."""
    rows = campaign.repeats.dropna(subset=["average_fps", "start_s"])
    rows = rows[rows["average_fps"] > 0]
    sentinel = rows["sentinel"].fillna(False).astype(bool)
    planned = rows[~sentinel].groupby("cell_id")["average_fps"]
    mean = rows["cell_id"].map(planned.mean()).astype(float)
    count = rows["cell_id"].map(planned.size())
    made = pd.DataFrame(
        {
            "hours": rows["start_s"].astype(float) / 3600,
            "title": rows["title"],
            "setting": rows["setting"],
            "profile": rows["profile"],
            "deviation_pct": 100 * (rows["average_fps"].astype(float) / mean - 1),
            "sentinel": sentinel,
            "repeat": _names_of(rows),
        }
    )
    shown = made[count > 1].reset_index(drop=True)
    return shown.assign(running_median_pct=scales.running_median(shown, "deviation_pct"))


def _names_of(rows: pd.DataFrame) -> pd.Series[str]:
    """``repeat.attempt`` of each row; a sentinel is called one."""
    names = rows["repeat_index"].astype(str) + "." + rows["attempt_index"].astype(str)
    return names.mask(rows["sentinel"].fillna(False).astype(bool), "sentinel " + names)


def drift_chart(campaign: Campaign, names: Names, looks: Looks) -> Chart | None:
    points = drift_points(campaign)
    if points.empty:
        return None
    data = points.assign(profile_label=[names[p] for p in points["profile"]])
    spread = float(points["deviation_pct"].abs().max())
    return Chart(
        id="drift",
        heading="Drift over the night",
        caption="Each accepted repeat and sentinel against the mean of its cell's repeats."
        + (" The line is the running median." if points["running_median_pct"].notna().any() else ""),
        alt=f"No repeat is further than {spread:.1f} % from the mean of its cell.",
        data=data,
        draw=drawn_overview.drift(points, looks, labels_of(names, looks)),
        height_in=3.4,
        frame=Frame(),
    )


def conditions_chart(campaign: Campaign, names: Names, looks: Looks) -> Chart | None:
    rows = campaign.repeats
    points = pd.DataFrame(
        {
            "hours": rows["start_s"].astype(float) / 3600,
            "title": rows["title"],
            "setting": rows["setting"],
            "profile": rows["profile"],
            "start_temp_c": rows["start_temp_c"].astype(float),
            "start_ambient_temp_c": rows["start_ambient_temp_c"].astype(float),
            "repeat": _names_of(rows),
        }
    )
    start = points["start_temp_c"].dropna()
    if start.empty:
        return None
    data = points.assign(profile_label=[names[p] for p in points["profile"]])
    word, limit = start_word(campaign.plan), start_limit(campaign.plan)
    line = f" The dashed line is the plan's {limit[1]} rule." if limit else ""
    line += (
        " The other line is the ambient temperature." if data["start_ambient_temp_c"].notna().any() else ""
    )
    return Chart(
        id="start-conditions",
        heading="Temperature at the start of every repeat and sentinel",
        caption=f"At the end of the {word}.{line}",
        alt=f"Start temperatures between {start.min():.1f} and {start.max():.1f} °C.",
        data=data,
        draw=drawn_overview.start_conditions(points, looks, labels_of(names, looks), word, limit),
        height_in=3.4,
        frame=Frame(),
    )


def labels_of(names: Names, looks: Looks) -> dict[str, str]:
    """Profile -> its label."""
    return {profile: names[profile] for profile in looks}


def captioned(chart: Chart, captions: Mapping[str, str]) -> Chart:
    """The chart with the plan's caption for it, or for its kind (``frametimes`` for every title's)."""
    own = captions.get(chart.id) or captions.get(chart.id.split("-")[0])
    return replace(chart, caption=own) if own else chart
