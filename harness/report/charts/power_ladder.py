"""The picture of a card's power sensors: how far each source was off, over the rate of the loads. Pure."""

from __future__ import annotations

import io
from pathlib import Path

from matplotlib.figure import Figure

from harness import inside
from harness.power_sensor.model import PowerSensorModel
from harness.power_sensor.rhythm import bounds_over_rates
from harness.report.charts import style as look

_WIDTH_IN, _PANEL_IN, _HEAD_IN = 9.6, 1.75, 1.42


def power_ladder(model: PowerSensorModel) -> Figure:
    """One panel a source: errors as measured, and as large as the model lets them be."""
    with look.drawing(fixed=True):
        height_in = _HEAD_IN + _PANEL_IN * len(model.sources)
        figure = Figure(figsize=(_WIDTH_IN, height_in))
        panels = figure.subplots(len(model.sources), 1, sharex=True, squeeze=False)[:, 0]
        figure.subplots_adjust(
            left=0.09, right=0.985, top=1 - 1.02 / height_in, bottom=0.55 / height_in, hspace=0.42
        )
        rates = [rung.rate_hz for rung in model.rungs]
        lowest, highest = min(rates, default=10.0) * 0.9, max(rates, default=200.0) * 1.08
        largest = max((abs(e) for rung in model.rungs for e in rung.error.values()), default=0.1)
        for number, (axes, source) in enumerate(zip(panels, model.sources, strict=True)):
            role = look.PROFILE_ROLES[(number + 1) % len(look.PROFILE_ROLES)]
            hz, bound = bounds_over_rates(source, lowest, highest)
            axes.fill_between(hz, -100 * bound, 100 * bound, color=role.now, alpha=0.22, lw=0)
            points = [(r.rate_hz, 100 * r.error[source.name]) for r in model.rungs if source.name in r.error]
            if points:
                axes.plot(*zip(*points, strict=True), look._MARKS[number], color=role.now, ms=4.5, mew=0)
            axes.axhline(0, color=look.QUIET_INK.now, lw=0.8)
            axes.set_xscale("log")
            axes.set_xlim(lowest, highest)
            ticks = [
                t for t in (5, 10, 20, 30, 40, 50, 60, 75, 100, 120, 144, 200, 240) if lowest <= t <= highest
            ]
            axes.set_xticks(ticks, [f"{t}" for t in ticks])
            axes.minorticks_off()
            edge = 100 * max(largest, 0.02) * 1.12
            axes.set_ylim(-edge, edge)
            axes.set_ylabel("error, %")
            axes.set_title(f"{source.name}: {_says(source.rhythm_s, source.look_s)}")
        panels[-1].set_xlabel("loads a second")
        figure.text(
            0.02,
            1 - 0.30 / height_in,
            f"What the power readings of {model.card} are worth",
            weight="bold",
            fontsize=12,
        )
        for line, text in enumerate(
            (
                f"Error of the mean, share of the load's swing ({model.off_w:.0f} to {model.on_w:.0f} W)",
                "marks: measured; shade: as far off as the rhythm of its looks can put it; "
                f"driver {model.driver_version}",
            )
        ):
            place = 1 - (0.52 + 0.17 * line) / height_in
            figure.text(0.02, place, text, color=look.QUIET_INK.now, fontsize=8.5)
    return figure


def write_picture(model: PowerSensorModel, path: Path) -> Path:
    """Write it as PNG. Raises OSError."""
    figure = power_ladder(model)
    content = io.BytesIO()
    with look.drawing(fixed=True):
        figure.savefig(content, format="png", dpi=200)
    inside.write_whole(path.parent, path, content.getvalue())
    return path


def _says(rhythm_s: float | None, look_s: float) -> str:
    if rhythm_s is None:
        return "sees all of the time"
    return f"looks every {rhythm_s * 1e3:.1f} ms, each time over {look_s * 1e3:.1f} ms"
