"""Charts for publication: PNG and SVG for video, article and phone, each with its data as CSV beside it."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from textwrap import wrap
from typing import Any, cast

import numpy as np
import pandas as pd
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from harness.csvtext import csv_text
from harness.plan.report_table import ReportSpec
from harness.report.charts import style
from harness.report.charts.chart import Chart
from harness.report.files import make_target, write_bytes, write_text
from harness.report.folder import Campaign
from harness.report.names import Names

LIST_NAME = "charts.csv"
_SVG_SIZE = re.compile(r'(<svg[^>]*?) width="[^"]+" height="[^"]+"', re.DOTALL)


#: Smallest type of a still as a share of its shorter side: 3 %, and a little for rounding.
LEAST_TYPE = 0.0305
#: Smallest type of any drawing in points, before it is scaled.
_SMALLEST_PT = 9.0


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
    scale: float = 1.0

    @property
    def is_still(self) -> bool:
        """Of fixed shape: a long chart comes in several parts."""
        return self.height_px is not None


def still(name: str, width_px: int, height_px: int) -> Format:
    """A size of fixed shape, whose type is at least :data:`LEAST_TYPE` of its shorter side."""
    short = min(width_px, height_px)
    dpi = short // 9  # 9 inches, 648 points
    return Format(name, width_px, height_px, dpi, LEAST_TYPE * short / dpi * 72 / _SMALLEST_PT)


def formats(article_width_px: int) -> tuple[Format, ...]:
    """The publication sizes: video at 1080p and 2160p, article, phone held upright."""
    return (
        still("1920x1080", 1920, 1080),
        still("3840x2160", 3840, 2160),
        Format("article", article_width_px, None, round(article_width_px / 8)),
        still("upright", 1080, 1920),
    )


@dataclass(frozen=True)
class Dress:
    """What stands around every chart of a campaign.

    Attributes:
        dark: Light type on dark ground.
        transparent: No ground at all, to lay over a picture; the type is that of ``dark``.
        suffix: Behind the name of each file.
    """

    dark: bool
    credit: str
    source: str
    transparent: bool = False
    suffix: str = ""


@dataclass(frozen=True)
class Pictures:
    """Which pictures are wanted beside the page.

    Attributes:
        themes: ``light`` and ``dark``, or one of them; empty for the plan's.
        transparent: Without a ground, to lay over a picture.
        film: Also a film of each title's frame times.
    """

    themes: tuple[str, ...] = ()
    transparent: bool = False
    film: bool = False

    def dresses(self, spec: ReportSpec, source: str) -> list[Dress]:
        """One for each theme; files in the plan's theme with a ground have the plain name."""
        made = []
        for theme in self.themes or (spec.theme,):
            plain = theme == spec.theme and not self.transparent
            suffix = "" if plain else f"-{theme}{'-transparent' if self.transparent else ''}"
            made.append(Dress(theme == "dark", spec.credit, source, self.transparent, suffix))
        return made


@dataclass(frozen=True)
class Published:
    """A file for publication.

    Attributes:
        name: The chart that it is of; the sizes and forms of one share it.
        heading, shows: What it shows, in a few words and in a sentence.
    """

    path: Path
    name: str
    heading: str
    shows: str


def texts_of(campaigns: Iterable[Campaign]) -> set[str]:
    """What people wrote that may stand in a picture."""
    texts: set[str] = set()
    for campaign in campaigns:
        spec = campaign.plan.report
        texts |= {*Names(campaign).texts, spec.credit, *spec.captions.values(), campaign.campaign_id}
    return texts


def publish(
    charts: Sequence[Chart], folder: Path, pictures: Pictures, spec: ReportSpec, source: str
) -> list[Published]:
    """Write every chart in every size into a folder, which is made if it is missing."""
    make_target(folder.parent, folder)
    sizes = formats(spec.article_width_px)
    written: dict[Path, Published] = {}
    for dress in pictures.dresses(spec, source):
        for chart in charts:
            for path in publish_chart(chart, folder, sizes, dress):
                written[path] = Published(path, chart.id, chart.heading, chart.alt)
    return list(written.values())


