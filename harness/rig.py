"""The seams between the engine and the outside: rig, sensor, control, workload.

Each call states what it may raise. Where something else comes, or a value that breaks its contract, the
wrappers of :mod:`harness.boundary` turn it into the seam's own error; nobody who uses a rig has to remember.
An error whose ``permanent`` is true (no such program, no such column) says that trying again is no use until
somebody fixes the cause; its cell is then set aside.

The engine drives a :class:`Rig` and knows nothing of what stands behind it. ``harness.plugins`` builds one
from the installed plugins; the simulated rig is another, with a virtual clock.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, Protocol, runtime_checkable

from harness.clock import Clock
from harness.errors import Problem
from harness.plan.schema import Cell, FrameLogSpec, ProfileSpec

if TYPE_CHECKING:
    import pyarrow as pa

Reading = float | int | None
Priority = Literal["low", "below-normal", "normal", "above-normal", "high"]


@dataclass(frozen=True)
class Channel:
    """One quantity that a sensor offers.

    Attributes:
        quantity: A name of :data:`harness.tables.QUANTITIES`.
        source: The driver call or file that it is read from, so that the report can cite it.
        period_s: How often its value can change; the sampler does not read it more often. 0: no limit.
        window_s: Averaging window of the reading; None where the source states none.
        resolution: Smallest step of the reading in the quantity's unit; None where unknown.
        may_be_empty: It rightly has no reading at times, as the number of an error before there was one.
        delay_s: A reading tells how it was this long before it is read; the sampler files it there.
        device: Which device it is of: a card's :attr:`harness.card.GraphicsCard.device`. Empty: the machine
            itself, or what the plan says that an instrument is attached to. A reading of another card than
            the plan's is never taken.
        note: What a person should know of its readings, in a few words: ``intended, not measured``.
    """

    quantity: str
    source: str
    period_s: float = 0.0
    window_s: float | None = None
    resolution: float | None = None
    delay_s: float = 0.0
    may_be_empty: bool = False
    device: str = ""
    note: str = ""


@runtime_checkable
class Sensor(Protocol):
    """A source of readings. Reads must be cheap (state in the docs what one costs) and thread-safe."""

    name: str

    def channels(self) -> Sequence[Channel]:
        """The quantities that this device really has. What it lacks is left out. Raises SensorUnavailable."""

    def read(self, quantities: Collection[str]) -> Mapping[str, Reading]:
        """Read these quantities now. A reading that failed is left out or None, never 0.

        Raises:
            SensorUnavailable: The whole source vanished; the sampler marks a gap and tries again.
        """

    def close(self) -> None:
        """Give the source back. Safe to call twice."""


@runtime_checkable
class SeesPrograms(Protocol):
    """A sensor that also tells which other programs are on the card: of ``foreign_gpu_processes`` or
    ``foreign_gpu_load_pct``, which it must be read for."""

    def programs(self) -> Mapping[str, float | None] | None:
        """What its reads since the last call saw: name of a program outside the test -> mean load, %; None
        for a load that it can't tell, None altogether where it saw nothing. Never waits, never raises."""


@dataclass(frozen=True)
class Launch:
    """All that a workload needs to start one run of a title.

    Attributes:
        cell: What to run.
        work_folder: Empty folder of this attempt for the title's files; exists.
        output_path: File that takes the title's standard output and error.
        environment: Variables added to the harness's own.
        affinity: Logical processors that the title may use; None for all.
        priority: Scheduling priority.
        thread_count: Threads that the title should use, where it can be told; None for its own choice.
        listen: Gets the title's whole lines as they come, on any thread; steps that wait for a line need it.
        latest: Gives the rig's present reading of a quantity; None where it is not read.
    """

    cell: Cell
    work_folder: Path
    output_path: Path
    environment: Mapping[str, str] = field(default_factory=dict)
    affinity: tuple[int, ...] | None = None
    priority: Priority = "normal"
    thread_count: int | None = None
    listen: Callable[[bytes], None] | None = None
    latest: Callable[[str], float | None] | None = None


