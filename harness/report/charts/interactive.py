"""Interactive forms of the charts: Vega-Lite specifications as plain mappings. Pure.

A colour is written as ``@role`` and replaced in the page by the role's value on the present ground. Data are
columns (``{"name": [...]}``); the page turns them into rows when a chart comes into view. Titles and profiles
are selected through the signals ``title`` and ``profiles``; no text of a plan ever enters an expression.

Vega-Lite rather than Plotly for the size of what each page carries (``tests/bench/FIGURES.md``). Without
vl-convert the page keeps its static charts and is complete.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import pandas as pd

from harness.report.charts.chart import Looks

Spec = dict[str, Any]
SELECTED = (
    "(title === '' || datum.title === '' || datum.title === title) && indexof(profiles, datum.profile) >= 0"
)
#: The name of a facet, above it.
HEADING: Spec = {
    "labelAngle": 0,
    "labelAlign": "left",
    "labelAnchor": "start",
    "labelOrient": "top",
    "labelPadding": 0,
    "labelBaseline": "top",
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


def tooltip(*fields: tuple[str, str, str]) -> list[Spec]:
    """Tooltip of a mark: fields with their titles and number formats (empty for a text)."""
    return [
        {"field": f, "title": t, **({"type": "quantitative", "format": fmt} if fmt else {"type": "nominal"})}
        for f, t, fmt in fields
    ]


def to_json(data: Mapping[str, Any]) -> str:
    """JSON that may stand inside a script element whatever texts it holds."""
    text = json.dumps(data, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")
