"""Interactive forms of one title's charts: frame times, their distribution, telemetry. Pure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from harness.report.charts.drawn_title import phase_roles
from harness.report.charts.interactive import HEADING, Encodings, Spec, columns_of, tooltip
from harness.report.charts.traces import Envelope

_ZOOM = {
    "name": "zoom",
    "select": {"type": "interval", "encodings": ["x"], "zoom": "wheel![event.shiftKey]"},
    "bind": "scales",
}


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
                "header": HEADING,
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
                "tooltip": tooltip(
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
            "tooltip": tooltip(
                ("profile_label", "profile", ""),
                ("frametime_ms", "frame time, ms", ".2f"),
                ("slower_pct", "slower, %", ".3~g"),
            ),
        },
    }


def telemetry(
    enc: Encodings, phases: pd.DataFrame, quantities: Sequence[tuple[str, str]], x_range: tuple[float, float]
) -> Spec:
    """Quantities over the time of an attempt; the phases of each profile as strips above them."""
    spans = columns_of(phases.assign(profile_label=[enc.labels[p] for p in phases["profile"]]), 2)
    rows = [dict(zip(spans, values, strict=True)) for values in zip(*spans.values(), strict=True)]
    roles = phase_roles()
    colours = {"domain": list(roles), "range": [f"@{role.name}" for role in roles.values()]}
    x = {"type": "quantitative", "title": None, "scale": {"domain": list(x_range), "nice": False}}
    strips: Spec = {
        "height": {"step": 15},
        "data": {"values": rows},
        "transform": [{"filter": "indexof(profiles, datum.profile) >= 0"}],
        "mark": {"type": "rect"},
        "encoding": {
            "x": {"field": "start_s", **x, "axis": None},
            "x2": {"field": "end_s"},
            "y": {
                "field": "profile_label",
                "type": "nominal",
                "title": None,
                "sort": [enc.labels[p] for p in enc.order],
                "axis": {"grid": False},
            },
            "color": {
                "field": "phase",
                "type": "nominal",
                "scale": colours,
                "legend": {"title": "phase", "symbolType": "square"},
            },
            "tooltip": tooltip(
                ("profile_label", "profile", ""),
                ("phase", "phase", ""),
                ("start_s", "from, s", ".1f"),
                ("end_s", "to, s", ".1f"),
            ),
        },
    }
    window = [row for row in rows if row["phase"] == "measure"]
    ends = (
        [{"start_s": min(r["start_s"] for r in window), "end_s": max(r["end_s"] for r in window)}]
        if window
        else []
    )
    panels: list[Spec] = [strips] if rows else []
    for i, (quantity, label) in enumerate(quantities):
        last = i == len(quantities) - 1
        here = {**x, "title": "time from the window's start, s"} if last else x
        panels.append(
            {
                "height": 110,
                "layer": [
                    {
                        "data": {"values": ends},
                        "mark": {"type": "rect", "color": f"@{roles['measure'].name}"},
                        "encoding": {"x": {"field": "start_s", **here}, "x2": {"field": "end_s"}},
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
                            "tooltip": tooltip(
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
