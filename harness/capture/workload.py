"""A title whose frames are captured, as one workload, whatever kind the title is of."""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Final

from harness.capture import LOGS, Way
from harness.capture.build import library
from harness.capture.reading import LIVE_MAPPING
from harness.capture.recorder import LOOK_EVERY_S, LOST, CaptureLog, Recorder
from harness.capture.switch import RingFolder, variables
from harness.capture.why_nothing import nothing_seen, small_program, why_nothing
from harness.capture.windows import WindowWatch
from harness.capture.x11 import NoDisplay
from harness.errors import FrameLogError, WorkloadFailed
from harness.plan.schema import Cell, FrameLogSpec
from harness.processes import child_environment, started_titles
from harness.rig import FrameLogSource, Launch, Workload, WorkloadState

#: A program that presented nothing for so long has its windows looked at as well, seconds.
PROBE_AFTER_S: Final = 3.0
PROBE_LOG: Final = "windows-looked-at.csv"


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
        self._recorder: Recorder | WindowWatch | None = None
        self._log: CaptureLog | None = None
        self._small: str | None = None
        self._looked_s = float("-inf")
        self._begun_s = float("inf")
        self._probe: WindowWatch | None = None
        self._probing: tuple[Mapping[str, str], Callable[[], set[int]]] | None = None

    def begin(self, environment: Mapping[str, str], processes: Callable[[], set[int]]) -> dict[str, str]:
        """Begin to record; what to add to the program's environment.

        Args:
            environment: The program's own, without what is added here.
            processes: Gives the program's processes, once it was started.
        Raises:
            WorkloadFailed: It can't be recorded here.
        """
        native = None if self._way == "capture-window" else library()
        added: dict[str, str] = {}
        try:
            self._log = CaptureLog(self.path)
            if native is None:
                self._recorder = WindowWatch(self._log, processes, environment)
            else:
                self._rings = RingFolder()
                self._recorder = Recorder(self._rings.path, self._log)
                display_times = self._way == "capture-display"
                native = self._rings.reachable(native)
                added = variables(native, self._rings.path, environment, display_times=display_times)
        except (OSError, NoDisplay) as error:
            self.finish()
            raise WorkloadFailed(f"the capture can't begin: {error}") from error
        self._recorder.start()
        self._begun_s = time.monotonic()
        self._probing = None if native is None else (environment, processes)
        return added

    @property
    def has_rows(self) -> bool:
        """Whether anything was recorded so far."""
        return self._log is not None and sum(self._log.rows.values()) > self._log.rows[LOST]

    def look(self, process_id: int | None) -> None:
        """While nothing was recorded, look at the running program, to be able to tell why."""
        now_s = time.monotonic()
        if self.has_rows:
            self._end_probe()
        elif now_s - self._looked_s >= LOOK_EVERY_S:
            self._looked_s = now_s
            self._small = self._small or small_program(process_id)
            if now_s - self._begun_s >= PROBE_AFTER_S:
                self._begin_probe()

    def _begin_probe(self) -> None:
        """See whether watching its windows would record something."""
        if self._probing is None:
            return
        (environment, processes), self._probing = self._probing, None
        log = None
        try:
            log = CaptureLog(self.path.with_name(PROBE_LOG))
            self._probe = WindowWatch(log, processes, environment)
            self._probe.start()
        except (OSError, NoDisplay):
            if log is not None:
                log.close()

    def _end_probe(self) -> int:
        """How many updates it saw, once it has ended."""
        if self._probe is None:
            return 0
        self._probe.finish()
        return self._probe.seen

    def finish(self) -> None:
        """Take what is left, and remove the rings. Safe to call twice."""
        self._end_probe()
        if self._recorder is not None:
            self._recorder.finish()
        elif self._log is not None:
            self._log.close()
        if self._rings is not None:
            self._rings.remove()

    def recorded(self) -> Path:
        """The log, after :meth:`finish`. Raises FrameLogError where nothing was recorded, with the reason."""
        if self._recorder is None:
            raise FrameLogError("the capture was not begun, as the title was not started")
        if self._recorder.trouble is not None:
            raise FrameLogError(f"{self._recorder.trouble}; measure again")
        if not self.has_rows:
            if isinstance(self._recorder, WindowWatch):
                raise FrameLogError(nothing_seen(len(self._recorder.windows)))
            raise FrameLogError(why_nothing(self._small, self._recorder.failures, self._end_probe()))
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
        own = self._cell.workload_options.get("environment")
        environment = {**child_environment(), **launch.environment, **(own if isinstance(own, dict) else {})}

        def processes() -> set[int]:
            titles = [title for title in started_titles(0.0) if title.output_name == launch.output_path.name]
            return {process.pid for title in titles for process in title.tree()}

        added = capture.begin(environment, processes)
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
