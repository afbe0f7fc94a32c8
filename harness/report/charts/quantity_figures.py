"""Charts of one quantity by title, values printed: frame rate, power, temperature, noise. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pandas as pd

from harness.analysis import Analysis
from harness.metrics import METRICS, ComparedMetric
from harness.numerals import at_start, shown_unit
from harness.report.charts import drawn_bars, scales
from harness.report.charts.chart import Chart, Looks
from harness.report.elements import records
from harness.report.folder import Campaign
from harness.report.names import Names

#: Rows of one still: what fits where the smallest text has 3 % of the height.
ROWS_OF_A_STILL = 21


def quantity_charts(campaign: Campaign, analysis: Analysis, names: Names, looks: Looks) -> list[Chart]:
    """One chart for each quantity that was measured, by the metric that the first screen shows too; titles
    without it are named in it."""
    present = set(analysis.cells["metric"])
    known = METRICS.compared_as
    wanted: list[tuple[str, str, Sequence[ComparedMetric]]] = [
        ("frame-rate", "Average FPS and 1 % low", [known["average_fps"]]),
        ("power", "Power", METRICS.standing_for("power")),
        ("fps-per-watt", "FPS per watt", [known["fps_per_w"]]),
        ("temperature", "Temperature", METRICS.standing_for("temperature")),
        ("noise", "Noise", METRICS.standing_for("sound")),
    ]
    return [
        _chart(stem, heading, metric, campaign, analysis, names, looks)
        for stem, heading, candidates in wanted
        for metric in [m for m in candidates if m.name in present][:1]
    ]


def _chart(
    stem: str,
    heading: str,
    metric: ComparedMetric,
    campaign: Campaign,
    analysis: Analysis,
    names: Names,
    looks: Looks,
) -> Chart:
    second = "one_percent_low_fps" if metric.name == "average_fps" else ""
    data = values_by_title(campaign, analysis, names, looks, metric.name, second)
    labels = {profile: names[profile] for profile in looks}
    bars = metric.scale == "ratio"
    said = f"{at_start(metric.label)} in {shown_unit(metric.unit)}" if metric.unit else metric.label
    if second:
        said = "Pale bar: average FPS; full bar: 1 % low"
    cut = bars and float(data["value"].max()) > scales.cut_at(data["value"])
    how = "; a torn bar is longer than the scale" if cut else ""
    ends = "" if bars else f", with {analysis.settings.confidence_pct:g} % intervals"
    caption = f"{said}, mean over accepted repeats{ends}{how}."

    def drawn(part: pd.DataFrame) -> Any:
        if bars:
            return drawn_bars.bars(part, looks, labels, "1 % low" if second else "")
        return drawn_bars.dots(part, looks, labels)

    known = data.dropna(subset=["value"])
    ranked = records(known.sort_values("value"))
    whole = Chart(
        id=stem,
        heading=heading,
        caption=caption,
        alt=_alt(metric, ranked[0], ranked[-1]),
        data=data,
        draw=drawn(data),
        height_in=(0.5 if bars else 0.9) + 0.17 * drawn_bars.rows_high(data),
    )
    parts = _parts(data)
    if len(parts) < 2:
        return whole
    stills = [
        replace(
            whole, id=f"{stem}-{i}-of-{len(parts)}", heading=f"{heading}, {i} of {len(parts)}",
            data=part, draw=drawn(part),
        )
        for i, part in enumerate(parts, start=1)
    ]  # fmt: skip
    return replace(whole, stills=stills)


def _alt(metric: ComparedMetric, least: dict[str, Any], most: dict[str, Any]) -> str:
    ends = [f"{drawn_bars.printed(r)} ({r['row_label']}, {r['profile_label']})" for r in (least, most)]
    return f"{at_start(metric.label)} from {ends[0]} to {ends[1]} {shown_unit(metric.unit)}".rstrip()


def _parts(data: pd.DataFrame) -> list[pd.DataFrame]:
    """Whole groups of rows, as few parts as fit, of about equal length."""
    groups = [group for _, group in data.groupby("row_label", sort=False)]
    high = drawn_bars.rows_high(data)
    count = -(-int(high + 0.99) // ROWS_OF_A_STILL) if high > ROWS_OF_A_STILL + 4 else 1
    share = -(-len(groups) // count)
    return [pd.concat(groups[i : i + share], ignore_index=True) for i in range(0, len(groups), share)]


def values_by_title(
    campaign: Campaign, analysis: Analysis, names: Names, looks: Looks, metric: str, second: str = ""
) -> pd.DataFrame:
    """One row for each planned title, setting and profile, with the mean of its cell.

    Columns ``title``, ``row_label``, ``profile``, ``profile_label``, ``value``, ``value_low``,
    ``value_high``, with ``second`` the same of that, ``note`` (why there is no value; empty where there is).
    """
    cells = analysis.cells
    found = {(r["metric"], r["title"], r["setting"], r["profile"]): r for r in records(cells)}
    measured = {key[1:] for key in found}
    planned = [(t.name, s.name) for t in campaign.plan.titles for s in t.settings]
    places = list(dict.fromkeys([*planned, *((r["title"], r["setting"]) for r in records(cells))]))
    rows = []
    for title, setting in places:
        for profile in looks:
            row: dict[str, Any] = {
                "title": title,
                "row_label": names.row(title, setting),
                "profile": profile,
                "profile_label": names[profile],
            }
            for stem, name in (("value", metric), ("second", second)):
                if name:
                    cell = found.get((name, title, setting, profile), {})
                    row |= {
                        stem: cell.get("mean", float("nan")),
                        f"{stem}_low": cell.get("low", float("nan")),
                        f"{stem}_high": cell.get("high", float("nan")),
                    }
            there = (title, setting, profile) in measured
            row["note"] = "" if pd.notna(row["value"]) else _why(metric, there=there)
            rows.append(row)
    return pd.DataFrame(rows)


def _why(metric: str, *, there: bool) -> str:
    if not there:
        return "no repeat counts"
    return "no frames" if metric in ("average_fps", "fps_per_w") else "not measured"
