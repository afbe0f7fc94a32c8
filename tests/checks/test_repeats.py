"""Repeated frame times: what chance explains passes, what a logger did wrong is found."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from harness.checks.repeats import repeated, resolution

LIMIT_PCT = 5.0


def steady(draw, count, memory, median_ms, deviation_ms):
    """A Gaussian autoregression of first order."""
    noise = draw.normal(0, deviation_ms * np.sqrt(1 - memory**2), count + 500)
    return np.maximum(median_ms + lfilter([1], [1, -memory], noise)[500:], 0.2 * median_ms)


def card_scene(draw, count=6000, memory=0.0):
    """A data-centre card's scene: 4.9 ms ± 3 µs, written in steps of 0.1 µs."""
    return np.round(steady(draw, count, memory, 4.9, 0.003), 4)


@pytest.mark.parametrize("memory", [0.0, 0.5, 0.9])
def test_a_steady_scene_of_a_data_centre_card_passes_though_many_neighbours_are_equal(memory):
    for seed in range(20):
        frames = card_scene(np.random.default_rng(seed), memory=memory)
        assert repeated(frames, LIMIT_PCT) is None
    alike_pct = 100 * np.mean(np.diff(card_scene(np.random.default_rng(1), memory=0.9)) == 0)
    assert alike_pct > LIMIT_PCT / 5


def test_a_millisecond_clock_written_in_seconds_passes_whatever_it_began_at():
    draw = np.random.default_rng(3)
    for begin_s in (0.0, 4e4, 1.7e9):
        for mean_ms in (4.2, 8.0, 16.667, 16.5, 33.3):
            ends_ms = np.cumsum(steady(draw, 5000, 0.5, mean_ms, 0.02 * mean_ms))
            times_s = np.round(begin_s + np.floor(ends_ms) / 1e3, 3)
            frames = np.diff(times_s) * 1e3
            assert repeated(frames[frames > 0], LIMIT_PCT) is None, (begin_s, mean_ms)


def test_a_perfectly_paced_title_on_a_coarse_clock_passes():
    assert repeated(np.full(5000, 16.67), LIMIT_PCT) is None
    assert repeated(np.tile([16.0, 17.0, 17.0], 2000), LIMIT_PCT) is None


def test_binary_noise_is_no_resolution():
    frames = np.diff(np.arange(3000) * 0.016 + 1234.5) * 1e3
    assert np.unique(frames).size > 1
    assert resolution(frames) == 1.0
    assert resolution(np.array([4.9, 4.9001, 4.9003])) == 1e-4
    assert resolution(np.random.default_rng(1).uniform(4, 5, 100)) == 0.0


def any_series(draw):
    """A steady title of any rate, memory and scatter, written on any clock in any way."""
    count = int(draw.choice([200, 1000, 6000]))
    median_ms = draw.uniform(2, 33)
    frames = steady(
        draw,
        count,
        draw.choice([0, 0.3, 0.7, 0.9, 0.97, 0.99]),
        median_ms,
        median_ms * 10 ** draw.uniform(-4, -0.7),
    )
    step = draw.choice([0, 1e-4, 1e-3, 1e-2, 0.1, 1.0])
    if step and draw.random() < 0.5:
        return np.maximum(np.round(frames / step), 1) * step
    if step:  # the clock's reading in seconds
        times_s = np.floor((draw.uniform(0, 1e8) + np.cumsum(frames)) / step) * step / 1e3
        frames = np.diff(times_s) * 1e3
    return frames[frames > 0]


def test_of_six_hundred_steady_series_on_any_clock_none_is_called_repeated():
    draw = np.random.default_rng(16)
    said = [text for _ in range(600) if (text := repeated(any_series(draw), LIMIT_PCT))]
    assert said == []


def doubled_stretch(x, share, draw):
    at, count = int(x.size * (1 - share) * draw.random()), int(x.size * share)
    return np.concatenate([x[:at], np.repeat(x[at : at + count], 2), x[at + count :]])


def frozen_stretch(x, share, draw):
    share = min(share, 0.98)  # one value throughout may be a perfectly paced title
    at, count = int(x.size * (1 - share) * draw.random()), int(x.size * share)
    return np.concatenate([x[:at], np.full(count, x[at]), x[at + count :]])


def repeated_block(x, share, draw):
    at, count = int(x.size * (1 - share) * draw.random()), int(x.size * share)
    return np.concatenate([x, x[at : at + count]])


FAULTS = {
    "doubled rows here and there": lambda x, share, draw: np.repeat(x, 1 + (draw.random(x.size) < share)),
    "a doubled stretch": doubled_stretch,
    "a frozen stretch": frozen_stretch,
    "a repeated block": repeated_block,
}


@pytest.mark.parametrize("share", [0.15, 0.5, 1.0])
@pytest.mark.parametrize("fault", FAULTS)
def test_real_repetitions_are_found_in_the_steady_scene_and_on_a_jittery_title(fault, share):
    draw = np.random.default_rng(5)
    for _ in range(10):
        scene = card_scene(draw, memory=float(draw.choice([0, 0.5, 0.9])))
        assert repeated(FAULTS[fault](scene, share, draw), LIMIT_PCT), "scene"
        title = np.round(steady(draw, 6000, 0.5, 11.0, 1.0), 3)
        assert repeated(FAULTS[fault](title, share, draw), LIMIT_PCT), "title"


@pytest.mark.parametrize("unit_ms", [1e-3, 1.0, 1e3])
def test_the_unit_of_the_log_changes_nothing(unit_ms):
    draw = np.random.default_rng(8)
    scene = card_scene(draw) * unit_ms
    assert repeated(scene, LIMIT_PCT) is None
    assert repeated(np.repeat(scene, 2), LIMIT_PCT)


def test_rows_doubled_on_a_millisecond_clock_are_found_by_their_runs():
    whole_ms = np.round(steady(np.random.default_rng(2), 3000, 0.3, 12.0, 1.5))
    assert repeated(whole_ms, LIMIT_PCT) is None
    assert "twos" in str(repeated(np.repeat(whole_ms, 2), LIMIT_PCT))
    assert "threes" in str(repeated(np.repeat(whole_ms, 3), LIMIT_PCT))
