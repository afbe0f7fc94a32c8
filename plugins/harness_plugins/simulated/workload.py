"""Titles of any kind, played by the model."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from typing import Any

import pyarrow as pa
from pydantic import ValidationError

from harness.clock import Clock
from harness.errors import PluginError, WorkloadFailed
from harness.plan.schema import Cell, FrameLogSpec
from harness.rig import FrameLogSource, Launch, WorkloadState
from harness.tables import FRAMES
from harness.testing import FRAMES_FILE, write_frames

from .chance import generator
from .drawn import draw_character, scene_factors
from .faults import faults_of_run
from .frametimes import generate_frames
from .machine import Machine, frame_traces
from .options import SimulatedOptions
from .running import Run, make_run
from .titles import STEP_S, TitleCharacter


@dataclass
class Stage:
    """What all runs of a night share: characters, scenes, and how often and how long each title ran.

    Attributes:
        reference_threads: Threads at which a title's ``cpu_ms`` holds.
    """

    options: SimulatedOptions
    seed: int
    reference_threads: int = 8
    runs: Counter[str] = field(default_factory=Counter)
    ran_s: defaultdict[str, float] = field(default_factory=lambda: defaultdict(float))
    _characters: dict[str, tuple[TitleCharacter, list[float]]] = field(default_factory=dict)

    def character(self, cell: Cell) -> tuple[TitleCharacter, list[float]]:
        """Character and scenes of a cell's title and setting. Raises PluginError for unknown parts."""
        key = f"{cell.title.name}.{cell.setting.name}"
        if key not in self._characters:
            drawn = draw_character(cell.title.name, cell.setting.name, cell.title.workload, self.seed)
            set_parts: dict[str, Any] = dict(self.options.titles.get(cell.title.name, {}))
            if cell.title.workload == "simulated":
                set_parts.update({k: v for k, v in cell.workload_options.items() if v is not None})
            try:
                character = TitleCharacter.model_validate({**drawn.model_dump(), **set_parts})
            except ValidationError as error:
                raise PluginError(
                    f"character of {cell.title.name}: {error}; parts are "
                    f"{', '.join(TitleCharacter.model_fields)}"
                ) from error
            slower = 1.0 / self.options.frame_rate_scale
            character = character.model_copy(
                update={
                    "gpu_ms": character.gpu_ms * slower,
                    "cpu_ms": character.cpu_ms * slower,
                    "spike_ms": character.spike_ms * slower,
                    "run_noise_pct": character.run_noise_pct * self.options.run_noise_scale,
                }
            )
            self._characters[key] = character, scene_factors(character, cell.title.name, self.seed).tolist()
        return self._characters[key]


