"""Public test doubles: a virtual clock, and sensors, workloads, controls and a rig that follow a script.

For the project's own tests and for those of plugin authors. Nothing here touches a device or sleeps. The
physical stand-in for a whole machine is the ``simulated`` plugin; it runs on the same :class:`FakeClock`.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from harness.clock import Aside, LateResult, StillRunning, Ticker
from harness.errors import (
    ControlRefused,
    FrameLogError,
    MachineDown,
    Problem,
    SensorUnavailable,
    WorkloadFailed,
)
from harness.plan.schema import Cell, FrameLogSpec, ProfileSpec
from harness.rig import (
    Channel,
    Control,
    FrameLog,
    FrameLogSource,
    Launch,
    Reading,
    RigFacts,
    Sensor,
    Workload,
    WorkloadState,
)
from harness.tables import FRAMES

T = TypeVar("T")

#: Wall-clock time at which a :class:`FakeClock` starts unless told otherwise.
FAKE_START_UTC = datetime(2030, 1, 1, 20, 0, tzinfo=UTC)


class FakeClock:
    """A virtual clock (:class:`harness.clock.Clock`): time passes only while someone sleeps.

    ``sleep_s`` jumps from one due call to the next, so a night costs as much as its calls do. A periodic
    call is first due at the moment of :meth:`every` and runs in the next sleep, in the caller's thread. A
    call may itself sleep, as a slow read does: other periodic calls go on meanwhile, its own deadlines that
    pass are skipped, and the outer sleep ends no earlier than the call. For one thread only.
    """

    def __init__(self, start_s: float = 0.0, start_utc: datetime = FAKE_START_UTC) -> None:
        self._now_s = start_s
        self._origin_utc = start_utc - timedelta(seconds=start_s)
        self._due: list[tuple[float, int, _FakeTicker | _OneCall]] = []
        self._order = 0

    def now_s(self) -> float:
        return self._now_s

    def now_utc(self) -> datetime:
        return self._origin_utc + timedelta(seconds=self._now_s)

    def step_utc(self, seconds: float) -> None:
        """Step the wall clock, as a time server may; monotonic time is untouched."""
        self._origin_utc += timedelta(seconds=seconds)

    def sleep_s(self, seconds: float) -> None:
        if seconds <= 0:
            return
        end_s = self._now_s + seconds
        due = self._due
        while due and due[0][0] <= end_s:
            due_s, _, event = heapq.heappop(due)
            if not event.stopped:
                if due_s > self._now_s:
                    self._now_s = due_s
                event.fire(due_s)
        if end_s > self._now_s:
            self._now_s = end_s

    def every(self, period_s: float, call: Callable[[], None]) -> Ticker:
        if period_s <= 0:
            raise ValueError(f"period_s must be positive, got {period_s}")
        ticker = _FakeTicker(self, period_s, call)
        self._push(self._now_s, ticker)
        return ticker

    def at(self, time_s: float, call: Callable[[], None]) -> Ticker:
        """Call ``call`` once at that monotonic time (at once in the next sleep if it has passed)."""
        event = _OneCall(call)
        self._push(time_s, event)
        return event

    def aside(self, name: str) -> Aside:
        """Calls are made by the caller itself; one that raises :class:`NeverReturns` counts as hanging."""
        return _FakeAside(self)

    def _push(self, due_s: float, event: _FakeTicker | _OneCall) -> None:
        self._order += 1
        heapq.heappush(self._due, (due_s, self._order, event))


class _FakeTicker:
    """A periodic call; the n-th deadline is start + n × period, so that rounding does not add up."""

    __slots__ = ("_call", "_clock", "_count", "_period_s", "_start_s", "stopped")

    def __init__(self, clock: FakeClock, period_s: float, call: Callable[[], None]) -> None:
        self._clock = clock
        self._call = call
        self._period_s = period_s
        self._start_s = clock.now_s()
        self._count = 0
        self.stopped = False

    def fire(self, due_s: float) -> None:
        self._call()
        if self.stopped:
            return
        self._count += 1
        next_s = self._start_s + self._count * self._period_s
        now_s = self._clock.now_s()
        if next_s < now_s:
            self._count = int((now_s - self._start_s) // self._period_s) + 1
            next_s = self._start_s + self._count * self._period_s
        self._clock._push(next_s, self)

    def stop(self) -> None:
        self.stopped = True


class NeverReturns(MachineDown):
    """Raised by a double's read: stands in for a call into a driver that hangs for good.

    A MachineDown, so that no boundary on its way takes it for an error of the sensor.
    """


class _FakeAside:
    """No thread: what can't return at once hangs until it is abandoned."""

    def __init__(self, clock: FakeClock) -> None:
        self._clock = clock
        self.busy = False

    def ask(self, call: Callable[[], T], patience_s: float) -> T:
        try:
            return call()
        except NeverReturns:
            self.busy = True
            raise StillRunning from None

    def late(self, patience_s: float = 0.0) -> LateResult | None:
        return None

    def abandon(self) -> None:
        self.busy = False

    def close(self) -> None:
        """Nothing runs."""


