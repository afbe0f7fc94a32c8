"""Drawings of one title and setting: frame times, their distribution, telemetry. Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import FigureBase

from harness.report.charts import style as look
from harness.report.charts.chart import Looks, axis_label, height_pt, legend, row_name, width_pt
from harness.report.charts.lettering import fitted
from harness.report.elements import records
from harness.stages import STAGES

#: Height of the strip that shows the phases of one profile, in inches.
STRIP_IN = 0.18


def frametimes(
    traces: pd.DataFrame, looks: Looks, labels: Mapping[str, str]
) -> Callable[[FigureBase, float], None]:
    """Frame time over the window, one panel a profile, smallest to largest of each bucket filled.

    Args:
        traces: Columns ``profile``, ``t_s``, ``low_ms``, ``high_ms``, ``mean_ms``.
    """

    def draw(figure: FigureBase, scale: float) -> None:
        profiles = list(traces["profile"].unique())
        axes = figure.subplots(len(profiles), 1, sharex=True, sharey=True, squeeze=False)[:, 0]
        for ax, profile in zip(axes, profiles, strict=True):
            mine = traces[traces["profile"] == profile]
            colour = looks[profile].role.now
            ax.fill_between(
                mine["t_s"], mine["low_ms"], mine["high_ms"], color=colour, lw=0.5 * scale, alpha=0.45
            )
            ax.plot(mine["t_s"], mine["mean_ms"], color=colour, lw=0.9 * scale)
            ax.set_title(fitted(labels[profile], 0.8 * width_pt(figure), 10 * scale), fontsize="medium")
            ax.set_ylabel("ms")
            ax.set_ylim(bottom=0)
        axes[-1].set_xlabel("time in the measured window, s")

    return draw


def distribution(
    curves: pd.DataFrame, looks: Looks, labels: Mapping[str, str]
) -> Callable[[FigureBase, float], None]:
    """Share of frames that took longer than a given time, on a logarithmic axis.

    Args:
        curves: Columns ``profile``, ``frametime_ms``, ``slower_pct``.
    """

    def draw(figure: FigureBase, scale: float) -> None:
        ax = figure.subplots()
        for profile in curves["profile"].unique():
            mine = curves[(curves["profile"] == profile) & (curves["slower_pct"] >= 0.02)]
            style = looks[profile]
            ax.plot(
                mine["frametime_ms"],
                mine["slower_pct"],
                color=style.role.now,
                ls=style.line,
                label=labels[profile],
                marker=style.mark,
                markevery=0.12,
                ms=4.5 * scale,
            )
        ax.set_yscale("log")
        ax.set_ylim(0.02, 110)
        ax.set_yticks([100, 10, 1, 0.1], ["100 %", "10 %", "1 %", "0.1 %"])
        ax.minorticks_off()
        ax.set_xlabel("frame time, ms")
        ax.set_ylabel(axis_label(figure, "share of frames slower than that", upwards=True))
        legend(figure, ax)

    return draw


def phase_roles() -> dict[str, look.Role]:
    """Phase -> the ground that it is shaded with: stages in turn, the window by itself."""
    stages = {stage.word: (look.PHASE_A, look.PHASE_B)[i % 2] for i, stage in enumerate(STAGES)}
    return {**stages, "measure": look.PHASE_C}


def telemetry(
    series: pd.DataFrame,
    phases: pd.DataFrame,
    looks: Looks,
    labels: Mapping[str, str],
    quantities: Sequence[tuple[str, str]],
) -> Callable[[FigureBase, float], None]:
    """Quantities over the time of one attempt, one line a profile; phases as strips above them.

    Args:
        series: Columns ``profile``, ``t_s``, then one column for each quantity.
        phases: Columns ``profile``, ``phase``, ``start_s``, ``end_s`` of each profile's attempt.
        quantities: Heading and axis label (with unit), one panel each.
    """

    def draw(figure: FigureBase, scale: float) -> None:
        shown = [p for p in series["profile"].unique() if p in set(phases["profile"])]
        strips_pt = 72 * STRIP_IN * len(shown) * scale
        panel_pt = max(height_pt(figure) - strips_pt - 62 * scale, strips_pt) / len(quantities)
        heights = [strips_pt, *[panel_pt] * len(quantities)] if shown else None
        axes = figure.subplots(
            len(quantities) + bool(shown), 1, sharex=True, squeeze=False, height_ratios=heights
        )[:, 0]
        if shown:
            _strips(figure, axes[0], phases, shown, looks, labels, scale)
        panels = axes[1:] if shown else axes
        window = phases[phases["phase"] == "measure"]
        for ax, (quantity, label) in zip(panels, quantities, strict=True):
            if len(window):
                ax.axvspan(
                    window["start_s"].min(), window["end_s"].max(), color=look.PHASE_C.now, lw=0, zorder=0
                )
            for profile in series["profile"].unique():
                mine = series[series["profile"] == profile]
                style = looks[profile]
                ax.plot(
                    mine["t_s"],
                    mine[quantity],
                    color=style.role.now,
                    ls=style.line,
                    lw=1.2 * scale,
                    label=labels[profile],
                    marker=style.mark,
                    markevery=0.17,
                    ms=4.2 * scale,
                )
            ax.set_title(label, fontsize=9 * scale, fontweight="normal", color=look.QUIET_INK.now)
            ax.margins(x=0, y=0.1)
        axes[-1].set_xlabel("time from the window's start, s")
        legend(figure, panels[0])

    return draw


def _strips(
    figure: FigureBase,
    ax: Axes,
    phases: pd.DataFrame,
    profiles: Sequence[str],
    looks: Looks,
    labels: Mapping[str, str],
    scale: float,
) -> None:
    """The phases of each profile's attempt, one strip below the other, named where there is room."""
    roles = phase_roles()
    whole = phases["end_s"].max() - phases["start_s"].min()
    letter = 5.4 * scale / (0.85 * width_pt(figure)) * whole
    for at, profile in enumerate(profiles):
        for phase in records(phases[phases["profile"] == profile]):
            name, long = str(phase["phase"]), phase["end_s"] - phase["start_s"]
            ground = roles.get(name, look.PHASE_A).now
            ax.barh(at, long, left=phase["start_s"], height=0.86, color=ground, lw=0)
            if long > letter * (len(name) + 1):
                middle = phase["start_s"] + long / 2
                ax.text(middle, at, name, ha="center", va="center_baseline", fontsize=9 * scale)
    ax.set_yticks(range(len(profiles)), [row_name(figure, labels[profile], 99) for profile in profiles])
    for tick, profile in zip(ax.get_yticklabels(), profiles, strict=True):
        tick.set_color(looks[profile].role.now)
    ax.set_ylim(len(profiles) - 0.5, -0.5)
    ax.grid(visible=False)
    ax.tick_params(bottom=False, labelbottom=False)
    ax.spines["bottom"].set_visible(False)
