"""Interactive forms of the charts: Vega-Lite specifications as plain mappings. Pure.

A colour is written as ``@role`` and replaced in the page by the role's value on the present ground. Data are
columns (``{"name": [...]}``); the page turns them into rows when a chart comes into view. Titles and profiles
are selected through the signals ``title`` and ``profiles``; no text of a plan ever enters an expression.

Vega-Lite rather than Plotly for the size of what each page carries (``tests/bench/FIGURES.md``). Without
vl-convert the page keeps its static charts and is complete.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from harness.report.charts.chart import Chart, Looks, margin_edges_pct, phase_roles
from harness.report.charts.traces import Envelope

Spec = dict[str, Any]
SELECTED = (
    "(title === '' || datum.title === '' || datum.title === title) && indexof(profiles, datum.profile) >= 0"
)
#: The name of a facet, above it.
_HEADING: Spec = {
    "labelAngle": 0,
    "labelAlign": "left",
    "labelAnchor": "start",
    "labelOrient": "top",
    "labelPadding": 0,
    "labelBaseline": "top",
}
_ZOOM = {
    "name": "zoom",
    "select": {"type": "interval", "encodings": ["x"], "zoom": "wheel![event.shiftKey]"},
    "bind": "scales",
}


class Encodings:
    """Colour and mark of profiles, the same in every chart."""

    def __init__(self, looks: Looks, labels: Mapping[str, str]) -> None:
        names = list(looks)
        self.order = names
        self.color: Spec = {
            "field": "profile",
            "type": "nominal",
            "legend": None,
            "scale": {"domain": names, "range": [f"@{looks[n].role.name}" for n in names]},
        }
        self.shape = {
            "field": "profile",
            "type": "nominal",
            "legend": None,
            "scale": {"domain": names, "range": [looks[n].vega_mark for n in names]},
        }
        line = {"field": "profile_label", "type": "nominal"}
        shown = [labels[n] for n in names]
        legend = {
            "orient": "top",
            "title": None,
            "symbolType": "stroke",
            "symbolSize": 400,
            "symbolOpacity": 1,
            "symbolStrokeWidth": 2,
            "labelLimit": 260,
        }
        self.line_color = {
            **line,
            "legend": legend,
            "scale": {"domain": shown, "range": self.color["scale"]["range"]},
        }
        dashes = [[2 * d for d in looks[n].dash] or [1, 0] for n in names]
        self.line_dash = {**line, "legend": legend, "scale": {"domain": shown, "range": dashes}}
        self.labels = dict(labels)


def columns_of(frame: pd.DataFrame, decimals: int = 3) -> dict[str, list[Any]]:
    """A frame as columns of JSON values; missing becomes null."""
    found: dict[str, list[Any]] = {}
    for name in frame.columns:
        values = frame[name]
        if pd.api.types.is_float_dtype(values):
            values = values.round(decimals)
        found[str(name)] = [None if pd.isna(v) else v for v in values.tolist()]
    return found


def packed(profile: str, repeat: int, middle: bool, trace: Envelope, width_s: float, start_s: float) -> Spec:
    """A frame-time trace with shortest, longest and mean of each bucket in hundredths of a millisecond.

    Args:
        trace: Buckets of ``width_s`` from ``start_s`` on; empty buckets become null.
    """
    place = np.rint((trace.x - start_s) / width_s - 0.5).astype(int)
    size = int(place.max()) + 1 if place.size else 0
    lists = {}
    for name, values in (("low", trace.low), ("high", trace.high), ("mean", trace.mean)):
        whole: list[int | None] = [None] * size
        for at, value in zip(place.tolist(), np.rint(100 * values).astype(int).tolist(), strict=True):
            whole[at] = value
        lists[name] = whole
    facts = {"profile": profile, "repeat": repeat, "middle": middle}
    return {**facts, "start": round(start_s, 4), "width": round(width_s, 6), **lists}


def _tooltip(*fields: tuple[str, str, str]) -> list[Spec]:
    return [
        {"field": f, "title": t, **({"type": "quantitative", "format": fmt} if fmt else {"type": "nominal"})}
        for f, t, fmt in fields
    ]


def comparison(
    chart: Chart,
    enc: Encodings,
    margin_pct: float,
    against: str,
    selected: str = SELECTED,
    within: str | None = None,
) -> Spec:
    """Change by title, one panel per metric; with ``within`` a line for each of its values under a title."""
    low, high = margin_edges_pct(margin_pct)
    titles = list(chart.data.sort_values("summary", kind="stable")["row_label"].unique())
    rows = titles if within is None else list(dict.fromkeys(chart.data[within]))
    compared = [p for p in enc.order if p in set(chart.data["profile"])]
    x = {
        "type": "quantitative",
        "title": f"change against {against}, %",
        "axis": {"tickCount": 5, "format": "~f"},
    }
    y = {
        "field": within or "row_label",
        "type": "nominal",
        "sort": rows,
        "title": None,
        "axis": {"grid": False},
    }
    offset = {"field": "profile", "type": "nominal", "scale": {"domain": compared}}
    tips = _tooltip(
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
        "header": _HEADING,
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
        "tooltip": _tooltip(
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
    """Speed against power."""
    scale = {"zero": False, "padding": 24}
    x = {
        "field": "power_pct",
        "type": "quantitative",
        "title": "mean power, % of the reference",
        "scale": scale,
    }
    y = {"field": "speed_pct", "type": "quantitative", "title": "speed, % of the reference", "scale": scale}
    tips = _tooltip(
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
            {
                "mark": {"type": "text", "align": "left", "dx": 9, "dy": 10, "color": "@ink"},
                "encoding": {"x": x, "y": y, "text": {"field": "profile_label", "type": "nominal"}},
            },
        ],
    }


def over_the_night(chart: Chart, enc: Encodings, field: str, axis: str, level: float | None = None) -> Spec:
    """Points over the hours of the night: drift, or start conditions."""
    x = {"field": "hours", "type": "quantitative", "title": "hours since the campaign's first attempt"}
    y = {"field": field, "type": "quantitative", "title": axis, "scale": {"zero": False}}
    layers: list[Spec] = [
        {
            "mark": {"type": "point", "filled": True, "size": 45, "opacity": 0.8},
            "encoding": {
                "x": x,
                "y": y,
                "color": enc.color,
                "shape": enc.shape,
                "tooltip": _tooltip(
                    ("title_label", "title", ""),
                    ("profile_label", "profile", ""),
                    ("repeat", "repeat.attempt", ""),
                    ("hours", "hours", ".2f"),
                    (field, axis, ".2f"),
                ),
            },
        }
    ]
    if level is not None:
        rule = {
            "data": {"values": [{"at": level}]},
            "mark": {"type": "rule", "color": "@quiet-ink", "strokeDash": [5, 3]},
            "encoding": {"y": {**y, "field": "at"}},
        }
        layers.insert(0, rule)
    return {"height": 240, "transform": [{"filter": SELECTED}], "layer": layers}


def frametimes(enc: Encodings) -> Spec:
    """Frame times of one repeat of each profile, extremes kept."""
    y = {"type": "quantitative", "title": "ms"}
    return {
        "transform": [{"filter": "indexof(profiles, datum.profile) >= 0"}],
        "facet": {
            "row": {
                "field": "profile_label",
                "type": "nominal",
                "title": None,
                "sort": [enc.labels[p] for p in enc.order],
                "header": _HEADING,
            }
        },
        "spacing": 18,
        "spec": {
            "height": 74,
            "layer": [
                {
                    "params": [_ZOOM],
                    "mark": {"type": "area", "opacity": 0.5},
                    "encoding": {"y": {"field": "low_ms", **y}, "y2": {"field": "high_ms"}},
                },
                {"mark": {"type": "line", "strokeWidth": 1}, "encoding": {"y": {"field": "mean_ms", **y}}},
            ],
            "encoding": {
                "x": {"field": "t_s", "type": "quantitative", "title": "time in the measured window, s"},
                "color": enc.color,
                "tooltip": _tooltip(
                    ("profile_label", "profile", ""),
                    ("t_s", "time, s", ".2f"),
                    ("low_ms", "shortest, ms", ".2f"),
                    ("mean_ms", "mean, ms", ".2f"),
                    ("high_ms", "longest, ms", ".2f"),
                ),
            },
        },
    }


def distribution(enc: Encodings) -> Spec:
    """Share of frames slower than a given time."""
    return {
        "height": 260,
        "transform": [{"filter": "indexof(profiles, datum.profile) >= 0 && datum.slower_pct >= 0.02"}],
        "mark": {"type": "line", "strokeWidth": 1.8, "point": {"size": 14, "opacity": 0.01}},
        "encoding": {
            "x": {
                "field": "frametime_ms",
                "type": "quantitative",
                "title": "frame time, ms",
                "scale": {"zero": False},
            },
            "y": {
                "field": "slower_pct",
                "type": "quantitative",
                "title": "share of frames slower than that, %",
                "scale": {"type": "log", "domain": [0.02, 100], "clamp": True},
                "axis": {"values": [0.1, 1, 10, 100], "format": "~g"},
            },
            "color": enc.line_color,
            "strokeDash": enc.line_dash,
            "tooltip": _tooltip(
                ("profile_label", "profile", ""),
                ("frametime_ms", "frame time, ms", ".2f"),
                ("slower_pct", "slower, %", ".3~g"),
            ),
        },
    }


def telemetry(
    enc: Encodings, phases: pd.DataFrame, quantities: Sequence[tuple[str, str]], x_range: tuple[float, float]
) -> Spec:
    """Quantities over the time of an attempt, phases shaded."""
    spans = columns_of(phases, 2)
    rows = [dict(zip(spans, values, strict=True)) for values in zip(*spans.values(), strict=True)]
    roles = phase_roles()
    x = {"type": "quantitative", "title": None, "scale": {"domain": list(x_range), "nice": False}}
    panels = []
    for i, (quantity, label) in enumerate(quantities):
        last = i == len(quantities) - 1
        here = {**x, "title": "time from the start of the measured window, s"} if last else x
        panels.append(
            {
                "height": 110,
                "layer": [
                    {
                        "data": {"values": rows},
                        "mark": {"type": "rect"},
                        "encoding": {
                            "x": {"field": "start_s", **here},
                            "x2": {"field": "end_s"},
                            "color": {
                                "field": "phase",
                                "type": "nominal",
                                "legend": None,
                                "scale": {
                                    "domain": list(roles),
                                    "range": [f"@{role.name}" for role in roles.values()],
                                },
                            },
                            "tooltip": _tooltip(("phase", "phase of the reference", "")),
                        },
                    },
                    {
                        "transform": [{"filter": "indexof(profiles, datum.profile) >= 0"}],
                        "mark": {"type": "line", "strokeWidth": 1.6, "point": {"size": 14, "opacity": 0.01}},
                        "encoding": {
                            "x": {"field": "t_s", **here},
                            "y": {
                                "field": quantity,
                                "type": "quantitative",
                                "title": label,
                                "scale": {"zero": False},
                            },
                            "color": enc.line_color if i == 0 else {**enc.line_color, "legend": None},
                            "strokeDash": enc.line_dash if i == 0 else {**enc.line_dash, "legend": None},
                            "tooltip": _tooltip(
                                ("profile_label", "profile", ""),
                                ("t_s", "time, s", ".1f"),
                                (quantity, label, ".1f"),
                            ),
                        },
                    },
                ],
                "resolve": {"scale": {"color": "independent", "strokeDash": "independent"}},
            }
        )
    return {
        "vconcat": panels,
        "spacing": 10,
        "resolve": {"scale": {"color": "independent", "strokeDash": "independent"}},
    }


def to_json(data: Mapping[str, Any]) -> str:
    """JSON that may stand inside a script element whatever texts it holds."""
    text = json.dumps(data, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


@cache
def bundle() -> str:
    """The script library of the page (Vega, Vega-Lite, Vega-Embed); empty where it is not installed."""
    try:
        import vl_convert
    except ImportError:
        return ""
    code: str = vl_convert.javascript_bundle(None)  # type: ignore[arg-type]  # None: the whole bundle
    return code.replace("</script", "<\\/script").replace("<!--", "<\\!--")
