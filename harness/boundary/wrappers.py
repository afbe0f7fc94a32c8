"""Wrappers that conform to the seams of :mod:`harness.rig` and hold them to their contracts."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any, Final, TypeVar, cast

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
from harness.boundary.patience import (
    CONTROL_CALL_S,
    CONTROL_GRACE_S,
    GLANCE_LIMIT_S,
    PATIENCE_S,
    POLL_LIMIT_S,
    POLL_STALE_S,
    READ_LOG_LIMIT_S,
    START_LIMIT_S,
    STOP_LIMIT_S,
    TELL_LIMIT_S,
    not_returned,
    with_context,
    within,
)
from harness.clock import Aside, Clock, StillRunning
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
    SeesPrograms,
    Sensor,
    Workload,
    WorkloadState,
    measured,
    stages_over,
)

T = TypeVar("T")

#: Calls of a control that change the card.
_CHANGING: Final = frozenset({"apply", "restore"})
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
            lambda control: GuardedControl.around(control, kind, self.clock),
        )

    def open_workload(self, cell: Cell) -> GuardedWorkload:
        what = f"the workload {cell.title.workload} of {cell.title.name}"
        return cross(
            what,
            WorkloadFailed,
            lambda: self._rig.open_workload(cell),
            lambda workload: GuardedWorkload(_made(workload), what, self.clock),
        )

    def read_frame_log(self, source: FrameLogSource) -> FrameLog:
        what = f"the reader {source.spec.reader} of {source.path}"
        return within(
            self.clock,
            what,
            READ_LOG_LIMIT_S,
            FrameLogError,
            lambda: cross(what, FrameLogError, lambda: self._rig.read_frame_log(source), fitness.frame_log),
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

    Args:
        sensor: The sensor.
        device: The card whose readings count (:attr:`harness.rig.Channel.device`); channels of other cards
            are left out. None: every channel counts.
    """

    def __init__(self, sensor: Sensor, device: str | None = None) -> None:
        self._sensor = sensor
        self._device = device
        self.name: str = quietly("the name of a sensor", lambda: sensor.name, printable, "nameless")
        self._what = f"sensor {self.name}"
        self._complained: set[str] = set()

    @classmethod
    def around(cls, sensor: Sensor) -> GuardedSensor:
        """The sensor behind its boundary, once."""
        return sensor if isinstance(sensor, cls) else cls(sensor)

    def channels(self) -> Sequence[Channel]:
        found = cross(self._what, SensorUnavailable, lambda: self._sensor.channels(), fitness.channels)
        return [channel for channel in found if self._device is None or channel.device in ("", self._device)]

    def read(self, quantities: Collection[str]) -> Mapping[str, Reading]:
        return cross(self._what, SensorUnavailable, lambda: self._sensor.read(quantities), self._fit)

    def _fit(self, value: object) -> dict[str, Reading]:
        if type(value) is dict and fitness.are_plain_readings(value):
            return value.copy()
        fitness.same(Mapping, value)
        found: dict[str, Reading] = {}
        for quantity, reading in cast(Mapping[str, object], value).items():
            try:
                found[quantity] = fitness.reading(reading)
            except Unfit as error:
                if quantity not in self._complained:
                    self._complained.add(quantity)
                    note_fault(f"{self._what}, {printable(quantity, 40)}", error)
        return found

    def programs(self) -> Mapping[str, float | None] | None:
        """See :class:`harness.rig.SeesPrograms`; None for a sensor that is none of these."""
        sensor = self._sensor
        if not isinstance(sensor, SeesPrograms):
            return None
        return quietly(f"programs that sensor {self.name} saw", sensor.programs, _fit_programs, None)

    def close(self) -> None:
        quietly(f"closing sensor {self.name}", lambda: self._sensor.close(), fitness.anything, None)


def _fit_programs(value: object) -> dict[str, float | None] | None:
    if value is None:
        return None
    fitness.same(Mapping, value)
    found: dict[str, float | None] = {}
    for name, load in cast(Mapping[object, object], value).items():
        reading = fitness.reading(load)
        found[printable(name, 80)] = None if reading is None else float(reading)
    return found


