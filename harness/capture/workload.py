"""A title whose frames are captured, as one workload, whatever kind the title is of."""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Mapping
from pathlib import Path

from harness.capture import LOGS, Way
from harness.capture.build import library
from harness.capture.reading import LIVE_MAPPING
from harness.capture.recorder import LOOK_EVERY_S, LOST, CaptureLog, Recorder
from harness.capture.switch import RingFolder, variables
from harness.capture.why_nothing import small_program, why_nothing
from harness.errors import FrameLogError, WorkloadFailed
from harness.plan.schema import Cell, FrameLogSpec
from harness.processes import child_environment
from harness.rig import FrameLogSource, Launch, Workload, WorkloadState


class Capture:
    """The record of one run of one program, from before its start until after its end.

    Args:
        path: Of the captured log; must not be there.
        way: How it is captured.
    """

    def __init__(self, path: Path, way: Way) -> None:
        self.path = path
        self._way: Way = way
        self._rings: RingFolder | None = None
        self._recorder: Recorder | None = None
        self._log: CaptureLog | None = None
        self._small: str | None = None
        self._looked_s = float("-inf")

    def begin(self, environment: Mapping[str, str]) -> dict[str, str]:
        """Begin to record; what to add to the program's environment.

        Args:
            environment: What else is added to it.
        Raises:
            WorkloadFailed: It can't be recorded here.
        """
        native = library()
        try:
            self._rings = RingFolder()
            self._log = CaptureLog(self.path)
        except OSError as error:
            self.finish()
            raise WorkloadFailed(f"the capture can't begin ({error}); look at that folder") from error
        self._recorder = Recorder(self._rings.path, self._log)
        self._recorder.start()
        before = {**child_environment(), **environment}
        return variables(native, self._rings.path, before, display_times=self._way == "capture-display")

    @property
    def has_rows(self) -> bool:
        """Whether anything was recorded so far."""
        return self._log is not None and sum(self._log.rows.values()) > self._log.rows[LOST]

    def look(self, process_id: int | None) -> None:
        """Look at the running program, to be able to tell why nothing was recorded."""
        now_s = time.monotonic()
        if self._small is None and not self.has_rows and now_s - self._looked_s >= LOOK_EVERY_S:
            self._looked_s = now_s
            self._small = small_program(process_id)

    def finish(self) -> None:
        """Take what is left, and remove the rings. Safe to call twice."""
        if self._recorder is not None:
            self._recorder.finish()
        if self._rings is not None:
            self._rings.remove()

    def recorded(self) -> Path:
        """The log, after :meth:`finish`. Raises FrameLogError where nothing was recorded, with the reason."""
        if self._recorder is None:
            raise FrameLogError("the capture was not begun, as the title was not started")
        if self._recorder.trouble is not None:
            raise FrameLogError(f"{self._recorder.trouble}; look at the disk, and measure again")
        if not self.has_rows:
            raise FrameLogError(why_nothing(self._small, self._recorder.failures))
        return self.path


class Captured:
    """A title with the record of its frames. See :class:`harness.rig.Workload`.

    Args:
        workload: The title's own; not started yet.
        cell: Its cell.
        way: How it is captured.
    """

    def __init__(self, workload: Workload, cell: Cell, way: Way) -> None:
        self._workload = workload
        self._cell = cell
        self._way: Way = way
        self._capture: Capture | None = None

    def start(self, launch: Launch) -> None:
        capture = Capture(launch.work_folder / LOGS[self._way], self._way)
        added = capture.begin(launch.environment)
        self._capture = capture
        self._workload.start(dataclasses.replace(launch, environment={**launch.environment, **added}))

    def poll(self) -> WorkloadState:
        state = self._workload.poll()
        if self._capture is not None:
            self._capture.look(self.process_id())
        return state

    def process_id(self) -> int | None:
        return self._workload.process_id()

    def stop(self, grace_s: float) -> None:
        try:
            self._workload.stop(grace_s)
        finally:
            if self._capture is not None:
                self._capture.finish()

    def growing_log(self) -> FrameLogSource | None:
        if self._capture is None or not self._capture.has_rows:
            return None
        spec = FrameLogSpec(path=LOGS[self._way], reader="columns", options=dict(LIVE_MAPPING))
        return FrameLogSource(self._capture.path, spec)

    def frame_log(self) -> FrameLogSource | None:
        spec = self._cell.title.frame_log
        if self._capture is None or spec is None:
            raise FrameLogError("the capture was not begun, as the title was not started")
        return FrameLogSource(self._capture.recorded(), spec)

    def score(self) -> float | None:
        return self._workload.score()
