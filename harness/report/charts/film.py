"""A film of a title's frame times: the profiles over one axis of time, drawn from left to right.

Needs PyAV (extra ``film``), which brings its encoders along: H.264 in ``.mp4``, or, where there is no ground,
run-length coded pictures with transparency in ``.mov``, which film editors lay over footage.
"""

from __future__ import annotations

import importlib
import io
from collections.abc import Callable, Iterator, Mapping, Sequence
from fractions import Fraction
from itertools import chain
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.figure import Figure, FigureBase
from numpy.typing import NDArray

from harness.errors import ReportMissing
from harness.report.charts import style
from harness.report.charts.chart import Chart, Looks, legend
from harness.report.charts.publish import Dress, Published, dressed, still
from harness.report.elements import number
from harness.report.files import write_bytes
from harness.report.names import Names

LENGTH_S: Final = 15.0
RATE_FPS: Final = 30
Image = NDArray[np.uint8]


def films(
    frame_times: Sequence[tuple[str, pd.DataFrame]],
    folder: Path,
    dresses: Sequence[Dress],
    looks: Looks,
    names: Names,
) -> list[Published]:
    """Film each title and setting; the files lie beside the charts, in a folder that is there.

    Args:
        frame_times: ``title-setting``, and columns ``row_label``, ``profile``, ``t_s``, ``low_ms``,
            ``high_ms``, ``mean_ms``.
    Raises:
        ReportMissing: PyAV is not installed.
    """
    try:
        av = importlib.import_module("av")
    except ImportError as error:
        raise ReportMissing(
            "a film needs the package av, which is not installed; `pip install 'levelrig[film]'` brings it, "
            "or leave out --film"
        ) from error
    labels = {profile: names[profile] for profile in looks}
    made = []
    for stem, traces in frame_times:
        if traces.empty:
            continue
        chart = film_chart(stem, traces, looks, labels)
        for dress in dresses:
            path = folder / f"{chart.id}{dress.suffix}{'.mov' if dress.transparent else '.mp4'}"
            write_bytes(path, _encode(av, pictures(chart, dress), transparent=dress.transparent))
            made.append(Published(path, chart.id, chart.heading, chart.alt))
    return made


def film_chart(stem: str, traces: pd.DataFrame, looks: Looks, labels: Mapping[str, str]) -> Chart:
    """The last picture of a film."""
    label = str(traces["row_label"].iloc[0])
    span_s = float(traces["t_s"].max() - traces["t_s"].min())
    return Chart(
        id=f"film-{stem}",
        heading=f"{label}: frame times",
        caption=(
            "Line: mean of each slice of time; filled: from its shortest to its longest frame. Middle repeat "
            f"of each profile, {number(span_s, 0)} s of the measured window in {LENGTH_S:g} s."
        ),
        alt=f"{label}: frame times of {', '.join(labels[p] for p in traces['profile'].unique())} over time.",
        data=traces,
        draw=_drawing(traces, looks, labels),
        height_in=4.0,
    )


def _drawing(
    traces: pd.DataFrame, looks: Looks, labels: Mapping[str, str]
) -> Callable[[FigureBase, float], None]:
    def draw(figure: FigureBase, scale: float) -> None:
        ax = figure.subplots()
        for profile, mine in traces.groupby("profile", sort=False):
            colour = looks[str(profile)].role.now
            ax.fill_between(mine["t_s"], mine["low_ms"], mine["high_ms"], color=colour, lw=0, alpha=0.3)
            ax.plot(
                mine["t_s"], mine["mean_ms"], color=colour, lw=1.3 * scale, ls=looks[str(profile)].line,
                label=labels[str(profile)],
            )  # fmt: skip
        ax.margins(x=0)
        ax.set_ylim(bottom=0)
        ax.set_ylabel("frame time, ms")
        ax.set_xlabel("time in the measured window, s")
        legend(figure, ax)

    return draw


def pictures(chart: Chart, dress: Dress, size: tuple[int, int] = (1920, 1080)) -> Iterator[Image]:
    """The film's pictures, each of shape (height, width, 4): what is drawn grows with the time."""
    form = still("film", *size)
    with style.drawing(form.scale, dark=dress.dark):
        figure = dressed(chart, size[0] / form.dpi, size[1] / form.dpi, form.scale, dress)
        figure.set_dpi(form.dpi)
        if dress.transparent:
            for part in (figure, *figure.subfigs):
                part.set_facecolor("none")
        whole = _raster(figure)
        (ax,) = figure.axes
        for artist in (*ax.lines, *ax.collections):
            artist.set_visible(False)
        empty = _raster(figure)
        place = ax.get_window_extent()
        ink = np.array([*(int(style.INK.now[i : i + 2], 16) for i in (1, 3, 5)), 255], np.uint8)
    top, bottom = (whole.shape[0] - round(edge) for edge in (place.y1, place.y0))
    count = round(LENGTH_S * RATE_FPS)
    for x in np.linspace(place.x0, place.x1, count).round().astype(int):
        shown = empty.copy()
        shown[top:bottom, :x] = whole[top:bottom, :x]
        shown[top:bottom, x - 1 : x + 2] = ink
        yield shown


def _raster(figure: Figure) -> Image:
    canvas: Any = figure.canvas
    canvas.draw()
    return np.asarray(canvas.buffer_rgba()).copy()


def _encode(av: Any, shown: Iterator[Image], *, transparent: bool) -> bytes:
    codec, pixels = ("qtrle", "argb") if transparent else ("libx264", "yuv420p")
    first = next(shown)
    film = io.BytesIO()
    with av.open(film, "w", format="mov" if transparent else "mp4") as container:
        stream = container.add_stream(codec, rate=Fraction(RATE_FPS))
        stream.height, stream.width = first.shape[:2]
        stream.pix_fmt = pixels
        if not transparent:
            stream.options = {"crf": "20"}
        for image in chain([first], shown):
            for packet in stream.encode(av.VideoFrame.from_ndarray(image, format="rgba")):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)
    return film.getvalue()
