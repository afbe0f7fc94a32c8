"""Charts as SVG for the page and as files for publication."""

from __future__ import annotations

import io
import re

from markupsafe import Markup, escape
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from harness.report.charts import style
from harness.report.charts.chart import Chart

PAGE_WIDTH_IN = 8.6
_HEAD = re.compile(r"^.*?(?=<svg)", re.DOTALL)
_METADATA = re.compile(r"<metadata>.*?</metadata>\s*", re.DOTALL)
_FONT = re.compile(r"font: ((?:[\w.]+ )*?[\d.]+px) [^;\"]*")
_FAMILY = re.compile(r"font-family: [^;\"]*;?")
#: Attributes that hold nothing but coordinates, in points: a tenth of one is finer than any screen shows.
_COORDINATES = re.compile(r'(?<=\s)(d|x|y|x1|x2|y1|y2|cx|cy|width|height|points)="([^"]*)"')
_TAG = re.compile(r"<[a-zA-Z][^<>]*>")
_LONG_NUMBER = re.compile(r"\d+\.\d{2,}(?:e[+-]?\d+)?")
_ID = re.compile(r'(id="|url\(#|href="#)([^")]+)')


def page_svg(chart: Chart) -> Markup:
    """The chart as inline SVG whose colours are the page's CSS variables and whose text is text.

    Every text of the chart passes Matplotlib's XML escaping, so a name with markup in it stays text.
    """
    frame = chart.frame
    with style.drawing(fixed=frame is not None):
        figure = Figure(figsize=(PAGE_WIDTH_IN, chart.height_in))
        FigureCanvasAgg(figure)
        if frame is not None:
            figure.subplots_adjust(
                left=frame.left / PAGE_WIDTH_IN,
                right=1 - frame.right / PAGE_WIDTH_IN,
                top=1 - frame.top / chart.height_in,
                bottom=frame.bottom / chart.height_in,
                hspace=frame.between,
            )
        chart.draw(figure, 1.0)
        buffer = io.StringIO()
        figure.savefig(buffer, format="svg", transparent=True)
    return Markup(slim_svg(buffer.getvalue(), str(escape(chart.id))))


def slim_svg(svg: str, prefix: str) -> str:
    """Strip what a page doesn't need; ids get a prefix, so that two drawings share a page."""
    svg = _METADATA.sub("", _HEAD.sub("", svg))
    svg = _FONT.sub(r"font: \1 inherit-family", svg).replace("inherit-family", style.FONT_STACK)
    svg = _FAMILY.sub("", svg)
    svg = _TAG.sub(lambda tag: _COORDINATES.sub(_rounded, tag[0]), svg)
    svg = _ID.sub(lambda m: f"{m[1]}{prefix}-{m[2]}", svg)
    return style.to_css_variables(svg)


def _rounded(attribute: re.Match[str]) -> str:
    short = _LONG_NUMBER.sub(lambda found: f"{float(found[0]):.1f}", attribute[2])
    return f'{attribute[1]}="{short}"'
