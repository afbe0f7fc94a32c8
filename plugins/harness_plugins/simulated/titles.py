"""Character of a title: what limits it, how it scales, how its scenes and its frame times vary.

Each title gets a character drawn from its name, the same in every rehearsal with the same seed; any part of
it can be set instead.
"""

from __future__ import annotations

from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, Field, create_model

from harness.plan.parts import Part

from .chance import generator

#: Step of the simulation and of a title's scenes.
STEP_S = 0.1


class TitleCharacter(Part):
    """How a title behaves on the model card in its factory state."""

    gpu_ms: float = Field(default=8.0, gt=0, description="card's time for a mean frame at its highest clock")
    cpu_ms: float = Field(
        default=4.5, gt=0, description="processor's time for a mean frame on all its threads"
    )
    clock_share: float = Field(
        default=0.56, ge=0, le=1, description="share of the card's time that goes with the core clock"
    )
    activity: float = Field(
        default=1.0, ge=0, le=1.5, description="switching activity of the card at full load"
    )
    thread_share: float = Field(
        default=0.5, ge=0, le=1, description="share of the processor's time that threads divide"
    )
    cpu_load_pct: float = Field(default=35.0, ge=0, le=100, description="processor load at full frame rate")
    frame_cap_fps: float | None = Field(default=None, gt=0, description="cap on the frame rate; null: none")
    pass_s: float = Field(default=60.0, gt=0, description="length of one pass of its scenes")
    scene_count: int = Field(default=7, ge=1, description="scenes in a pass")
    scene_spread_pct: float = Field(
        default=14.0, ge=0, le=80, description="spread of the work between scenes"
    )
    frame_noise_pct: float = Field(default=4.0, ge=0, le=50, description="spread from frame to frame")
    frame_correlation: float = Field(default=0.85, ge=0, lt=1, description="of that spread, frame to frame")
    spike_pct: float = Field(default=2.5, ge=0, le=50, description="frames that the processor delays")
    spike_ms: float = Field(default=6.0, ge=0, description="least length of such a delay")
    spike_tail: float = Field(
        default=5.0, gt=2, description="Pareto exponent of such a delay; smaller: heavier"
    )
    stutters_per_min: float = Field(default=6.0, ge=0, description="shader compilation in the first minute")
    stutter_decay_s: float = Field(default=45.0, gt=0, description="after this long a third of them is left")
    stutter_ms: float = Field(default=45.0, ge=0, description="median length of such a stutter")
    run_noise_pct: float = Field(default=0.4, ge=0, le=20, description="spread from run to run")
    load_s: float = Field(default=15.0, ge=0, description="start-up until the first frame that counts")
    memory_mib: float = Field(default=7000.0, ge=0, description="memory of the card in use")


def _option_fields() -> dict[str, Any]:
    fields: dict[str, Any] = {}
    for name, field in TitleCharacter.model_fields.items():
        fields[name] = (field.annotation | None, Field(default=None, description=field.description))  # type: ignore[operator]
    return fields


class _AllBear(Part):
    BEARS: ClassVar[str] = "*"


#: Model of the plan's keys for a title of this plugin's own kind: any part of the character.
TitleOptions: type[BaseModel] = create_model("TitleOptions", __base__=_AllBear, **_option_fields())


def draw_character(title: str, setting: str, workload: str, seed: int) -> TitleCharacter:
    """Character of a title by its name; a setting scales the card's work only."""
    rng = generator(seed, "title", title)
    if workload == "scene":
        return _processor_scene(rng)
    gpu_ms = float(np.exp(rng.normal(np.log(8.0), 0.35)))
    limited_by_cpu = rng.random() < 0.2
    cpu_ratio = rng.uniform(1.05, 1.35) if limited_by_cpu else rng.uniform(0.4, 0.8)
    heavier = float(np.exp(generator(seed, "setting", title, setting).normal(0.0, 0.12)))
    if setting == "default":
        heavier = 1.0
    return TitleCharacter(
        gpu_ms=gpu_ms * heavier,
        cpu_ms=gpu_ms * cpu_ratio,
        clock_share=rng.uniform(0.45, 0.75),
        activity=rng.uniform(0.82, 1.05),
        thread_share=rng.uniform(0.3, 0.7),
        cpu_load_pct=rng.uniform(20, 55),
        pass_s=float(rng.integers(40, 90)),
        scene_count=int(rng.integers(4, 10)),
        scene_spread_pct=rng.uniform(6, 20),
        frame_noise_pct=rng.uniform(2, 6),
        frame_correlation=rng.uniform(0.7, 0.95),
        spike_pct=rng.uniform(1.6, 3.5),
        spike_ms=gpu_ms * rng.uniform(0.6, 1.0),
        spike_tail=rng.uniform(4, 7),
        stutters_per_min=rng.uniform(0, 10),
        stutter_decay_s=rng.uniform(20, 60),
        stutter_ms=rng.uniform(25, 70),
        run_noise_pct=rng.uniform(0.2, 0.7),
        load_s=rng.uniform(8, 25),
        memory_mib=rng.uniform(3000, 11000),
    )


def _processor_scene(rng: np.random.Generator) -> TitleCharacter:
    """A scene that the processor renders: the card idles, threads divide nearly all the work."""
    cpu_ms = float(np.exp(rng.normal(np.log(14.0), 0.3)))
    return TitleCharacter(
        gpu_ms=0.3,
        cpu_ms=cpu_ms,
        activity=0.05,
        thread_share=rng.uniform(0.8, 0.95),
        cpu_load_pct=95.0,
        pass_s=10.0,
        scene_count=3,
        scene_spread_pct=6.0,
        spike_pct=1.5,
        spike_ms=cpu_ms * 0.4,
        stutters_per_min=0.0,
        run_noise_pct=0.5,
        load_s=0.5,
        memory_mib=0.0,
    )


def scene_factors(character: TitleCharacter, title: str, seed: int) -> NDArray[np.float64]:
    """Work of each step of one pass relative to the mean, shape (steps,), mean 1: the same in every run."""
    rng = generator(seed, "scenes", title)
    steps = max(1, round(character.pass_s / STEP_S))
    bounds = np.sort(rng.integers(0, steps, character.scene_count - 1))
    levels = np.exp(rng.normal(0.0, character.scene_spread_pct / 100.0, character.scene_count))
    factors: NDArray[np.float64] = levels[np.searchsorted(bounds, np.arange(steps), side="right")]
    wobble = 1.0 + 0.3 * character.scene_spread_pct / 100.0 * np.sin(np.arange(steps) * STEP_S * 2.1)
    factors *= wobble
    factors /= factors.mean()
    return factors