def write_list(folder: Path, files: Sequence[Published]) -> None:
    """What each file of the folder shows, as a table beside them."""
    rows = [(made.path.name, made.heading, made.shows) for made in files]
    write_text(folder / LIST_NAME, csv_text(pd.DataFrame(rows, columns=["file", "heading", "shows"])))


def publish_chart(chart: Chart, folder: Path, sizes: Sequence[Format], dress: Dress) -> list[Path]:
    """Write one chart: its data, and PNG and SVG in every size; stills of a long one in parts."""
    data = folder / f"{chart.id}.csv"
    write_text(data, csv_text(chart.data))
    written = [data]
    if not chart.stills:
        return written + _draw(chart, folder, sizes, dress)
    for part in chart.stills:
        written += _draw(part, folder, [size for size in sizes if size.is_still], dress)
    return written + _draw(chart, folder, [size for size in sizes if not size.is_still], dress)


def _draw(chart: Chart, folder: Path, sizes: Sequence[Format], dress: Dress) -> list[Path]:
    """PNG and SVG in every size. Sizes of one shape share a drawing."""
    written = []
    shapes: dict[tuple[float, float, float], list[Format]] = {}
    for size in sizes:
        width_in = size.width_px / size.dpi
        height_in = size.height_px / size.dpi if size.height_px else chart.height_in + 1.5
        shapes.setdefault((width_in, height_in, size.scale), []).append(size)
    for (width_in, height_in, scale), group in shapes.items():
        with style.drawing(scale, dark=dress.dark, text_as_shapes=True):
            figure = dressed(chart, width_in, height_in, scale, dress)
            vector = _svg(figure, dress)
            for size in group:
                raster = io.BytesIO()
                figure.savefig(raster, format="png", dpi=size.dpi, transparent=dress.transparent)
                stem = f"{chart.id}-{size.name}{dress.suffix}"
                write_bytes(folder / f"{stem}.png", raster.getvalue())
                height_px = size.height_px or round(height_in * size.dpi)
                sized = _SVG_SIZE.sub(rf'\1 width="{size.width_px}" height="{height_px}"', vector, count=1)
                write_text(folder / f"{stem}.svg", sized)
                written += [folder / f"{stem}.png", folder / f"{stem}.svg"]
    return written


def dressed(chart: Chart, width_in: float, height_in: float, scale: float, dress: Dress) -> Figure:
    """The chart with heading, caption and source line. Call inside :func:`style.drawing`."""
    whole = Figure(figsize=(width_in, height_in))
    FigureCanvasAgg(whole)
    cast(Any, whole.get_layout_engine()).set(w_pad=12 * scale / 72, h_pad=3 * scale / 72)
    letters = int(width_in * 72 / (5.2 * scale))  # of the smallest type in a line
    heading = wrap(chart.heading, int(letters * 0.56))
    foot_lines = [*wrap(chart.caption, letters), *wrap(_source_line(dress), letters)]
    head_in, foot_in = (
        18 * scale / 72 * len(heading) + 12 * scale / 72,
        (13 * len(foot_lines) + 13) * scale / 72,
    )
    ratios = [head_in, max(height_in - head_in - foot_in, 0.1), foot_in]
    head, body, foot = np.ravel(cast(Any, whole.subfigures(3, 1, height_ratios=ratios)))
    left = 14 * scale / 72 / width_in
    head.text(
        left, 0.15, "\n".join(heading), size=14 * scale, weight="bold", va="bottom", color=style.INK.now
    )
    for i, text in enumerate(foot_lines):
        y = 1 - (4 + 13 * i) * scale / 72 / foot_in
        foot.text(left, y, text, size=9 * scale, va="top", color=style.QUIET_INK.now)
    chart.draw(body, scale)
    whole.draw_without_rendering()
    whole.set_layout_engine("none")  # found once, good for every size of this shape
    return whole


def _source_line(dress: Dress) -> str:
    return "  ·  ".join(part for part in (dress.source, dress.credit) if part)


def _svg(figure: Figure, dress: Dress) -> str:
    buffer = io.StringIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None}, transparent=dress.transparent)
    return buffer.getvalue()
