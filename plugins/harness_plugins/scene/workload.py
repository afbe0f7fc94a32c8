"""The harness's side of a scene: start its process, watch it, fetch its frame log."""

from __future__ import annotations

import re
import sys
from pathlib import Path

from harness.card import GraphicsCard
from harness.clock import Clock
from harness.errors import WorkloadFailed
from harness.lines import LineFollower
from harness.plan.schema import Cell, FrameLogSpec
from harness.processes import TitleProcess, end_dead_runs_titles
from harness.rig import FrameLogSource, Launch, WorkloadState
from harness_plugins.scene.options import SceneOptions

_PASS = re.compile(r"^pass (\d+) ")
_LOG_NAME = "frames.csv"
#: How the reader ``columns`` reads the log. Its times are on the rig's clock already.
_MAPPING = {
    "interval_column": "frametime_ms",
    "unit": "ms",
    "presentation_time_column": "end_s",
    "time_unit": "s",
    "clock": "rig",
}


class SceneWorkload:
    """One run of a built-in scene. See :class:`harness.rig.Workload`."""

    def __init__(self, cell: Cell, clock: Clock, card: GraphicsCard | None = None) -> None:
        self._card = card
        self._options = SceneOptions.model_validate(cell.workload_options)
        self._clock = clock
        self._process: TitleProcess | None = None
        self._log_path = Path()
        self._ready = self._done = False
        self._passes = 0
        self._error: str | None = None

    def start(self, launch: Launch) -> None:
        end_dead_runs_titles()
        self._log_path = launch.work_folder / _LOG_NAME
        self._lines = LineFollower(launch.output_path)
        self._process = TitleProcess(
            self._arguments(launch),
            self._clock,
            cwd=launch.work_folder,
            output_path=launch.output_path,
            environment={"PYTHONUNBUFFERED": "1", **launch.environment},
            affinity=launch.affinity,
            priority=launch.priority,
            hold_stdin=True,
        )

    def _arguments(self, launch: Launch) -> list[str]:
        values = self._options.model_dump(exclude_none=True)
        if launch.thread_count is not None:
            values["threads"] = launch.thread_count
        words = [sys.executable, "-m", "harness_plugins.scene"]
        for name, value in values.items():
            words += ["--" + name.replace("_", "-"), str(value)]
        if self._card is not None and self._card.pci_id is not None and self._options.backend == "gpu":
            words += ["--card", "{:04x}:{:04x}".format(*self._card.pci_id)]
        return [*words, "--frame-log", str(self._log_path.absolute()), "--until-input-ends"]

    def poll(self) -> WorkloadState:
        process = self._process
        if process is None:
            return WorkloadState(running=False, ready=False, failure="the scene was not started")
        exit_code = process.exit_code()
        for line in self._lines.new_lines(ended=exit_code is not None):
            if line.startswith("ready "):
                self._ready = True
            elif line.startswith("error "):
                self._error = line.removeprefix("error ")
            elif line.startswith("done "):
                self._done = True
            elif (match := _PASS.match(line)) is not None:
                self._passes = int(match[1])
        failure = None
        if exit_code is not None and not (exit_code == 0 and self._done):
            tail = self._error or " / ".join(self._lines.tail(3)) or "it wrote nothing"
            failure = f"the scene ended with exit code {exit_code}: {tail}"
        return WorkloadState(
            running=exit_code is None,
            ready=self._ready,
            finished=self._done and exit_code == 0,
            exit_code=exit_code,
            passes=self._passes,
            last_sign_s=process.last_sign_s([self._log_path]),
            failure=failure,
            ready_by="its own word" if self._ready else "",
            finished_by="its own end" if self._done else "",
        )

    def process_id(self) -> int | None:
        return None if self._process is None else self._process.pid

    def stop(self, grace_s: float) -> None:
        if self._process is not None:
            self._process.end(grace_s)

    def growing_log(self) -> FrameLogSource | None:
        return self._source() if self._ready else None

    def frame_log(self) -> FrameLogSource | None:
        if not self._log_path.is_file():
            raise WorkloadFailed(
                f"the scene left no frame log at {self._log_path}; see the attempt's output.log"
            )
        return self._source()

    def _source(self) -> FrameLogSource:
        spec = FrameLogSpec.model_validate({"path": _LOG_NAME, "reader": "columns", **_MAPPING})
        return FrameLogSource(self._log_path, spec, clock_offset_s=0.0)

    def score(self) -> float | None:
        return None
