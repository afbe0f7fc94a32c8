"""What the window of a try gave: frames, frame rate by second, readings, and what every check says. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from harness.checks import CHECKS
from harness.engine.attempt import Running
from harness.frames.metrics import per_second_fps
from harness.plan.checks_table import Checks
from harness.tables import QUANTITY_COLUMNS
from harness.telemetry.limits import all_reasons

Said = Literal["fine", "rejects", "marks", "not judged"]


@dataclass(frozen=True)
class CheckSaid:
    """What one check says of the try, and why."""

    code: str
    said: Said
    why: str = ""


def by_second(running: Running | None) -> list[float]:
    """Frame rate in each second of the window, 1/s, from the frame log as read."""
    frames = None if running is None else running.measured.frames
    return [] if frames is None else [round(float(fps), 2) for fps in per_second_fps(frames.frametime_ms)]


def figures(running: Running | None) -> dict[str, Any]:
    """The figures of frames and score that there are, under the names of their columns."""
    if running is None:
        return {}
    found: dict[str, Any] = {}
    frames = running.measured.frames
    if frames is not None and frames.frametime_ms.size:
        found |= {name: value for name, value in frames.figures.items() if value is not None}
        found["longest_frame_ms"] = float(frames.frametime_ms.max())
    if running.measured.score is not None:
        found["score"] = running.measured.score
    return found


def readings(running: Running | None) -> list[dict[str, Any]]:
    """Each quantity that was read inside the window: mean, lowest, highest, number of readings.

    Of the bits of ``limit_reasons`` also ``reasons``, in words.
    """
    table = None if running is None else running.telemetry_table()
    if running is None or table is None or running.measured_s is None:
        return []
    t_s = table["t_s"].to_numpy()
    inside = (t_s >= 0) & (t_s <= running.measured_s)
    return [row for quantity in QUANTITY_COLUMNS if (row := _reading(table, inside, quantity)) is not None]


def _reading(table: Any, inside: Any, quantity: Any) -> dict[str, Any] | None:
    if quantity.type not in ("float", "integer") or quantity.name not in table.column_names:
        return None
    values = table[quantity.name].to_numpy(zero_copy_only=False).astype(np.float64)[inside]
    values = values[np.isfinite(values)]
    if not values.size:
        return None
    said = (
        {"reasons": all_reasons(values.astype(np.int64).tolist())} if quantity.name == "limit_reasons" else {}
    )
    return {
        **said,
        "quantity": quantity.name,
        "unit": quantity.unit,
        "mean": float(values.mean()),
        "lowest": float(values.min()),
        "highest": float(values.max()),
        "count": int(values.size),
    }


def checks_said(running: Running | None, limits: Checks) -> list[CheckSaid]:
    """What every check says; empty where the attempt did not get that far."""
    judgement = None if running is None else running.judgement
    if running is None or judgement is None:
        return []
    fired = dict(judgement.fired)
    marks = {mark.partition(":")[0] for mark in judgement.marks}
    no_frames = running.measured.frames is None
    return list(_each(fired, marks, no_frames=no_frames, has_log=running.cell.title.frame_log is not None))


def _each(fired: dict[str, str], marks: set[str], *, no_frames: bool, has_log: bool) -> Iterator[CheckSaid]:
    for check in CHECKS:
        if check.of_frames and no_frames:
            why = "the frame log could not be read" if has_log else "the title has no frame log"
            yield CheckSaid(check.code, "not judged", why)
        elif check.code in fired:
            yield CheckSaid(check.code, "marks" if check.code in marks else "rejects", fired[check.code])
        elif check.compares:
            yield CheckSaid(check.code, "not judged", "it needs the night's other attempts")
        else:
            yield CheckSaid(check.code, "fine")