@dataclass(frozen=True)
class WorkloadState:
    """What a running title looks like from outside, at one poll.

    Attributes:
        running: Some process of it is alive.
        ready: It left its start-up (menu, loading) and does what is to be measured.
        finished: It said that it is done (line, exit), in the way that the plan names.
        exit_code: Of the main process, once it ended.
        passes: Passes completed, where the title counts them.
        last_sign_s: Clock time of its last sign of life (output, frame, CPU time); None if not watched.
        failure: What went wrong, in a sentence; None while all is well.
        ready_by: What told that it is ready, in a few words, where that can be said.
        finished_by: The same of its end.
        remarks: What was unusual and is no failure, a sentence each: marks of the attempt.
        doing: Its present step, in words, where it has steps.
        said: The last line of its output; empty where that is not known.
        steps: Its steps say when the measured window begins, once :func:`stages_over` was called.
        begin_s, end_s: When they said that it began and ended, by the rig's clock; None: not yet, or by time.
    """

    running: bool
    ready: bool = True
    finished: bool = False
    exit_code: int | None = None
    passes: int | None = None
    last_sign_s: float | None = None
    failure: str | None = None
    ready_by: str = ""
    finished_by: str = ""
    remarks: tuple[str, ...] = ()
    doing: str = ""
    said: str = ""
    steps: bool = False
    begin_s: float | None = None
    end_s: float | None = None


class Workload(Protocol):
    """One run of one title. Made again for each attempt."""

    def start(self, launch: Launch) -> None:
        """Start it and return at once. Raises WorkloadFailed."""

    def poll(self) -> WorkloadState:
        """Its state now; never blocks. Raises WorkloadFailed where it can't be told: the attempt fails."""

    def process_id(self) -> int | None:
        """Main process, for affinity and for telling foreign load; None where there is none."""

    def stop(self, grace_s: float) -> None:
        """End it: ask, wait up to ``grace_s``, then end the whole process tree. Safe to call twice.

        Raises:
            WorkloadFailed: It could not; its process tree is then ended from outside, and the attempt fails.
        """

    def growing_log(self) -> FrameLogSource | None:
        """The frame log that it is writing now, for a live frame rate.

        None while there is none, and where it can't be told at once: never blocks, never raises.
        """

    def frame_log(self) -> FrameLogSource | None:
        """Where its frame log lies and how to read it; None for a title without one. After ``stop``.

        Raises:
            FrameLogError: This run left none, or it can't be told which one is its.
        """

    def score(self) -> float | None:
        """The one number that a score-only title gave; None for the rest. After ``stop``.

        Raises:
            WorkloadFailed: It should have given one, and gave none that is a number.
        """


def measured(workload: Workload, begin_s: float, end_s: float) -> None:
    """Tell a workload when the measured window began and ended, by the rig's clock, before its log and score
    are asked for. What a title gave before its window is none of its results; others have no such call."""
    tell = getattr(workload, "measured", None)
    if tell is not None:
        tell(begin_s, end_s)


def stages_over(workload: Workload) -> None:
    """Tell a workload with steps that the rig's stages are over; others have no such call."""
    tell = getattr(workload, "stages_over", None)
    if tell is not None:
        tell()


class ClockMarker(NamedTuple):
    """An event that the frame log's clock and the rig's both saw.

    Attributes:
        log_s: Its time on the log's clock, s.
        rig_s: Its time on the rig's clock, s.
        resolution_s: The rig saw it within half of this around ``rig_s``; the log's clock may have been read
            before that, never after.
    """

    log_s: float
    rig_s: float
    resolution_s: float


@dataclass(frozen=True)
class FrameLogSource:
    """A frame log on disk.

    Attributes:
        path: The file, as the title left it.
        spec: Reader and mapping.
        clock_offset_s: Log time + this = the rig's clock (``Clock.now_s``); None where unknown.
        clock_markers: What else ties the two clocks, where the title told it.
    """

    path: Path
    spec: FrameLogSpec
    clock_offset_s: float | None = None
    clock_markers: tuple[ClockMarker, ...] = ()


