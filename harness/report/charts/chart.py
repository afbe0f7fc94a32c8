"""A chart: its texts, the table that it shows, and what draws it. No file is opened here.

A chart carries its table, so that the CSV beside a picture is what was drawn.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, cast

import matplotlib as mpl
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure, FigureBase

from harness.report.charts.lettering import fitted, measured_pt
from harness.report.charts.style import ProfileLook

Looks = Mapping[str, ProfileLook]


@dataclass(frozen=True)
class Frame:
    """Margins of a drawing in inches, and the space between panels as a share of their height."""

    left: float = 0.72
    right: float = 0.12
    top: float = 0.42
    bottom: float = 0.52
    between: float = 0.2


@dataclass(frozen=True)
class Chart:
    """A chart, ready to be drawn at any size.

    Attributes:
        id: File name stem and anchor.
        heading: What it shows, in a few words.
        caption: How to read it.
        alt: What a reader sees who can't see it: the message, not the shape.
        data: The table that it shows; every column carries its unit.
        draw: Draws it on an empty figure; ``scale`` enlarges marks that are given in points.
        height_in: Height in the page at a width of 8 inches.
        frame: Fixed margins for the page; None lets the drawing find its own, which takes longer.
        stills: Its parts for pictures of fixed shape, where it is too long for one.
    """

    id: str
    heading: str
    caption: str
    alt: str
    data: pd.DataFrame
    draw: Callable[[FigureBase, float], None]
    height_in: float
    frame: Frame | None = None
    stills: Sequence[Chart] = ()


def draw_points(ax: Axes, x: pd.Series, y: pd.Series, style: ProfileLook, label: str, scale: float) -> None:
    """One repeat each, in its profile's mark and colour."""
    ax.plot(x, y, style.mark, color=style.role.now, ms=4.5 * scale, alpha=0.75, mew=0, label=label)


def legend(figure: FigureBase, ax: Axes) -> None:
    """What the marks of ``ax`` stand for, above the drawing."""
    handles, texts = ax.get_legend_handles_labels()
    if handles:
        fixed = isinstance(figure, Figure) and figure.get_layout_engine() is None
        place: Any = "upper right" if fixed else "outside upper right"
        size = float(mpl.rcParams["legend.fontsize"])
        room = 0.94 * width_pt(figure)
        texts = [fitted(text, room - 5 * size, size) for text in texts]
        widest = max(measured_pt(text, size) for text in texts) + 5 * size  # with its mark and spaces
        figure.legend(handles, texts, loc=place, ncols=max(1, min(len(handles), 5, int(room / widest))))


def is_upright(figure: FigureBase) -> bool:
    """Whether it is to be read on a phone that is held upright."""
    whole = cast(Any, figure).get_figure(root=True)
    return bool(whole.get_figheight() > 1.2 * whole.get_figwidth())


def row_name(figure: FigureBase, name: str, names: int) -> str:
    """A name before a row: a part of the width, so that the drawing keeps its room; two lines where they fit.

    Args:
        names: So many stand below each other over the whole height.
    """
    size = float(mpl.rcParams["ytick.labelsize"])
    lines = 2 if 0.55 * height_pt(figure) / names > 2.5 * size else 1
    return fitted(name, 0.27 * width_pt(figure), size, lines)


def axis_label(figure: FigureBase, text: str, *, upwards: bool = False) -> str:
    """An axis' label in the room beside the axis, in two lines where it is longer."""
    whole_pt = height_pt(figure) if upwards else width_pt(figure)
    return fitted(text, 0.62 * whole_pt, float(mpl.rcParams["axes.labelsize"]), 2)


def width_pt(figure: FigureBase) -> float:
    """Width of a figure, or of the part of one, in points."""
    whole = cast(Any, figure)
    return float(72 * whole.bbox.width / whole.get_figure(root=True).dpi)


def height_pt(figure: FigureBase) -> float:
    """Height of a figure, or of the part of one, in points."""
    whole = cast(Any, figure)
    return float(72 * whole.bbox.height / whole.get_figure(root=True).dpi)
