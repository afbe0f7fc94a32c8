"""The rhythm of an attempt's frames against that of the card's power sensor, for its summary and checks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pyarrow as pa

from harness.engine.window_frames import WindowFrames
from harness.power_sensor.model import PowerSensorModel
from harness.power_sensor.of_window import SeenThrough, seen_through
from harness.telemetry.summary import Rhythm, TelemetrySummary, Window, summarise_window


@dataclass(frozen=True)
class WindowPower:
    """What an attempt's telemetry says, its power by the best source for this title.

    Attributes:
        summary: Of the window.
        on_rhythm: That its frame rate sits on the rhythm by which that source looks, in a sentence; None
            where it does not, or where the card's sensors are not known.
    """

    summary: TelemetrySummary
    on_rhythm: str | None = None


def summarise(
    telemetry: pa.Table,
    measured_s: float,
    frames: WindowFrames | None,
    model: PowerSensorModel | None,
    sources: Mapping[str, str],
) -> WindowPower:
    """Summarise a window of 0 to ``measured_s``.

    Args:
        telemetry: Layout :data:`harness.tables.TELEMETRY`.
        measured_s: Length of the window.
        frames: What its frame log gave; None for a title without one.
        model: Of the card's power sensors; None where it is not known.
        sources: Quantity -> driver's call or file.
    """
    seen: dict[str, SeenThrough] = {}
    if model is not None and frames is not None and frames.frametime_ms.size:
        window = Window(telemetry, 0.0, measured_s)
        seen = seen_through(
            model,
            frames.frametime_ms,
            window_s=measured_s,
            mean_w={mean.quantity: mean.mean_w for mean in window.power_means},
            sources=sources,
            load_pct=window.mean("gpu_load_pct"),
        )
    summary = summarise_window(
        telemetry,
        0.0,
        measured_s,
        frame_count=None if frames is None else frames.figures.frame_count,
        average_fps=None if frames is None else frames.figures.average_fps,
        rhythm=Rhythm({q: one.u_w for q, one in seen.items()}, {q: one.bound_w for q, one in seen.items()}),
    )
    used = seen.get(summary.card_source or "")
    return WindowPower(summary, used.sentence if used is not None and used.on_rhythm else None)


def sources_of(telemetry: pa.Table) -> dict[str, str]:
    """Quantity -> driver's call or file, as a kept table states it."""
    stated = {f.name: (f.metadata or {}).get(b"source", b"").decode() for f in telemetry.schema}
    return {name: source for name, source in stated.items() if source}