class _OneCall:
    __slots__ = ("_call", "stopped")

    def __init__(self, call: Callable[[], None]) -> None:
        self._call = call
        self.stopped = False

    def fire(self, due_s: float) -> None:
        self.stopped = True
        self._call()

    def stop(self) -> None:
        self.stopped = True


#: A value, or a function of the clock's seconds that gives it.
Script = Reading | Callable[[float], Reading]


class ScriptedSensor:
    """A sensor whose readings follow a script: ``{"core_temp_c": 60.0, "power_w": lambda t_s: 200 + t_s}``.

    Args:
        script: Quantity -> value or function of clock seconds; a function may return None (failed reading).
        clock: The rig's clock.
        lost: Tells by clock seconds whether the whole source has vanished.
        read_cost_s: Virtual time that one read takes (needs a clock whose sleep is virtual).
        periods_s: Quantity -> ``Channel.period_s``; 0 where not given.
    """

    def __init__(
        self,
        script: Mapping[str, Script],
        clock: FakeClock,
        *,
        name: str = "scripted",
        lost: Callable[[float], bool] = lambda t_s: False,
        read_cost_s: float = 0.0,
        periods_s: Mapping[str, float] | None = None,
    ) -> None:
        self.name = name
        self.script = dict(script)
        self.reads = 0
        self.closed = False
        self._clock = clock
        self._lost = lost
        self._read_cost_s = read_cost_s
        self._periods_s = dict(periods_s or {})

    def channels(self) -> Sequence[Channel]:
        return [
            Channel(quantity, f"script of {self.name}", period_s=self._periods_s.get(quantity, 0.0))
            for quantity in self.script
        ]

    def read(self, quantities: Collection[str]) -> Mapping[str, Reading]:
        now_s = self._clock.now_s()
        self.reads += 1
        if self._lost(now_s):
            raise SensorUnavailable(f"{self.name}: lost at {now_s:.1f} s by its script; wait for its return")
        values = {
            quantity: value(now_s) if callable(value := self.script[quantity]) else value
            for quantity in quantities
            if quantity in self.script
        }
        if self._read_cost_s:
            self._clock.sleep_s(self._read_cost_s)
        return values

    def close(self) -> None:
        self.closed = True


@dataclass(frozen=True)
class WorkloadScript:
    """What a :class:`ScriptedWorkload` does; times are seconds from its start.

    Attributes:
        fails_to_start: Sentence of the WorkloadFailed that ``start`` raises; None: it starts.
        ready_after_s: It leaves its start-up then.
        finishes_after_s: It says that it is done then; None: it runs until it is stopped.
        crashes_after_s: Its process dies then with exit code 1; None: it does not.
        silent_after_s: Last sign of life, as when it hangs; None: always alive.
        pass_s: Length of one pass, counted from ready; None where it counts none.
        frametime_ms: Frame time of every frame, or an array that is cycled; None: it writes no frame log.
        score: The one number of a score-only title.
    """

    fails_to_start: str | None = None
    ready_after_s: float = 0.0
    finishes_after_s: float | None = None
    crashes_after_s: float | None = None
    silent_after_s: float | None = None
    pass_s: float | None = None
    frametime_ms: float | Sequence[float] | None = 10.0
    score: float | None = None


