"""A title's character drawn from its name: the same in every rehearsal with the same seed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .chance import generator
from .titles import STEP_S, TitleCharacter


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