class GuardedWorkload:
    """A workload (:class:`harness.rig.Workload`) whose processes end even where its own ``stop`` fails.

    None of its calls holds anybody up. A start or a look at the state that takes its time goes on aside, and
    :meth:`poll` tells what is known meanwhile: limits and stop requests are looked at as ever.
    """

    def __init__(self, workload: Workload, what: str, clock: Clock) -> None:
        self._workload = workload
        self._what = what
        self._clock = clock
        self._aside = clock.aside(f"levelrig-{what}")
        self._doing, self._limit_s, self._since_s = "", 0.0, 0.0
        self._known = WorkloadState(running=True, ready=False)
        self._stopped = False

    def start(self, launch: Launch) -> None:
        """Returns once it has started, or while it still starts: :meth:`poll` raises what becomes of it."""
        what = f"{self._what}: start"

        def start() -> None:
            cross(self._what, WorkloadFailed, lambda: self._workload.start(launch), fitness.anything)
            if self._stopped:  # it was given up meanwhile: what it started at last must not run on
                self._workload.stop(0.0)

        self._ask(start, what, START_LIMIT_S)

    def poll(self) -> WorkloadState:
        def poll() -> WorkloadState:
            return cross(self._what, WorkloadFailed, lambda: self._workload.poll(), fitness.workload_state)

        if self._aside.busy:
            late = self._aside.late()
            if late is None:
                waited_s = self._clock.now_s() - self._since_s
                if waited_s >= self._limit_s:
                    raise WorkloadFailed(not_returned(self._doing, waited_s))
                return self._known
            found = late.value
        else:
            found = self._ask(poll, f"{self._what}: poll", POLL_LIMIT_S)
        if isinstance(found, WorkloadState):
            self._known = found
        return self._known

    def _ask(self, call: Callable[[], object], doing: str, limit_s: float) -> object:
        """What a call gives; None where it goes on aside."""
        self._doing, self._limit_s, self._since_s = doing, limit_s, self._clock.now_s()
        try:
            return self._aside.ask(with_context(call), PATIENCE_S)
        except StillRunning:
            return None
        finally:
            if self._stopped:
                self._aside.close()

    def measured(self, begin_s: float, end_s: float) -> None:
        quietly(self._what, lambda: measured(self._workload, begin_s, end_s), fitness.anything, None)

    def stages_over(self) -> None:
        quietly(self._what, lambda: stages_over(self._workload), fitness.anything, None)

    def process_id(self) -> int | None:
        def asked() -> int | None:
            return within(
                self._clock,
                f"{self._what}: process_id",
                GLANCE_LIMIT_S,
                WorkloadFailed,
                lambda: self._workload.process_id(),
            )

        return quietly(self._what, asked, fitness.process_id, None)

    def stop(self, grace_s: float) -> None:
        what = f"{self._what}: stop"
        hung_s = self._clock.now_s() - self._since_s if self._aside.busy and not self._stopped else 0.0
        self._stopped = True
        self._aside.abandon()
        try:
            within(
                self._clock,
                what,
                grace_s + STOP_LIMIT_S,
                WorkloadFailed,
                lambda: cross(
                    self._what, WorkloadFailed, lambda: self._workload.stop(grace_s), fitness.anything
                ),
            )
        except WorkloadFailed:
            _end_tree(self.process_id())
            raise
        if hung_s > POLL_STALE_S:  # what the title did all that time is not known
            raise WorkloadFailed(not_returned(self._doing, hung_s))

    def growing_log(self) -> FrameLogSource | None:
        def asked() -> FrameLogSource | None:
            return within(
                self._clock,
                f"{self._what}: growing_log",
                GLANCE_LIMIT_S,
                WorkloadFailed,
                lambda: self._workload.growing_log(),
            )

        return quietly(self._what, asked, fitness.log_source, None)

    def frame_log(self) -> FrameLogSource | None:
        def told_now() -> FrameLogSource | None:
            return cross(self._what, FrameLogError, lambda: self._workload.frame_log(), fitness.log_source)

        return within(self._clock, f"{self._what}: frame_log", TELL_LIMIT_S, FrameLogError, told_now)

    def score(self) -> float | None:
        def told_now() -> float | None:
            return cross(self._what, WorkloadFailed, lambda: self._workload.score(), fitness.score)

        return within(self._clock, f"{self._what}: score", TELL_LIMIT_S, WorkloadFailed, told_now)


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
    """A control (:class:`harness.rig.Control`) that raises only ControlRefused and gives JSON values.

    A call that takes longer than the control states is left behind. Where it changes the card no other is
    made until it returns: nothing is called applied or restored beside it.
    """

    def __init__(self, control: Control, kind: str, clock: Clock) -> None:
        """Raises Unfit where it does not say whether it changes hardware."""
        self._control = control
        self._what = f"control {kind}"
        self._clock = clock
        self.kind = kind
        changes: object = getattr(control, "changes_hardware", None)
        fitness.same(bool, changes)
        self.changes_hardware = changes is True
        fitness.longest_call_s(control)
        self._one_at_a_time = threading.Lock()
        self._hanging: Aside | None = None
        self._hanging_call = ""

    @property
    def longest_call_s(self) -> float:
        """Asked again each time, since it may grow with every profile that is checked; it may be missing."""
        stated = fitness.longest_call_s(self._control)
        if stated is None:
            raise AttributeError("longest_call_s")
        return stated

    @classmethod
    def around(cls, control: Control | None, kind: str, clock: Clock) -> GuardedControl:
        """The control behind its boundary, once. Raises Unfit for None and for what is no control."""
        made = _made(control)
        return made if isinstance(made, cls) else cls(made, kind, clock)

    def _in_time(self, name: str, call: Callable[[], object], fit: Callable[[Any], T]) -> T:
        stated_s = fitness.longest_call_s(self._control)
        limit_s = (CONTROL_CALL_S if stated_s is None else stated_s) + CONTROL_GRACE_S
        if not self._one_at_a_time.acquire(timeout=limit_s):
            raise ControlRefused(not_returned(f"{self._what}: the call before", limit_s))
        try:
            self._wait_for_hanging()
            aside = self._clock.aside(f"levelrig-{self._what}")
            try:
                return aside.ask(with_context(lambda: cross(self._what, ControlRefused, call, fit)), limit_s)
            except StillRunning:
                if name in _CHANGING:
                    self._hanging, self._hanging_call = aside, name
                raise ControlRefused(not_returned(f"{self._what}: {name}", limit_s)) from None
            finally:
                aside.close()
        finally:
            self._one_at_a_time.release()

    def _wait_for_hanging(self) -> None:
        """Raises ControlRefused while a call that was left behind has not returned."""
        if self._hanging is None:
            return
        end_s = self._clock.now_s() + CONTROL_GRACE_S
        while self._clock.now_s() < end_s:
            try:
                if self._hanging.late() is not None:
                    break
            except ControlRefused:
                break
            self._clock.sleep_s(PATIENCE_S)
        else:
            raise ControlRefused(
                f"{self._what}: {self._hanging_call} has still not returned and may change the card yet; "
                "end levelrig, and restart the machine if that does not help"
            )
        self._hanging = None

    def check(self, profile: ProfileSpec) -> list[Problem]:
        return self._in_time("check", lambda: self._control.check(profile), fitness.problems)

    def snapshot(self) -> dict[str, Any]:
        return self._in_time("snapshot", lambda: self._control.snapshot(), fitness.plain_state)

    def apply(self, profile: ProfileSpec) -> None:
        self._in_time("apply", lambda: self._control.apply(profile), fitness.anything)

    def read_back(self, profile: ProfileSpec) -> dict[str, Any]:
        return self._in_time("read_back", lambda: self._control.read_back(profile), fitness.plain_state)

    def adapt_launch(self, profile: ProfileSpec, launch: Launch) -> Launch:
        return self._in_time(
            "adapt_launch", lambda: self._control.adapt_launch(profile, launch), fitness.launch
        )

    def verify_under_load(
        self, profile: ProfileSpec, readings: Mapping[str, Sequence[float]], process_id: int | None
    ) -> list[str]:
        return self._in_time(
            "verify_under_load",
            lambda: self._control.verify_under_load(profile, readings, process_id),
            fitness.sentences,
        )

    def restore(self, snapshot: Mapping[str, Any]) -> None:
        self._in_time("restore", lambda: self._control.restore(snapshot), fitness.anything)
