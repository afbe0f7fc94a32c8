"""A file of frames from elsewhere, read and put before the checks that need no rig."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.checks import AttemptEvidence, judge
from harness.collect.parts import JudgedParts
from harness.frames.bigrun import summarise_log
from harness.frames.doubt import difference_pct, moved_pct
from harness.frames.mapping import ColumnMapping
from harness.frames.metrics import frame_metrics, run_statistics
from harness.frames.perhaps_rates import rate_doubt
from harness.frames.reader import read_log
from harness.metrics import METRICS
from harness.metrics.evaluation import evaluate
from harness.metrics.inputs import Value
from harness.plan.checks_table import Checks
from harness.plan.schema import LowDefinition

#: Larger files are summarised in bounded memory and judged part by part.
HELD_BYTES = 256 << 20


@dataclass(frozen=True)
class JudgedFile:
    """Figures of a file of frames, and what the checks said.

    Attributes:
        figures: Columns of ``harness.tables.ATTEMPTS``: metrics, account, verdict, reason, marks.
        frametime_ms: The frames, ms; empty where they were not held.
    """

    figures: Mapping[str, Any]
    frametime_ms: NDArray[np.float64]


def judge_file(
    path: Path, mapping: ColumnMapping, low_definition: LowDefinition = "percentile"
) -> JudgedFile:
    """Read a file of frames and judge it as a night's frame log is, by the default thresholds.

    Args:
        path: The file; the whole of it counts as the window.
        mapping: What its columns hold.
        low_definition: Definition of the lows.
    Raises:
        FrameLogError: It can't be read as the mapping says.
    """
    frametime_ms: NDArray[np.float64] = np.empty(0)
    first_ms: NDArray[np.float64] = np.empty(0)
    added: dict[str, Value] = {}
    parts = None
    if path.stat().st_size <= HELD_BYTES:
        log = read_log(path, mapping)
        frametime_ms = log.frames["frametime_ms"].to_numpy()
        metrics = frame_metrics(frametime_ms, low_definition=low_definition)
        if frametime_ms.size and METRICS.added():
            frames = run_statistics(frametime_ms, low_definition=low_definition)
            added = evaluate(METRICS.added(), frames=frames).values
        rows_read, faults, left_out, notes = log.rows_read, log.dropped, log.left_out, log.notes
        worst = np.empty(0) if log.worst is None else log.worst["frametime_ms"].to_numpy()
        doubtful = moved_pct(frametime_ms, worst, low_definition)
    else:
        parts = JudgedParts(Checks())

        def beside(batch_ms: NDArray[np.float64], parts: JudgedParts = parts) -> None:
            nonlocal first_ms
            first_ms = batch_ms.copy() if not first_ms.size else first_ms
            parts.add(batch_ms)

        summary = summarise_log(path, mapping, low_definition=low_definition, beside=beside)
        metrics, rows_read, faults = summary.metrics, summary.rows_read, summary.dropped
        left_out, notes = summary.left_out, summary.notes
        doubtful = {} if summary.worst is None else difference_pct(metrics, summary.worst)
    doubt = rate_doubt(mapping, frametime_ms if frametime_ms.size else first_ms)
    notes = tuple(dict.fromkeys((*notes, *doubt)))
    longest_ms = metrics["longest_frame_ms"]
    seen = AttemptEvidence(
        frametime_ms=frametime_ms if frametime_ms.size else np.array([longest_ms] * 2, np.float64),
        has_frame_log=True,
        frame_rows_read=rows_read,
        dropped_rows=faults,
        rows_left_out=left_out,
        doubtful_pct=doubtful,
    )
    judgement = judge(seen, Checks())
    if parts is not None:
        judgement = parts.finish(judgement)
    marks = [f"frame-log-note: {note}" for note in notes]
    marks += [
        f"frame-log-note: doubtful rows could move {name} by {pct:.2g} %" for name, pct in doubtful.items()
    ]
    return JudgedFile(
        {
            **metrics,
            **added,
            "verdict": "accepted" if judgement.accepted else "rejected",
            "reason_code": judgement.reason_code,
            "reason": judgement.reason,
            "marks": [*marks, *judgement.marks],
            "frame_rows_read": rows_read,
            "frame_rows_dropped": sum(faults.values()) + sum(left_out.values()),
        },
        frametime_ms,
    )
