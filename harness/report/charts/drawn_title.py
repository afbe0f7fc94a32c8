"""Drawings of one title and setting: frame times, their distribution, telemetry. Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import pandas as pd
from matplotlib.figure import FigureBase

from harness.report.charts import style as look
from harness.report.charts.chart import Looks, legend
from harness.report.elements import records
from harness.stages import STAGES


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
            ax.set_title(labels[profile], fontsize="medium")
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
        ax.set_ylabel("share of frames slower than that")
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
    """Quantities over the time of one attempt, phases shaded, one line a profile.

    Args:
        series: Columns ``profile``, ``t_s``, then one column for each quantity.
        phases: Columns ``phase``, ``start_s``, ``end_s`` of the reference's attempt.
        quantities: Heading and axis label (with unit), one panel each.
    """

    def draw(figure: FigureBase, scale: float) -> None:
        axes = figure.subplots(len(quantities), 1, sharex=True, squeeze=False)[:, 0]
        roles = phase_roles()
        for ax, (quantity, label) in zip(axes, quantities, strict=True):
            for phase in records(phases):
                role = roles.get(str(phase["phase"]), look.PHASE_A)
                ax.axvspan(phase["start_s"], phase["end_s"], color=role.now, lw=0, zorder=0)
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
            ax.set_ylabel(label)
            ax.margins(x=0)
        top = axes[0]
        for phase in records(phases):
            if phase["end_s"] - phase["start_s"] > 0.08 * (phases["end_s"].max() - phases["start_s"].min()):
                top.annotate(
                    str(phase["phase"]),
                    ((phase["start_s"] + phase["end_s"]) / 2, 1.02),
                    ha="center",
                    va="bottom",
                    xycoords=("data", "axes fraction"),
                    color=look.QUIET_INK.now,
                    fontsize="small",
                )
        axes[-1].set_xlabel("time from the start of the measured window, s")
        legend(figure, axes[0])

    return draw
