"""Captures the frames of one program outside any plan, to see whether and how that works."""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from harness.capture import LOGS, Way
from harness.capture.reading import read_capture
from harness.capture.workload import Capture
from harness.clock import Clock, SystemClock
from harness.errors import UserFileError
from harness.numerals import counted
from harness.processes import TitleProcess, child_environment
from harness.programs import find_program
from harness.rig import FrameLog

_GRACE_S = 3.0
_POLL_S = 0.05


@dataclass(frozen=True)
class CapturedProgram:
    """What was captured of one program.

    Attributes:
        frames: Frames of its largest window: one more than the frame times between them.
        log: As read.
        exit_code: Of the program.
        figures: Name -> value, by the formulas of the report.
    """

    frames: int
    log: FrameLog
    exit_code: int | None
    figures: dict[str, float] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        """For ``--json``."""
        return {
            "frames": self.frames,
            "exit_code": self.exit_code,
            **self.figures,
            "left_out": dict(self.log.left_out),
            "dropped": dict(self.log.dropped),
            "notes": list(self.log.notes),
        }

    def as_text(self) -> str:
        """For a person."""
        lines = [
            f"{counted(self.frames, 'frame')}: average {self.figures['average_fps']:.1f} FPS, "
            f"1 % low {self.figures['one_percent_low_fps']:.1f} FPS"
        ]
        lines += self.log.notes
        lines += [f"{reason}: {count}" for reason, count in self.log.dropped.items()]
        return "\n".join(lines)


def capture_program(
    words: Sequence[str],
    *,
    way: Way = "capture",
    ends_after_s: float | None = None,
    keep: Path | None = None,
    clock: Clock | None = None,
) -> CapturedProgram:
    """Start a program, record its frames until it ends, and read them.

    Its output goes to standard error as it comes.

    Args:
        words: Program and arguments.
        way: How its frames are captured.
        ends_after_s: It is ended after this time; None: it ends by itself.
        keep: Where the captured log is kept; None: nowhere.
        clock: Time.
    Raises:
        WorkloadFailed: It can't be started, or the native part can't be built.
        FrameLogError: It presented no frame.
        UserFileError: ``keep`` is there already.
    """
    from harness.frames.metrics import frame_metrics

    clock = clock or SystemClock()
    if keep is not None and keep.exists():
        raise UserFileError(str(keep), "it is there already", "name a file that is not there")
    program = str(find_program(words[0], [Path.cwd()]))
    folder = Path(tempfile.mkdtemp(prefix="levelrig-capture-"))
    capture = Capture(folder / LOGS[way], way)
    process: TitleProcess | None = None

    def processes() -> set[int]:
        return set() if process is None else {one.pid for one in process.tree()}

    try:
        added = capture.begin(child_environment(), processes)
        process = TitleProcess(
            [program, *words[1:]],
            clock,
            cwd=Path.cwd(),
            output_path=folder / "output.log",
            environment=added,
            take=_pass_on,
        )
        started_s = clock.now_s()
        while process.alive() and (ends_after_s is None or clock.now_s() - started_s < ends_after_s):
            capture.look(process.pid)
            clock.sleep_s(_POLL_S)
        process.end(_GRACE_S)
        exit_code = process.exit_code()
        capture.finish()
        log = read_capture(capture.recorded(), way)
        if keep is not None:
            shutil.copyfile(folder / LOGS[way], keep)
    finally:
        if process is not None:
            process.end(0.0)
        capture.finish()
        shutil.rmtree(folder, ignore_errors=True)
    frametime_ms = log.frames["frametime_ms"].to_numpy()
    metrics = frame_metrics(frametime_ms)
    named = {name: metrics[name] for name in ("average_fps", "one_percent_low_fps")}
    figures = {name: float(value) for name, value in named.items() if value is not None}
    return CapturedProgram(log.frames.num_rows + 1, log, exit_code, figures)


def _pass_on(block: bytes, _since_s: float, _now_s: float) -> None:
    sys.stderr.buffer.write(block)
    sys.stderr.flush()
