"""Wrappers that conform to the seams of :mod:`harness.rig` and hold them to their contracts."""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Mapping, Sequence
from typing import Any, Final, cast

import psutil

from harness.boundary import fitness
from harness.boundary.crossing import (
    PASSING,
    Unfit,
    cross,
    note_fault,
    printable,
    quietly,
    told,
)
from harness.clock import Clock
from harness.errors import (
    ControlRefused,
    FrameLogError,
    PluginError,
    Problem,
    SensorUnavailable,
    WorkloadFailed,
)
from harness.plan.schema import Cell, ProfileSpec
from harness.rig import (
    Channel,
    Control,
    FrameLog,
    FrameLogSource,
    Launch,
    Reading,
    Rig,
    RigFacts,
    Sensor,
    Workload,
    WorkloadState,
)

#: Longest wait for processes that the boundary itself had to end, seconds.
_END_S: Final = 5.0


def behind_boundary(rig: Rig) -> GuardedRig:
    """The rig behind its boundary; a rig that has one already is given back as it is."""
    return rig if isinstance(rig, GuardedRig) else GuardedRig(rig)


class GuardedRig:
    """A rig (:class:`harness.rig.Rig`) all of whose parts are guarded.

    Attributes:
        clock: The rig's clock.
        news: What a person should hear of what did not open; whoever tells it takes it out.
    """

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self.clock: Clock = rig.clock
        self.news: list[str] = []

    def facts(self) -> RigFacts:
        return cross("the look at this rig", PluginError, lambda: self._rig.facts(), fitness.rig_facts)

    def open_sensors(self) -> Sequence[GuardedSensor]:
        try:
            opened = list(self._rig.open_sensors())
        except PASSING:
            raise
        except BaseException as error:
            note_fault("opening the sensors", error)
            self.news.append(f"no sensor could be opened: {told(error)}; log.jsonl has the traceback")
            opened = []
        self.news += [printable(line) for line in take_news(self._rig)]
        return [GuardedSensor.around(sensor) for sensor in opened]

    def open_control(self, kind: str) -> GuardedControl:
        return cross(
            f"control {kind}",
            ControlRefused,
            lambda: self._rig.open_control(kind),
            lambda control: GuardedControl.around(control, kind),
        )

    def open_workload(self, cell: Cell) -> GuardedWorkload:
        what = f"the workload {cell.title.workload} of {cell.title.name}"
        return cross(
            what,
            WorkloadFailed,
            lambda: self._rig.open_workload(cell),
            lambda workload: GuardedWorkload(_made(workload), what),
        )

    def read_frame_log(self, source: FrameLogSource) -> FrameLog:
        return cross(
            f"the reader {source.spec.reader} of {source.path}",
            FrameLogError,
            lambda: self._rig.read_frame_log(source),
            fitness.frame_log,
        )


def take_news(rig: object) -> list[str]:
    """What an object collected in its list ``news``, if it has one; the list is then empty."""
    news = getattr(rig, "news", None)
    if not isinstance(news, list):
        return []
    taken, news[:] = list(news), []
    return taken


def _made(value: Any) -> Any:
    if value is None:
        raise Unfit("opened nothing")
    return value


class GuardedSensor:
    """A sensor (:class:`harness.rig.Sensor`) that raises only SensorUnavailable and gives only numbers.

    One unfit reading costs that reading; it is told in the log once for each quantity.
    """

    def __init__(self, sensor: Sensor) -> None:
        self._sensor = sensor
        self.name: str = quietly("the name of a sensor", lambda: sensor.name, printable, "nameless")
        self._complained: set[str] = set()

    @classmethod
    def around(cls, sensor: Sensor) -> GuardedSensor:
        """The sensor behind its boundary, once."""
        return sensor if isinstance(sensor, cls) else cls(sensor)

    def channels(self) -> Sequence[Channel]:
        what = f"sensor {self.name}"
        return cross(what, SensorUnavailable, lambda: self._sensor.channels(), fitness.channels)

    def read(self, quantities: Collection[str]) -> Mapping[str, Reading]:
        return cross(
            f"sensor {self.name}", SensorUnavailable, lambda: self._sensor.read(quantities), self._fit
        )

    def _fit(self, value: object) -> dict[str, Reading]:
        fitness.same(Mapping, value)
        found: dict[str, Reading] = {}
        for quantity, reading in cast(Mapping[str, object], value).items():
            try:
                found[quantity] = fitness.reading(reading)
            except Unfit as error:
                if quantity not in self._complained:
                    self._complained.add(quantity)
                    note_fault(f"sensor {self.name}, {printable(quantity, 40)}", error)
        return found

    def close(self) -> None:
        quietly(f"closing sensor {self.name}", lambda: self._sensor.close(), fitness.anything, None)


