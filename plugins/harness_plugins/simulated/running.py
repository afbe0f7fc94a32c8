"""One run of a title inside the machine: its place in its scenes, and what each step left behind."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .titles import TitleCharacter


@dataclass(slots=True)
class Run:
    """A title that was started.

    ``gpu_trace_ms`` and ``cpu_trace_ms`` have one entry per step since it was ready.
    """

    cell_id: str
    character: TitleCharacter
    rng: np.random.Generator
    first_step: int
    ready_step: int
    scenes: list[float]
    gpu_fixed_ms: float
    gpu_clock_ms_mhz: float
    cpu_ms: float
    activity: float
    cap_ms: float
    cpu_load_pct: float
    patience: float
    ran_before_s: float
    gpu_trace_ms: list[float] = field(default_factory=list)
    cpu_trace_ms: list[float] = field(default_factory=list)
    hung_step: int | None = None
    ended_step: int | None = None
    exit_code: int | None = None
    failure: str | None = None
    log_damage: str | None = None
    log_ends_step: int | None = None
    frame_phase: float = 0.0  # where in a frame the first look of the power sensor falls

    def slow_down(self, factor: float) -> None:
        """Let everything take longer from now on, for no reason that any reading would show."""
        self.gpu_fixed_ms *= factor
        self.gpu_clock_ms_mhz *= factor
        self.cpu_ms *= factor


def make_run(
    cell_id: str,
    character: TitleCharacter,
    scenes: list[float],
    rng: np.random.Generator,
    first_step: int,
    load_steps: int,
    threads: int | None,
    reference_threads: int,
    reference_clock_mhz: float,
    memory_clock_ratio: float,
    ran_before_s: float,
) -> Run:
    """Start a run: this run's own deviation from the title's mean, and how long an unstable card bears it."""
    noise = character.run_noise_pct / 100.0
    gpu_ms = character.gpu_ms * float(np.exp(rng.normal(0.0, noise)))
    cpu_ms = character.cpu_ms * float(np.exp(rng.normal(0.0, noise)))
    activity = character.activity * float(np.exp(rng.normal(0.0, noise)))
    used = min(threads or reference_threads, reference_threads)
    cpu_ms *= 1.0 - character.thread_share + character.thread_share * reference_threads / used
    clock_part = gpu_ms * character.clock_share
    return Run(
        cell_id=cell_id,
        character=character,
        rng=rng,
        first_step=first_step,
        ready_step=first_step + load_steps,
        scenes=scenes,
        gpu_fixed_ms=(gpu_ms - clock_part) / memory_clock_ratio,
        gpu_clock_ms_mhz=clock_part * reference_clock_mhz,
        cpu_ms=cpu_ms,
        activity=activity,
        cap_ms=0.0 if character.frame_cap_fps is None else 1000.0 / character.frame_cap_fps,
        cpu_load_pct=character.cpu_load_pct * used / reference_threads,
        patience=float(rng.exponential()),
        ran_before_s=ran_before_s,
    )
