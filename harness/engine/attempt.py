"""One attempt in the driver's hands: what happened so far, and the row that it becomes."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from harness.attempt_row import AttemptRow
from harness.checks import Judgement
from harness.engine.profiles import LostHold
from harness.engine.window_frames import WindowFrames
from harness.metrics.inputs import Value
from harness.plan.schema import Cell, Slot
from harness.rig import Channel, FrameLogSource, Workload
from harness.stages import AnyStage, Rule
from harness.store.artifacts import TableWriter
from harness.store.campaign import AttemptRef
from harness.telemetry.foreign import Programs
from harness.telemetry.summary import TelemetrySummary

#: Time between two looks for the title's growing frame log, seconds.
LOG_LOOK_S = 5.0


@dataclass
class GateResult:
    """How a gate ended: seconds waited and the word for what ended it."""

    waited_s: float
    ended_by: str


@dataclass
class Measured:
    """What an attempt's window gave, part by part; a part that was not read is None.

    Attributes:
        frames: From its frame log.
        score: Of a title that gives one.
        telemetry: From its readings.
        added: Values of the metrics that plugins bring.
    """

    frames: WindowFrames | None = None
    score: float | None = None
    telemetry: TelemetrySummary | None = None
    added: Mapping[str, Value] = field(default_factory=dict)

    def columns(self) -> dict[str, object]:
        """The columns of the attempt's row that tell it."""
        found: dict[str, object] = {}
        if self.frames is not None:
            found |= {**self.frames.figures, **self.frames.columns}
        found["score"] = self.score
        if self.telemetry is not None:
            found |= self.telemetry
        return {**found, **self.added}


@dataclass
class Running:
    """The attempt that is being made. Times are the rig's clock, seconds."""

    slot: Slot
    cell: Cell
    ref: AttemptRef
    started_utc: datetime
    start_s: float
    campaign_start_s: float
    boot_id: str
    which: str = ""  # the repeat in words
    stages: dict[str, tuple[AnyStage, Rule]] = field(default_factory=dict)
    gates: dict[str, GateResult] = field(default_factory=dict)
    marks: list[str] = field(default_factory=list)
    read_back: dict[str, Any] = field(default_factory=dict)
    workload: Workload | None = None
    launch_s: float | None = None
    ended_s: float | None = None  # the title's end, which may come after the window's
    window_start_s: float | None = None
    window_end_s: float | None = None
    start_temp_c: float | None = None
    start_ambient_temp_c: float | None = None
    temperature_quantity: str | None = None
    not_in_force: list[str] = field(default_factory=list)
    lost_hold: LostHold | None = None
    exit_code: int | None = None
    recording: Recording | None = None
    channels: Mapping[str, tuple[str, Channel]] = field(default_factory=dict)
    fresh_for_s: dict[str, float] = field(default_factory=dict)
    core: list[tuple[str, ...]] = field(default_factory=list)
    gpu_programs: Programs | None = None
    telemetry_saved: bool = False
    measured: Measured = field(default_factory=Measured)
    judgement: Judgement | None = None
    pass_starts_s: list[float] = field(default_factory=list)
    log_found: FrameLogSource | None = None
    log_looked_s: float = float("-inf")

    @property
    def work_folder(self) -> Path:
        """Folder for the title's own files."""
        return self.ref.folder / "work"

    @property
    def home(self) -> Path:
        """The title's own home folder, where it has one."""
        return self.work_folder / "home"

    @property
    def output_path(self) -> Path:
        """File with the title's standard output and error."""
        return self.ref.folder / "output.log"

    def growing_log(self, now_s: float) -> FrameLogSource | None:
        """The frame log that the title writes now; looked for every few seconds until it is there."""
        if self.log_found is None and self.workload is not None and now_s - self.log_looked_s >= LOG_LOOK_S:
            self.log_looked_s = now_s
            self.log_found = self.workload.growing_log()
        return self.log_found

    def see_passes(self, passes: int | None, now_s: float) -> None:
        """Note when each pass began, from the count of those that are over; the first begins when ready."""
        if passes is not None and len(self.pass_starts_s) <= passes:
            self.pass_starts_s += [now_s] * (passes + 1 - len(self.pass_starts_s))

    def mark(self, text: str) -> None:
        """Note something unusual that does not reject the attempt, once."""
        if text not in self.marks:
            self.marks.append(text)

    def telemetry_table(self) -> pa.Table | None:
        """All rows recorded, ``t_s`` from the window's start (from the attempt's start without a window)."""
        if self.recording is None or not self.recording.tables:
            return None
        table = pa.concat_tables(self.recording.tables, promote_options="permissive")
        origin_s = self.window_start_s if self.window_start_s is not None else self.start_s
        index = table.schema.get_field_index("t_s")
        field_ = table.schema.field(index)
        return table.set_column(index, field_, pc.subtract(table["t_s"], pa.scalar(origin_s)))

    def row(self, *, now_s: float, verdict: str, reason_code: str | None, reason: str | None) -> AttemptRow:
        """The attempt as a row of its table; ids of campaign and rig are the store's."""
        figures: dict[str, object] = {
            "start_temp_c": self.start_temp_c,
            "start_ambient_temp_c": self.start_ambient_temp_c,
            "temperature_quantity": self.temperature_quantity,
            "profile_read_back": json.dumps(self.read_back, sort_keys=True),
        }
        for gate, result in self.gates.items():
            figures[f"{gate}_s"] = result.waited_s
            figures[f"{gate}_end"] = result.ended_by
        return AttemptRow(
            cell_id=self.cell.cell_id,
            title=self.cell.title.name,
            setting=self.cell.setting.name,
            profile=self.cell.profile.name,
            repeat_index=self.slot.repeat_index,
            attempt_index=self.ref.attempt_index,
            block=self.slot.block,
            position=self.slot.position,
            sentinel=self.slot.sentinel,
            second_look=self.slot.remeasurement,
            definition_hash=self.cell.definition_hash,
            verdict=verdict,
            reason_code=reason_code,
            reason=reason,
            marks=tuple(self.marks),
            started_utc=self.started_utc,
            start_s=self.start_s - self.campaign_start_s,
            duration_s=now_s - self.start_s,
            measured_s=self.measured_s,
            boot_id=self.boot_id,
            figures=figures | self.measured.columns(),
        )

    @property
    def measured_s(self) -> float | None:
        """Length of the measured window; None while there is none."""
        if self.window_start_s is None or self.window_end_s is None:
            return None
        return self.window_end_s - self.window_start_s


class Recording:
    """Keeps an attempt's telemetry rows and passes them on to the file that survives a crash."""

    def __init__(self, partial: TableWriter) -> None:
        self.tables: list[pa.Table] = []
        self.partial = partial

    def write(self, table: pa.Table) -> None:
        """Take one batch of rows, ``t_s`` on the rig's clock."""
        self.tables.append(table)
        self.partial.write(table)
