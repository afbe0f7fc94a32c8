"""Interactive forms of the charts over all titles: changes, levels, speed against power, the night. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from harness.report.charts.chart import Chart
from harness.report.charts.interactive import HEADING, SELECTED, Encodings, Spec, tooltip
from harness.report.charts.scales import change_scale_pct, efficiency_spans, margin_edges_pct


def comparison(
    chart: Chart,
    enc: Encodings,
    margin_pct: float,
    against: str,
    selected: str = SELECTED,
    within: str | None = None,
) -> Spec:
    """Change by title, one panel per metric; with ``within`` a line for each of its values under a title.

    Its rows have ``change_text`` beside the columns of the chart (:func:`changes_said`).
    """
    low, high = margin_edges_pct(margin_pct)
    ends = change_scale_pct(chart.data, margin_pct)
    titles = list(chart.data.sort_values("summary", kind="stable")["row_label"].unique())
    rows = titles if within is None else list(dict.fromkeys(chart.data[within]))
    compared = [p for p in enc.order if p in set(chart.data["profile"])]
    x = {
        "type": "quantitative",
        "title": f"change against {against}, %",
        "axis": {"tickCount": 5, "format": "~f"},
        "scale": {"domain": list(ends), "nice": False, "clamp": True},
    }
    y = {
        "field": within or "row_label",
        "type": "nominal",
        "sort": rows,
        "title": None,
        "axis": {"grid": False},
    }
    offset = {"field": "profile", "type": "nominal", "scale": {"domain": compared}}
    tips = tooltip(
        ("row_label", "title", ""),
        *([(within, "campaign", "")] if within else []),
        ("profile_label", "profile", ""),
        ("change_pct", "change, %", "+.2f"),
        ("low_pct", "from, %", "+.2f"),
        ("high_pct", "to, %", "+.2f"),
        ("decision", "decision", ""),
    )
    panels: list[Spec] = [
        {
            "title": {"text": panel, "anchor": "start"},
            "height": {"step": 13},
            "transform": [{"filter": {"field": "metric_label", "equal": panel}}, {"filter": selected}],
            "layer": [
                {
                    "data": {"values": [{"low": low, "high": high}]},
                    "mark": {"type": "rect", "color": "@band"},
                    "encoding": {"x": {"field": "low", **x}, "x2": {"field": "high"}},
                },
                {
                    "data": {"values": [{"at": 0}]},
                    "mark": {"type": "rule", "color": "@ink"},
                    "encoding": {"x": {"field": "at", **x}},
                },
                {
                    "mark": {"type": "rule", "strokeWidth": 3, "opacity": 0.5},
                    "encoding": {
                        "x": {"field": "low_pct", **x},
                        "x2": {"field": "high_pct"},
                        "y": y,
                        "yOffset": offset,
                        "color": enc.color,
                        "tooltip": tips,
                    },
                },
                {
                    "transform": [{"filter": {"field": "change_pct", "range": list(ends)}}],
                    "mark": {"type": "point", "filled": True, "size": 60, "opacity": 1},
                    "encoding": {
                        "x": {"field": "change_pct", **x},
                        "y": y,
                        "yOffset": offset,
                        "color": enc.color,
                        "shape": enc.shape,
                        "tooltip": tips,
                    },
                },
                *(
                    {
                        "transform": [{"filter": {"field": field, beyond: end}}],
                        "mark": {"type": "point", "filled": True, "size": 50, "opacity": 1, "shape": arrow},
                        "encoding": {
                            "x": {"field": field, **x},
                            "y": y,
                            "yOffset": offset,
                            "color": enc.color,
                            "tooltip": tips,
                        },
                    }
                    for field, beyond, end, arrow in (
                        ("low_pct", "lt", ends[0], "triangle-left"),
                        ("high_pct", "gt", ends[1], "triangle-right"),
                    )
                ),
                {
                    "mark": {"type": "text", "align": "left", "dx": 6, "color": "@ink", "fontSize": 11},
                    "encoding": {
                        "x": {"value": "width"},
                        "y": y,
                        "yOffset": offset,
                        "text": {"field": "change_text", "type": "nominal"},
                        "tooltip": tips,
                    },
                },
            ],
        }
        for panel in chart.data["metric_label"].unique()
    ]
    return {"concat": panels if within is None else [_under_headings(p, titles) for p in panels]}


def _under_headings(panel: Spec, headings: Sequence[str]) -> Spec:
    """A facet for each ``row_label``, its name above it."""
    outer: Spec = {key: panel[key] for key in ("title", "transform") if key in panel}
    row = {
        "field": "row_label",
        "type": "nominal",
        "title": None,
        "sort": list(headings),
        "header": HEADING,
    }
    spec = {key: value for key, value in panel.items() if key not in outer}
    return {**outer, "facet": {"row": row}, "spacing": 16, "spec": spec}


def levels(chart: Chart, enc: Encodings, selected: str = SELECTED, within: str | None = None) -> Spec:
    """Average FPS and 1 % low of every cell; with ``within`` a line for each of its values under a title."""
    row = within or "row_label"
    rows = list(chart.data[row].unique())
    present = [p for p in enc.order if p in set(chart.data["profile"])]
    x = {"type": "quantitative", "title": "frames per second (filled: average, hollow: 1 % low)"}
    y = {"field": row, "type": "nominal", "sort": rows, "title": None, "axis": {"grid": False}}
    common = {
        "y": y,
        "yOffset": {"field": "profile", "type": "nominal", "scale": {"domain": present}},
        "color": enc.color,
        "tooltip": tooltip(
            ("row_label", "title", ""),
            *([(within, "campaign", "")] if within else []),
            ("profile_label", "profile", ""),
            ("average_fps", "average FPS", ".2f"),
            ("average_low_fps", "from", ".2f"),
            ("average_high_fps", "to", ".2f"),
            ("one_percent_low_fps", "1 % low", ".2f"),
            ("one_percent_low_low_fps", "from", ".2f"),
            ("one_percent_low_high_fps", "to", ".2f"),
        ),
    }

    def span(a: str, b: str, width: float) -> Spec:
        return {
            "mark": {"type": "rule", "strokeWidth": width, "opacity": 0.5},
            "encoding": {"x": {"field": a, **x}, "x2": {"field": b}, **common},
        }

    def point(field: str, filled: bool) -> Spec:
        return {
            "mark": {"type": "point", "filled": filled, "size": 55, "opacity": 1, "strokeWidth": 1.5},
            "encoding": {"x": {"field": field, **x}, "shape": enc.shape, **common},
        }

    panel: Spec = {
        "height": {"step": 12},
        "transform": [{"filter": selected}],
        "layer": [
            span("one_percent_low_fps", "average_fps", 1),
            span("average_low_fps", "average_high_fps", 3.5),
            span("one_percent_low_low_fps", "one_percent_low_high_fps", 3.5),
            point("average_fps", True),
            point("one_percent_low_fps", False),
        ],
    }
    return panel if within is None else _under_headings(panel, list(chart.data["row_label"].unique()))


def efficiency(chart: Chart, enc: Encodings) -> Spec:
    """Speed against power. Its rows have ``said`` beside the columns of the chart: profile and values."""
    spans = efficiency_spans(chart.data)
    middle = sum(spans["power"]) / 2  # what a point is said to be stands on the side that has room
    x, y = (
        {
            "field": f"{axis}_pct",
            "type": "quantitative",
            "title": f"{title}, % of the reference",
            "scale": {"zero": False, "nice": False, "domain": list(spans[axis])},
        }
        for axis, title in (("power", "mean power"), ("speed", "speed"))
    )
    tips = tooltip(
        ("profile_label", "profile", ""), ("power_pct", "power, %", ".1f"), ("speed_pct", "speed, %", ".1f")
    )
    return {
        "height": 320,
        "transform": [{"filter": "indexof(profiles, datum.profile) >= 0"}],
        "layer": [
            {
                "transform": [{"filter": "datum.on_front"}],
                "mark": {"type": "line", "strokeDash": [5, 3], "color": "@band-edge"},
                "encoding": {"x": x, "y": y, "order": {"field": "power_pct", "type": "quantitative"}},
            },
            {
                "mark": {"type": "rule", "strokeWidth": 3, "opacity": 0.5},
                "encoding": {
                    "x": x,
                    "y": {**y, "field": "speed_low_pct"},
                    "y2": {"field": "speed_high_pct"},
                    "color": enc.color,
                },
            },
            {
                "mark": {"type": "rule", "strokeWidth": 3, "opacity": 0.5},
                "encoding": {
                    "y": y,
                    "x": {**x, "field": "power_low_pct"},
                    "x2": {"field": "power_high_pct"},
                    "color": enc.color,
                },
            },
            {
                "mark": {"type": "point", "filled": True, "size": 110, "opacity": 1},
                "encoding": {"x": x, "y": y, "color": enc.color, "shape": enc.shape, "tooltip": tips},
            },
            *(
                {
                    "transform": [{"filter": f"datum.power_pct {where} {middle}"}],
                    "mark": {"type": "text", "align": side, "dx": aside, "dy": 12, "color": "@ink"},
                    "encoding": {"x": x, "y": y, "text": {"field": "said", "type": "nominal"}},
                }
                for where, side, aside in (("<", "left", 9), (">=", "right", -9))
            ),
        ],
    }


def over_the_night(
    chart: Chart,
    enc: Encodings,
    field: str,
    axis: str,
    level: float | None = None,
    line: tuple[str, str] | None = None,
) -> Spec:
    """Points over the hours of the night: drift, or start conditions.

    Args:
        level: A height to draw a dashed line at.
        line: A column to join by a line, and what it is.
    """
    x = {"field": "hours", "type": "quantitative", "title": "hours since the campaign's first attempt"}
    y = {"field": field, "type": "quantitative", "title": axis, "scale": {"zero": False}}
    points: Spec = {
        "transform": [{"filter": SELECTED}],
        "mark": {"type": "point", "filled": True, "size": 45, "opacity": 0.8},
        "encoding": {
            "x": x,
            "y": y,
            "color": enc.color,
            "shape": enc.shape,
            "tooltip": tooltip(
                ("title_label", "title", ""),
                ("profile_label", "profile", ""),
                ("repeat", "repeat.attempt", ""),
                ("hours", "hours", ".2f"),
                (field, axis, ".2f"),
            ),
        },
    }
    layers: list[Spec] = [points]
    if line is not None and chart.data[line[0]].notna().any():
        column, what = line
        joined = {
            "transform": [{"filter": f"isValid(datum.{column})"}],
            "mark": {"type": "line", "color": "@quiet-ink", "strokeWidth": 1.6},
            "encoding": {"x": x, "y": {**y, "field": column}, "tooltip": tooltip((column, what, ".2f"))},
        }
        named = {
            "transform": [
                {"filter": f"isValid(datum.{column})"},
                {
                    "window": [{"op": "row_number", "as": "place"}],
                    "sort": [{"field": "hours", "order": "descending"}],
                },
                {"filter": "datum.place === 1"},
            ],
            "mark": {"type": "text", "align": "right", "dy": -9, "color": "@quiet-ink", "text": what},
            "encoding": {"x": x, "y": {**y, "field": column}},
        }
        layers = [joined, points, named]
    if level is not None:
        rule = {
            "data": {"values": [{"at": level}]},
            "mark": {"type": "rule", "color": "@quiet-ink", "strokeDash": [5, 3]},
            "encoding": {"y": {**y, "field": "at"}},
        }
        layers.insert(0, rule)
    return {"height": 240, "layer": layers}