class ScriptedWorkload:
    """A workload that follows a :class:`WorkloadScript` and writes its frame log when it is stopped."""

    def __init__(self, clock: FakeClock, script: WorkloadScript | None = None) -> None:
        self.script = script or WorkloadScript()
        self.launch: Launch | None = None
        self.stopped = False
        self._clock = clock
        self._start_s = 0.0
        self._end_s: float | None = None

    def start(self, launch: Launch) -> None:
        if self.script.fails_to_start is not None:
            raise WorkloadFailed(self.script.fails_to_start)
        self.launch = launch
        self._start_s = self._clock.now_s()
        launch.output_path.parent.mkdir(parents=True, exist_ok=True)
        launch.output_path.write_text(f"scripted run of {launch.cell.cell_id}\n", encoding="utf-8")

    def poll(self) -> WorkloadState:
        script, age_s = self.script, self._clock.now_s() - self._start_s
        if self.stopped or self.launch is None:
            return WorkloadState(running=False, ready=False, exit_code=0 if self.stopped else None)
        crashed = script.crashes_after_s is not None and age_s >= script.crashes_after_s
        finished = not crashed and script.finishes_after_s is not None and age_s >= script.finishes_after_s
        if (crashed or finished) and self._end_s is None:
            self._end_s = self._start_s + (script.crashes_after_s if crashed else script.finishes_after_s)  # type: ignore[operator]
        ready = age_s >= script.ready_after_s
        sign_s = age_s if script.silent_after_s is None else min(age_s, script.silent_after_s)
        return WorkloadState(
            running=not (crashed or finished),
            ready=ready,
            finished=finished,
            exit_code=1 if crashed else 0 if finished else None,
            passes=int((age_s - script.ready_after_s) // script.pass_s) if script.pass_s and ready else None,
            last_sign_s=self._start_s + sign_s,
            failure=f"the title ended by itself with exit code 1 after {age_s:.1f} s" if crashed else None,
        )

    def process_id(self) -> int | None:
        return None

    def stop(self, grace_s: float) -> None:
        if not self.stopped and self.launch is not None:
            self._end_s = self._clock.now_s() if self._end_s is None else self._end_s
            if self.script.frametime_ms is not None:
                first_s = self._start_s + self.script.ready_after_s
                write_frames(
                    self.launch.work_folder / FRAMES_FILE,
                    scripted_frames(first_s, self._end_s, self.script.frametime_ms),
                )
        self.stopped = True

    def growing_log(self) -> FrameLogSource | None:
        return None

    def frame_log(self) -> FrameLogSource | None:
        if self.launch is None or self.script.frametime_ms is None:
            return None
        return FrameLogSource(self.launch.work_folder / FRAMES_FILE, FrameLogSpec(path=FRAMES_FILE))

    def score(self) -> float | None:
        return self.script.score


#: Name of the frame log that a scripted or simulated title leaves in its working folder.
FRAMES_FILE = "frames.parquet"


def scripted_frames(start_s: float, end_s: float, frametime_ms: float | Sequence[float]) -> pa.Table:
    """Frames (columns of ``harness.tables.FRAMES``) between two times of the rig's clock."""
    cycle_ms = np.atleast_1d(np.asarray(frametime_ms, dtype=np.float64))
    wanted_ms = max(0.0, end_s - start_s) * 1000.0
    cycles = int(np.ceil(wanted_ms / cycle_ms.sum())) + 1
    all_ms = np.tile(cycle_ms, cycles)
    ends_ms = np.cumsum(all_ms)
    keep = ends_ms <= wanted_ms + 1e-9
    return pa.table({"t_s": start_s + ends_ms[keep] / 1000.0, "frametime_ms": all_ms[keep]}, schema=FRAMES)


def write_frames(path: Path, frames: pa.Table) -> None:
    """Write a frame log in the rig's own clock, as :func:`read_frames` reads it."""
    pq.write_table(frames, path)


def read_frames(path: Path) -> FrameLog:
    """Read a frame log that :func:`write_frames` wrote. Raises FrameLogError."""
    try:
        frames = pq.read_table(path, schema=FRAMES)
    except (OSError, pa.ArrowException) as error:
        raise FrameLogError(f"{path}: not a readable frame log ({error}); measure again") from error
    return FrameLog(frames=frames, rows_read=frames.num_rows, clock="rig")


class RecordingControl:
    """A control that does nothing but remember: ``calls`` lists ``(method, profile name or None)``.

    Args:
        refuse: Names of profiles that ``apply`` refuses.
        misread: Names of profiles that ``read_back`` finds not to be in force.
        inert: Names of profiles that ``verify_under_load`` finds without effect.
        problems: Profile name -> problem that ``check`` reports.
    """

    def __init__(
        self,
        kind: str = "factory",
        *,
        changes_hardware: bool = False,
        refuse: Collection[str] = (),
        misread: Collection[str] = (),
        inert: Collection[str] = (),
        problems: Mapping[str, Problem] | None = None,
    ) -> None:
        self.kind = kind
        self.changes_hardware = changes_hardware
        self.calls: list[tuple[str, str | None]] = []
        self.state: dict[str, Any] = {"profile": None}
        self._refuse, self._misread, self._inert = set(refuse), set(misread), set(inert)
        self._problems = dict(problems or {})

    def check(self, profile: ProfileSpec) -> list[Problem]:
        self.calls.append(("check", profile.name))
        return [self._problems[profile.name]] if profile.name in self._problems else []

    def snapshot(self) -> dict[str, Any]:
        self.calls.append(("snapshot", None))
        return dict(self.state)

    def apply(self, profile: ProfileSpec) -> None:
        self.calls.append(("apply", profile.name))
        if profile.name in self._refuse:
            raise ControlRefused(f"{self.kind}: {profile.name} was refused by its script; change the script")
        self.state = {"profile": profile.name, **profile.options}

    def read_back(self, profile: ProfileSpec) -> dict[str, Any]:
        self.calls.append(("read_back", profile.name))
        if profile.name in self._misread:
            raise ControlRefused(f"{self.kind}: {profile.name} is not in force; change the script")
        return dict(self.state)

    def adapt_launch(self, profile: ProfileSpec, launch: Launch) -> Launch:
        self.calls.append(("adapt_launch", profile.name))
        return launch

    def verify_under_load(
        self, profile: ProfileSpec, readings: Mapping[str, Sequence[float]], process_id: int | None
    ) -> list[str]:
        self.calls.append(("verify_under_load", profile.name))
        return [f"{profile.name} has no effect"] if profile.name in self._inert else []

    def restore(self, snapshot: Mapping[str, Any]) -> None:
        self.calls.append(("restore", None))
        self.state = dict(snapshot)


@dataclass
class ScriptedRig:
    """A rig made of doubles (:class:`harness.rig.Rig`).

    Attributes:
        clock: Virtual clock.
        sensors: What ``open_sensors`` gives.
        controls: Kind -> control; a kind that is not there gets a :class:`RecordingControl`, kept here.
        workload: Makes the workload of a cell; by default one that runs until stopped at 100 FPS.
        identity: What ``facts`` gives.
    """

    clock: FakeClock = field(default_factory=FakeClock)
    sensors: Sequence[Sensor] = ()
    controls: dict[str, Control] = field(default_factory=dict)
    workload: Callable[[Cell], Workload] | None = None
    identity: RigFacts = field(default_factory=lambda: RigFacts("scripted", "boot-1", simulated=True))

    def facts(self) -> RigFacts:
        return self.identity

    def open_sensors(self) -> Sequence[Sensor]:
        return self.sensors

    def open_control(self, kind: str) -> Control:
        return self.controls.setdefault(kind, RecordingControl(kind))

    def open_workload(self, cell: Cell) -> Workload:
        return ScriptedWorkload(self.clock) if self.workload is None else self.workload(cell)

    def read_frame_log(self, source: FrameLogSource) -> FrameLog:
        return read_frames(source.path)
