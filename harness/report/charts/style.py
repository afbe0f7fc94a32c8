"""The visual language: colours by role, marks, type. One place for the page, its charts and the prints.

Every colour is a role with a light and a dark value. Charts are drawn in the light values; in the page each
value is swapped for the role's CSS variable, so one drawing serves light, dark and print. Profiles differ by
colour *and* by mark, so that no reader needs the colour.
"""

from __future__ import annotations

import gc
import logging
import warnings
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Any, cast

import matplotlib as mpl

from harness.report.charts.lettering import OWN, lettering


@dataclass(frozen=True)
class Role:
    """A colour role: its value on light and on dark ground (``#rrggbb``, each value used once)."""

    name: str
    light: str
    dark: str

    @property
    def now(self) -> str:
        """The value on the ground that is being drawn on (see :func:`drawing`)."""
        return self.dark if _dark.get() else self.light


_dark: ContextVar[bool] = ContextVar("dark", default=False)
_families: ContextVar[tuple[str, ...]] = ContextVar("families", default=(OWN,))
PAPER = Role("paper", "#fbfaf7", "#14181b")
INK = Role("ink", "#1c2429", "#e9ecec")
QUIET_INK = Role("quiet-ink", "#4e5a61", "#a9b4b8")
RULE = Role("rule", "#d5d3cb", "#39434a")
BAND = Role("band", "#e3e9e2", "#24332d")
BAND_EDGE = Role("band-edge", "#7c9586", "#6f9482")
PHASE_A = Role("phase-a", "#f0ede4", "#1d2327")
PHASE_B = Role("phase-b", "#e6e1d3", "#282f34")
PHASE_C = Role("phase-c", "#ddeaf0", "#1c303a")
ALERT = Role("alert", "#a3231f", "#ff9b8e")
GOOD = Role("good", "#007a5c", "#3fcfa4")

#: Profiles in plan order; the reference takes the first. Chosen for the distance between any two as seen
#: with each kind of colour blindness (CAM02-UCS, at least 14). Beyond eight the list starts again, with
#: other marks.
PROFILE_ROLES: tuple[Role, ...] = (
    Role("p0", "#2b3136", "#dfe3e4"),
    Role("p1", "#0067a8", "#62b5f0"),
    Role("p2", "#c96a00", "#b47002"),
    Role("p3", "#9e016c", "#f32989"),
    Role("p4", "#7b4a2d", "#f0b66e"),
    Role("p5", "#1e87f5", "#4f76de"),
    Role("p6", "#668f60", "#a1ffb6"),
    Role("p7", "#a96d8a", "#b683ae"),
)
ROLES: tuple[Role, ...] = (
    PAPER, INK, QUIET_INK, RULE, BAND, BAND_EDGE, PHASE_A, PHASE_B, PHASE_C, ALERT, GOOD, *PROFILE_ROLES,
)  # fmt: skip
_MARKS = ("o", "s", "^", "D", "v", "P", ">", "<")
_VEGA_MARKS = (
    "circle",
    "square",
    "triangle-up",
    "diamond",
    "triangle-down",
    "cross",
    "triangle-right",
    "triangle-left",
)
#: Strokes and gaps in line widths; empty is a solid line.
_DASHES: tuple[tuple[float, ...], ...] = (
    (),
    (5, 2),
    (2, 1.5),
    (7, 2, 2, 2),
    (9, 2),
    (3, 2, 1, 2),
    (1, 1),
    (4, 1, 1, 1, 1, 1),
)
FONT_STACK = "'Segoe UI', 'Noto Sans', 'DejaVu Sans', system-ui, sans-serif"


@dataclass(frozen=True)
class ProfileLook:
    """How one profile is drawn, everywhere."""

    role: Role
    mark: str
    vega_mark: str
    dash: tuple[float, ...]

    @property
    def line(self) -> tuple[float, tuple[float, ...]] | str:
        """The dash as Matplotlib's line style."""
        return (0, self.dash) if self.dash else "-"


