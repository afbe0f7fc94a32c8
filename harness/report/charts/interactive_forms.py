"""Which chart of the page has which interactive form, and the data that the page's script needs for it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from harness.report.charts import interactive, interactive_overview, interactive_title, title_figures
from harness.report.charts.chart import Chart
from harness.report.charts.drawn_overview import start_axis, values_said
from harness.report.charts.interactive import Encodings
from harness.report.charts.scales import change_scale_pct, change_text
from harness.report.charts.title_figures import Traces
from harness.report.conditions import start_limit, start_word
from harness.report.elements import records
from harness.report.folder import Campaign

#: Buckets of all frame-time traces of a page together; keeps a page of many repeats small.
ALL_BUCKETS = 130_000


def buckets_per_trace(repeats: int) -> int:
    """Buckets of one trace: at most one for each pixel of a narrow chart, fewer where repeats are many."""
    return max(100, min(title_figures.FRAME_BUCKETS, ALL_BUCKETS // max(repeats, 1)))


def overview_forms(campaign: Campaign, overview: Sequence[Chart], enc: Encodings) -> dict[str, Any]:
    """Chart id -> specification and data, for the charts over all titles."""
    plan = campaign.plan
    made: dict[str, Any] = {}
    for chart in overview:
        data = chart.data
        match chart.id:
            case "comparison":
                against = enc.labels[plan.plan.reference]
                spec = interactive_overview.comparison(chart, enc, plan.plan.margin_pct, against)
                data = changes_said(chart, plan.plan.margin_pct)
            case "levels":
                spec = interactive_overview.levels(chart, enc)
            case "efficiency":
                spec = interactive_overview.efficiency(chart, enc)
                data = data.assign(said=[f"{r['profile_label']}: {values_said(r)}" for r in records(data)])
            case "drift":
                axis = "average FPS against its cell's mean, %"
                median = ("running_median_pct", "running median")
                spec = interactive_overview.over_the_night(chart, enc, "deviation_pct", axis, line=median)
            case "start-conditions":
                limit = start_limit(plan)
                axis = start_axis(start_word(plan))
                level_c = None if limit is None else limit[0]
                ambient = ("start_ambient_temp_c", "ambient")
                spec = interactive_overview.over_the_night(chart, enc, "start_temp_c", axis, level_c, ambient)
            case _:
                continue
        made[chart.id] = {"spec": spec, "columns": interactive.columns_of(data)}
    return made


def changes_said(chart: Chart, margin_pct: float) -> pd.DataFrame:
    """Rows of a chart of changes with what is printed beside each."""
    ends = change_scale_pct(chart.data, margin_pct)
    return chart.data.assign(change_text=[change_text(r, ends) for r in records(chart.data)])


def title_forms(traces: Traces, made_charts: Sequence[Chart], enc: Encodings) -> dict[str, Any]:
    """Chart id -> specification and data, for the charts of one title and setting."""
    made: dict[str, Any] = {}
    for chart in made_charts:
        if chart.id.startswith("frametimes-"):
            made[chart.id] = {"spec": interactive_title.frametimes(enc), "traces": traces.packed}
        elif chart.id.startswith("distribution-"):
            columns = interactive.columns_of(chart.data)
            made[chart.id] = {"spec": interactive_title.distribution(enc), "columns": columns}
        elif chart.id.startswith("telemetry-"):
            span = (float(chart.data["t_s"].min()), float(chart.data["t_s"].max()))
            spec = interactive_title.telemetry(
                enc, traces.phases, title_figures.telemetry_panels(traces), span
            )
            made[chart.id] = {"spec": spec, "columns": interactive.columns_of(chart.data, 2)}
    return made


def page_data(forms: Mapping[str, Any], labels: Mapping[str, str], overview: Sequence[Chart]) -> str:
    """All that the page's script needs, as JSON that may stand inside a script element."""
    rows = {str(r) for c in overview if "row_label" in c.data for r in c.data["row_label"]}
    return interactive.to_json(
        {"labels": dict(labels), "rowLabels": sorted(rows) or [""], "charts": dict(forms)}
    )
