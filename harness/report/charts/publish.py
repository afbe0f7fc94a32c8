"""Charts for publication: PNG and SVG at video and article sizes, each with its data as CSV beside it."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from textwrap import wrap
from typing import Any, cast

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from harness.csvtext import csv_text
from harness.report.charts import style
from harness.report.charts.chart import Chart
from harness.report.files import make_target, write_bytes, write_text

_SVG_SIZE = re.compile(r'(<svg[^>]*?) width="[^"]+" height="[^"]+"', re.DOTALL)


@dataclass(frozen=True)
class Format:
    """One publication size: files ``<chart>-<name>.png`` and ``.svg``.

    Attributes:
        width_px, height_px: Size in pixels; height None where the chart's own proportions decide.
        dpi: Pixels per inch of the drawing; with the size it decides how large type is.
        scale: Enlarges type and strokes.
    """

    name: str
    width_px: int
    height_px: int | None
    dpi: int
    scale: float


def formats(article_width_px: int) -> tuple[Format, ...]:
    """The three publication sizes. Type is at least 1/60 of the height of a video frame."""
    return (
        Format("1920x1080", 1920, 1080, 120, 1.35),
        Format("3840x2160", 3840, 2160, 240, 1.35),
        Format("article", article_width_px, None, round(article_width_px / 8), 1.0),
    )


@dataclass(frozen=True)
class Dress:
    """What stands around every chart of a campaign."""

    dark: bool
    credit: str
    source: str


def publish(charts: Iterable[Chart], folder: Path, sizes: Sequence[Format], dress: Dress) -> tuple[Path, ...]:
    """Write every chart in every size into a folder, which is made if it is missing."""
    make_target(folder.parent, folder)
    return tuple(path for chart in charts for path in publish_chart(chart, folder, sizes, dress))


def publish_chart(chart: Chart, folder: Path, sizes: Sequence[Format], dress: Dress) -> list[Path]:
    """Write one chart: its data, and PNG and SVG in every size. Sizes of one shape share a drawing."""
    data = folder / f"{chart.id}.csv"
    write_text(data, csv_text(chart.data))
    written = [data]
    shapes: dict[tuple[float, float, float], list[Format]] = {}
    for size in sizes:
        width_in = size.width_px / size.dpi
        height_in = size.height_px / size.dpi if size.height_px else chart.height_in + 1.5
        shapes.setdefault((width_in, height_in, size.scale), []).append(size)
    for (width_in, height_in, scale), group in shapes.items():
        with style.drawing(scale, dark=dress.dark, text_as_shapes=True):
            figure = dressed(chart, width_in, height_in, scale, dress)
            vector = _svg(figure)
            for size in group:
                raster = io.BytesIO()
                figure.savefig(raster, format="png", dpi=size.dpi)
                png, svg = folder / f"{chart.id}-{size.name}.png", folder / f"{chart.id}-{size.name}.svg"
                write_bytes(png, raster.getvalue())
                height_px = size.height_px or round(height_in * size.dpi)
                sized = _SVG_SIZE.sub(rf'\1 width="{size.width_px}" height="{height_px}"', vector, count=1)
                write_text(svg, sized)
                written += [png, svg]
    return written


def dressed(chart: Chart, width_in: float, height_in: float, scale: float, dress: Dress) -> Figure:
    """The chart with heading, caption and source line. Call inside :func:`style.drawing`."""
    whole = Figure(figsize=(width_in, height_in))
    FigureCanvasAgg(whole)
    cast(Any, whole.get_layout_engine()).set(w_pad=12 * scale / 72, h_pad=3 * scale / 72)
    caption = wrap(chart.caption, int(width_in * 72 / (4.9 * scale)))
    line = "  ·  ".join(part for part in (dress.source, dress.credit) if part)
    head_in, foot_in = 30 * scale / 72, (13 * len(caption) + 26) * scale / 72
    ratios = [head_in, max(height_in - head_in - foot_in, 0.1), foot_in]
    head, body, foot = np.ravel(cast(Any, whole.subfigures(3, 1, height_ratios=ratios)))
    left = 14 * scale / 72 / width_in
    head.text(left, 0.2, chart.heading, size=14 * scale, weight="bold", va="baseline", color=style.INK.now)
    for i, text in enumerate(caption):
        y = 1 - (4 + 13 * i) * scale / 72 / foot_in
        foot.text(left, y, text, size=9 * scale, va="top", color=style.QUIET_INK.now)
    foot.text(left, 7 * scale / 72 / foot_in, line, size=7.5 * scale, va="bottom", color=style.QUIET_INK.now)
    chart.draw(body, scale)
    whole.draw_without_rendering()
    whole.set_layout_engine("none")  # found once, good for every size of this shape
    return whole


def _svg(figure: Figure) -> str:
    buffer = io.StringIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None})
    return buffer.getvalue()