class GuardedWorkload:
    """A workload (:class:`harness.rig.Workload`) whose processes end even where its own ``stop`` fails."""

    def __init__(self, workload: Workload, what: str) -> None:
        self._workload = workload
        self._what = what

    def start(self, launch: Launch) -> None:
        cross(self._what, WorkloadFailed, lambda: self._workload.start(launch), fitness.anything)

    def poll(self) -> WorkloadState:
        return cross(self._what, WorkloadFailed, lambda: self._workload.poll(), fitness.workload_state)

    def process_id(self) -> int | None:
        return quietly(self._what, lambda: self._workload.process_id(), fitness.process_id, None)

    def stop(self, grace_s: float) -> None:
        try:
            cross(self._what, WorkloadFailed, lambda: self._workload.stop(grace_s), fitness.anything)
        except WorkloadFailed:
            _end_tree(self.process_id())
            raise

    def growing_log(self) -> FrameLogSource | None:
        return quietly(self._what, lambda: self._workload.growing_log(), fitness.log_source, None)

    def frame_log(self) -> FrameLogSource | None:
        return cross(self._what, FrameLogError, lambda: self._workload.frame_log(), fitness.log_source)

    def score(self) -> float | None:
        return cross(self._what, WorkloadFailed, lambda: self._workload.score(), fitness.score)


def _end_tree(process_id: int | None) -> None:
    """End a title that its workload could not end, with all that it started; never this program itself."""
    if process_id is None:
        return
    with contextlib.suppress(psutil.Error, OSError, OverflowError):
        main = psutil.Process(process_id)
        tree = [main, *main.children(recursive=True)]
        if psutil.Process() in tree:
            return
        for process in tree:
            with contextlib.suppress(psutil.Error):
                process.kill()
        psutil.wait_procs(tree, timeout=_END_S)


class GuardedControl:
    """A control (:class:`harness.rig.Control`) that raises only ControlRefused and gives JSON values."""

    def __init__(self, control: Control, kind: str) -> None:
        """Raises Unfit where it does not say whether it changes hardware."""
        self._control = control
        self._what = f"control {kind}"
        self.kind = kind
        changes: object = getattr(control, "changes_hardware", None)
        fitness.same(bool, changes)
        self.changes_hardware = changes is True
        fitness.longest_call_s(control)

    @property
    def longest_call_s(self) -> float:
        """Asked anew each time, since it may grow with every profile that is checked; it may be missing."""
        stated = fitness.longest_call_s(self._control)
        if stated is None:
            raise AttributeError("longest_call_s")
        return stated

    @classmethod
    def around(cls, control: Control | None, kind: str) -> GuardedControl:
        """The control behind its boundary, once. Raises Unfit for None and for what is no control."""
        made = _made(control)
        return made if isinstance(made, cls) else cls(made, kind)

    def check(self, profile: ProfileSpec) -> list[Problem]:
        return cross(self._what, ControlRefused, lambda: self._control.check(profile), fitness.problems)

    def snapshot(self) -> dict[str, Any]:
        return cross(self._what, ControlRefused, lambda: self._control.snapshot(), fitness.plain_state)

    def apply(self, profile: ProfileSpec) -> None:
        cross(self._what, ControlRefused, lambda: self._control.apply(profile), fitness.anything)

    def read_back(self, profile: ProfileSpec) -> dict[str, Any]:
        return cross(
            self._what, ControlRefused, lambda: self._control.read_back(profile), fitness.plain_state
        )

    def adapt_launch(self, profile: ProfileSpec, launch: Launch) -> Launch:
        return cross(
            self._what, ControlRefused, lambda: self._control.adapt_launch(profile, launch), fitness.launch
        )

    def verify_under_load(
        self, profile: ProfileSpec, readings: Mapping[str, Sequence[float]], process_id: int | None
    ) -> list[str]:
        return cross(
            self._what,
            ControlRefused,
            lambda: self._control.verify_under_load(profile, readings, process_id),
            fitness.sentences,
        )

    def restore(self, snapshot: Mapping[str, Any]) -> None:
        cross(self._what, ControlRefused, lambda: self._control.restore(snapshot), fitness.anything)
