"""Frame times of a run, all frames at once, from what limited the title in each step of the simulation.

A frame takes as long as the slower of card and processor. Both vary from frame to frame as a first-order
autoregressive process; the processor now and then delays a frame by a heavy-tailed (Pareto) time, which is
what makes the 1 % low and why it barely follows the core clock; shader compilation adds long frames that
become rare with the time since the title first ran.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from .titles import STEP_S, TitleCharacter

Array = NDArray[np.float64]


def correlated_noise(rng: np.random.Generator, count: int, correlation: float) -> Array:
    """First-order autoregressive noise of unit variance, shape (count,)."""
    shocks = rng.standard_normal(count)
    shocks[1:] *= np.sqrt(1.0 - correlation * correlation)
    noise: Array = lfilter([1.0], [1.0, -correlation], shocks)
    return noise


def generate_frames(
    rng: np.random.Generator,
    character: TitleCharacter,
    gpu_ms: Array,
    cpu_ms: Array,
    start_s: float,
    end_s: float,
    ran_before_s: float,
) -> tuple[Array, Array]:
    """Frames of one run.

    Args:
        rng: Source of chance, of this run alone.
        character: The title.
        gpu_ms: Card's time for a mean frame in each step of the run, shape (steps,).
        cpu_ms: Processor's time for a mean frame in each step, shape (steps,).
        start_s: Time of the run's first frame.
        end_s: Time at which the run ended.
        ran_before_s: How long this title had run before on this rig; shaders made then are there.

    Returns:
        Time at which each frame ended and frame time in ms, both of shape (frames,).
    """
    duration_s = end_s - start_s
    if duration_s <= 0 or gpu_ms.size == 0:
        return np.empty(0), np.empty(0)
    floor_ms = 0.0 if character.frame_cap_fps is None else 1000.0 / character.frame_cap_fps
    expected_ms = np.maximum(np.maximum(gpu_ms, cpu_ms), floor_ms)
    frames_by_step = np.concatenate(([0.0], np.cumsum(STEP_S * 1000.0 / expected_ms)))
    count = int(frames_by_step[-1] * 1.02) + 8
    step = np.minimum(np.searchsorted(frames_by_step, np.arange(count), side="right") - 1, gpu_ms.size - 1)

    spread = character.frame_noise_pct / 100.0
    gpu = gpu_ms[step] * np.exp(spread * correlated_noise(rng, count, character.frame_correlation))
    cpu = cpu_ms[step] * np.exp(spread * correlated_noise(rng, count, character.frame_correlation))
    spiked = np.flatnonzero(rng.random(count) < character.spike_pct / 100.0)
    cpu[spiked] += character.spike_ms * (1.0 + rng.pareto(character.spike_tail, spiked.size))
    frametime_ms = np.maximum(gpu, cpu)
    _add_stutters(rng, character, frametime_ms, duration_s, ran_before_s)
    if floor_ms:
        frametime_ms = _capped(frametime_ms, floor_ms, np.abs(rng.normal(0.0, 0.03, count)))

    end_of_frame_s = start_s + np.cumsum(frametime_ms) / 1000.0
    kept = int(np.searchsorted(end_of_frame_s, end_s, side="right"))
    return end_of_frame_s[:kept], frametime_ms[:kept]


def _capped(work_ms: Array, cap_ms: float, late_ms: Array) -> Array:
    """Frame times under a cap: a frame is shown at the first beat of the cap at which it is done.

    One that misses its beat by less than a whole one is shown at once, and the next keeps the beat.

    Args:
        work_ms: What each frame takes without a cap, shape (frames,).
        cap_ms: Time between two beats.
        late_ms: How late each is seen at its beat.
    """
    ends_ms, end_ms, due_ms = [], 0.0, cap_ms
    for work in work_ms.tolist():
        end_ms = max(end_ms + work, due_ms)
        due_ms += cap_ms
        if due_ms <= end_ms:
            due_ms = (end_ms // cap_ms + 1) * cap_ms
        ends_ms.append(end_ms)
    return np.diff(np.maximum.accumulate(np.array(ends_ms) + late_ms), prepend=0.0)


def _add_stutters(
    rng: np.random.Generator,
    character: TitleCharacter,
    frametime_ms: Array,
    duration_s: float,
    ran_before_s: float,
) -> None:
    """Lengthen the frames in which shaders are compiled; the rate decays with the title's time on the rig."""
    decay_s = character.stutter_decay_s
    rate_per_s = character.stutters_per_min / 60.0 * np.exp(-ran_before_s / decay_s)
    expected = rate_per_s * decay_s * -np.expm1(-duration_s / decay_s)
    count = int(rng.poisson(expected))
    if count:
        share = rng.random(count) * -np.expm1(-duration_s / decay_s)
        at_s = -decay_s * np.log1p(-share)
        index = np.minimum((at_s / duration_s * frametime_ms.size).astype(np.int64), frametime_ms.size - 1)
        np.add.at(frametime_ms, index, np.exp(rng.normal(np.log(character.stutter_ms), 0.5, count)))