def profile_looks(profiles: list[str], reference: str) -> dict[str, ProfileLook]:
    """Look of each profile: the reference first, the others in the order given."""
    ordered = [p for p in profiles if p == reference] + [p for p in profiles if p != reference]
    looks = {}
    for i, profile in enumerate(ordered):
        turn, place = divmod(i, len(PROFILE_ROLES))
        mark = (place + 3 * turn) % len(_MARKS)
        looks[profile] = ProfileLook(
            PROFILE_ROLES[place], _MARKS[mark], _VEGA_MARKS[mark], _DASHES[(place + 3 * turn) % len(_DASHES)]
        )
    return looks


def css_variables(dark: bool) -> str:
    """The roles as CSS custom properties."""
    return "".join(f"--{r.name}:{r.dark if dark else r.light};" for r in ROLES)


def to_css_variables(svg: str) -> str:
    """Swap each role's light value in an SVG text for its CSS variable."""
    for role in ROLES:
        svg = svg.replace(role.light, f"var(--{role.name})")
    return svg


@contextmanager
def lettered(texts: Iterable[str]) -> Iterator[str]:
    """Draw with fonts of this machine that can write these texts; gives the letters that none has."""
    families, without = lettering(texts)
    token = _families.set(tuple(families))
    log = logging.getLogger("matplotlib.font_manager")
    level = log.level
    log.setLevel(logging.ERROR)  # a font of another script may have no bold, which is no news
    try:
        yield without
    finally:
        log.setLevel(level)
        _families.reset(token)


@contextmanager
def drawing(
    scale: float = 1.0, *, dark: bool = False, text_as_shapes: bool = False, fixed: bool = False
) -> Iterator[None]:
    """Matplotlib settings for the time of one drawing.

    Args:
        scale: Enlarges type and strokes together.
        dark: Draw on dark ground.
        fixed: Margins are given; otherwise the drawing finds its own.
        text_as_shapes: SVG text as outlines, so that a file looks the same wherever it is opened.
    """
    token = _dark.set(dark)
    collects = gc.isenabled()
    gc.disable()  # its many objects live until it is done; looking for dead ones took a tenth of the time
    try:
        settings = _settings(scale) | {
            "svg.fonttype": "path" if text_as_shapes else "none",
            "figure.constrained_layout.use": not fixed,
        }
        with mpl.rc_context(cast(Any, settings)), warnings.catch_warnings():
            # Letters that no font has are told once, by who knows the names (see :func:`lettered`).
            warnings.filterwarnings("ignore", r"Glyph \d+ .* missing from", UserWarning)
            yield
    finally:
        if collects:
            gc.enable()
        _dark.reset(token)


def _settings(scale: float) -> dict[str, Any]:
    return {
        "font.family": list(_families.get()),
        "font.size": 9.5 * scale,
        "axes.titlesize": 10.5 * scale,
        "axes.labelsize": 9.5 * scale,
        "xtick.labelsize": 9 * scale,
        "ytick.labelsize": 9 * scale,
        "legend.fontsize": 9 * scale,
        "axes.titlelocation": "left",
        "axes.titley": 1.0,  # told, it need not be looked for among the ticks, which takes half of a drawing
        "axes.titleweight": "bold",
        "axes.titlecolor": INK.now,
        "axes.labelcolor": QUIET_INK.now,
        "axes.edgecolor": RULE.now,
        "axes.facecolor": "none",
        "axes.linewidth": 0.8 * scale,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.spines.left": False,
        "axes.axisbelow": True,
        "axes.grid": True,
        "axes.formatter.useoffset": False,  # ticks are the values, never what is to be added to them
        "axes.formatter.limits": (-5, 7),
        "grid.color": RULE.now,
        "grid.linewidth": 0.6 * scale,
        "lines.linewidth": 1.4 * scale,
        "lines.markersize": 6 * scale,
        "patch.linewidth": 0.8 * scale,
        "xtick.color": RULE.now,
        "ytick.color": RULE.now,
        "xtick.labelcolor": QUIET_INK.now,
        "ytick.labelcolor": INK.now,
        "xtick.major.size": 3 * scale,
        "ytick.major.size": 0,
        "text.color": INK.now,
        "figure.facecolor": PAPER.now,
        "savefig.facecolor": PAPER.now,
        "svg.hashsalt": "levelrig",
        "text.parse_math": False,  # a name with a dollar sign is a name
        "legend.frameon": False,
    }