class SimulatedWorkload:
    """One run of one title."""

    def __init__(self, cell: Cell, machine: Machine, clock: Clock, stage: Stage) -> None:
        self._cell = cell
        self._machine = machine
        self._clock = clock
        self._stage = stage
        self._run: Run | None = None
        self._launch: Launch | None = None
        self._stopped = False
        self._score: float | None = None
        self._logs_frames = cell.title.frame_log is not None or cell.title.workload != "command"
        character, _ = stage.character(cell)
        self._ends_after_s = character.pass_s if cell.title.measure_s is None else None

    def start(self, launch: Launch) -> None:
        stage, machine, cell = self._stage, self._machine, self._cell
        machine.advance(self._clock.now_s())
        character, scenes = stage.character(cell)
        stage.runs[cell.cell_id] += 1
        number = stage.runs[cell.cell_id]
        rng = generator(stage.seed, "run", cell.cell_id, number)
        faults = faults_of_run(
            stage.options.faults,
            stage.options.fault_probability,
            cell.cell_id,
            number,
            cell.title.measure_s or character.pass_s,
            generator(stage.seed, "faults", cell.cell_id, number),
        )
        launch.output_path.write_text(
            f"simulated run {number} of {cell.cell_id}: a model, not a measurement\n", encoding="utf-8"
        )
        if any(fault.kind == "launch-failure" for fault in faults):
            raise WorkloadFailed(f"{cell.title.name} did not start (simulated); start it again")
        load_steps = round(character.load_s * float(rng.uniform(0.9, 1.1)) / STEP_S)
        self._launch = launch
        self._run = make_run(
            cell.cell_id,
            character,
            scenes,
            rng,
            machine.steps,
            load_steps,
            launch.thread_count,
            stage.reference_threads,
            machine.card.curve.max_clock_mhz,
            1.0 + machine.tuning.memory_clock_offset_mhz / machine.card.memory_clock_mhz,
            stage.ran_s[cell.title.name],
        )
        self._run.frame_phase = float(generator(stage.seed, "phase", cell.cell_id, number).random())
        machine.begin(self._run, faults)

    def poll(self) -> WorkloadState:
        run, machine = self._run, self._machine
        now_s = self._clock.now_s()
        machine.advance(now_s)
        if run is None:
            return WorkloadState(running=False, ready=False)
        self._end_by_itself(run)
        ready = machine.steps >= run.ready_step
        signs = run.hung_step or run.ended_step
        return WorkloadState(
            running=run.ended_step is None,
            ready=ready,
            finished=run.exit_code == 0 and not self._stopped,
            exit_code=run.exit_code,
            passes=int((machine.steps - run.ready_step) * STEP_S // run.character.pass_s) if ready else 0,
            last_sign_s=now_s if signs is None else machine.time_of(signs),
            failure=run.failure,
        )

    def _end_by_itself(self, run: Run) -> None:
        if self._ends_after_s is None or run.ended_step is not None or run.hung_step is not None:
            return
        end_step = run.ready_step + round(self._ends_after_s / STEP_S)
        if self._machine.steps >= end_step:
            self._machine.end(0)
            run.ended_step = end_step

    def process_id(self) -> int | None:
        return None

    def stop(self, grace_s: float) -> None:
        if self._stopped:
            return
        self._stopped = True
        run, machine = self._run, self._machine
        if run is None or self._launch is None or machine.lost:
            return
        machine.advance(self._clock.now_s())
        self._end_by_itself(run)
        if machine.run is run:
            machine.end(0)
        self._leave_results(run, self._launch)

    def _leave_results(self, run: Run, launch: Launch) -> None:
        machine = self._machine
        last = min(s for s in (run.ended_step, run.hung_step, run.log_ends_step) if s is not None)
        start_s, end_s = machine.time_of(run.ready_step), machine.time_of(last)
        gpu_ms, cpu_ms = frame_traces(run)
        count = max(0, last - run.ready_step)
        gpu_ms, cpu_ms = gpu_ms[:count], cpu_ms[:count]
        t_s, frametime_ms = generate_frames(
            run.rng, run.character, gpu_ms, cpu_ms, start_s, end_s, run.ran_before_s
        )
        self._stage.ran_s[self._cell.title.name] += max(0.0, end_s - start_s)
        if not self._logs_frames:
            crashed = run.failure is not None or t_s.size == 0
            self._score = None if crashed else self._score_of(t_s.size / (end_s - start_s))
            return
        if run.log_ends_step is not None:
            with launch.output_path.open("a", encoding="utf-8") as output:
                output.write("write failed: no space left on device\n")
        if run.log_damage == "frame-log-missing":
            return
        path = launch.work_folder / FRAMES_FILE
        write_frames(path, pa.table({"t_s": t_s, "frametime_ms": frametime_ms}, schema=FRAMES))
        if run.log_damage == "frame-log-truncated":
            path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
        elif run.log_damage == "frame-log-corrupt":
            content = bytearray(path.read_bytes())
            content[-64:] = bytes(64)
            path.write_bytes(bytes(content))

    def _score_of(self, frames_per_s: float) -> float:
        """Points that grow with the speed or, where less is better, milliseconds that shrink with it."""
        if self._cell.title.score_better == "lower":
            return round(1e6 / frames_per_s)
        return round(100 * frames_per_s)

    def growing_log(self) -> FrameLogSource | None:
        return None  # it is written when the run ends

    def frame_log(self) -> FrameLogSource | None:
        if self._launch is None or not self._logs_frames:
            return None
        spec = self._cell.title.frame_log or FrameLogSpec(path=FRAMES_FILE)
        return FrameLogSource(self._launch.work_folder / FRAMES_FILE, spec)

    def score(self) -> float | None:
        return self._score