@dataclass(frozen=True)
class FrameLog:
    """A frame log as read: ``frames`` has the columns of ``harness.tables.FRAMES``, ``t_s`` in log time.

    Attributes:
        frames: All usable frames, in order, before any cut to the window.
        rows_read: Rows in the file.
        dropped: Rows that could not be used, by reason: faults of the log.
        left_out: Rows that the plan leaves out or that are no frames (the first of a time column), by
            reason; ``rows_read == frames.num_rows + sum(dropped.values()) + sum(left_out.values())``.
        clock: How ``t_s`` relates to the rig's clock: ``rig`` when it already is that clock, else ``log``.
        notes: What a person should know of this log.
        worst: The frames again where rows could not be read or contradict each other: each as bad as it may
            have been. What differs between the two is how far the figures are open. None without doubt.
    """

    frames: pa.Table
    rows_read: int
    dropped: Mapping[str, int] = field(default_factory=dict)
    left_out: Mapping[str, int] = field(default_factory=dict)
    clock: Literal["rig", "log"] = "log"
    notes: tuple[str, ...] = ()
    worst: pa.Table | None = None


class Control(Protocol):
    """Applies, verifies and restores a profile. One object per kind and campaign; safe to call again.

    The order of a night: ``check`` before it; ``snapshot`` once, kept in the journal; then for each change
    of profile ``apply`` and ``read_back``; ``verify_under_load`` in each warm-up; ``restore`` at the end, on
    any stop, and at the next start after a crash.
    """

    kind: str
    changes_hardware: bool

    def check(self, profile: ProfileSpec) -> list[Problem]:
        """What this device would refuse of the profile. Reads only. Raises ControlRefused."""

    def snapshot(self) -> dict[str, Any]:
        """The state to go back to, as JSON values. Raises ControlRefused."""

    def apply(self, profile: ProfileSpec) -> None:
        """Apply it whole, from the factory state. Raises ControlRefused."""

    def read_back(self, profile: ProfileSpec) -> dict[str, Any]:
        """What is in force now, as JSON values. Raises ControlRefused where it is not the profile."""

    def adapt_launch(self, profile: ProfileSpec, launch: Launch) -> Launch:
        """The launch with what the profile asks of the title's process; the same launch if nothing.

        Raises:
            ControlRefused: This launch can't be adapted.
        """

    def verify_under_load(
        self, profile: ProfileSpec, readings: Mapping[str, Sequence[float]], process_id: int | None
    ) -> list[str]:
        """What shows that the profile is not in force, from the first seconds under load; empty if none.

        Args:
            readings: Quantity -> readings (non-null) since the launch.
        Raises:
            ControlRefused: It can't be told.
        """

    def restore(self, snapshot: Mapping[str, Any]) -> None:
        """Put everything this control may have touched back. Raises ControlRefused."""


@dataclass(frozen=True)
class RigFacts:
    """Who the rig is: written to ``rig.json`` and printed in the report. JSON values only.

    Attributes:
        rig_id: Stable identity of machine and card.
        boot_id: Identity of the machine's present boot.
        facts: Section -> name -> value, as ``{"processor": {"model": ..., "logical_cpus": ...}}``.
        simulated: The report says so in its first line when true.
    """

    rig_id: str
    boot_id: str
    facts: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    simulated: bool = False


class Rig(Protocol):
    """The machine under test."""

    clock: Clock

    def facts(self) -> RigFacts:
        """Who it is. Raises PluginError."""

    def open_sensors(self) -> Sequence[Sensor]:
        """All sensors that work here and that the plan wants; one that does not open is left out."""

    def open_control(self, kind: str) -> Control:
        """Raises ControlRefused."""

    def open_workload(self, cell: Cell) -> Workload:
        """Raises WorkloadFailed."""

    def read_frame_log(self, source: FrameLogSource) -> FrameLog:
        """Raises FrameLogError."""
