"""A title's passes are told apart: the leading ones in which shaders were compiled, and the steady ones."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from harness.checks import AttemptEvidence, judge
from harness.checks.passes import Pass, find_compilation, passes_of, still_compiling
from harness.plan.checks_table import Checks

PASS_S = 20.0


def run_of(stutters: list[int], seed: int = 1) -> tuple[np.ndarray, np.ndarray, list[float]]:
    """Ends of frames, frame times and starts of passes; so many 80 ms frames in each pass, else 10 ms."""
    draw = np.random.default_rng(seed)
    ends_s, times_ms, starts_s, now_s = [], [], [0.0], 0.0
    for number, count in enumerate(stutters, start=1):
        in_pass = 10 * np.exp(0.03 * draw.standard_normal(int(PASS_S * 100 - 7 * count)))
        in_pass[draw.choice(in_pass.size, count, replace=False)] = 80.0
        ends_s.append(now_s + np.cumsum(in_pass) / 1000)
        times_ms.append(in_pass)
        now_s = float(ends_s[-1][-1])
        starts_s.append(now_s if number else 0.0)
    return np.concatenate(ends_s), np.concatenate(times_ms), starts_s


def seen(stutters: list[int], window_from: int) -> tuple[Pass, ...]:
    """Passes of a run whose window begins with that pass (from 1) and lasts to the end."""
    t_s, times_ms, starts_s = run_of(stutters)
    zero_s = starts_s[window_from - 1]
    return passes_of(t_s - zero_s, times_ms, [s - zero_s for s in starts_s], starts_s[-1] - zero_s)


def test_each_pass_is_told_with_its_rate_its_long_frames_and_whether_it_was_measured():
    found = seen([25, 12, 1, 0], window_from=3)
    assert [one.number for one in found] == [1, 2, 3, 4]
    assert [one.long_frames for one in found] == [25, 12, 1, 0]
    assert [one.measured for one in found] == [False, False, True, True]
    assert found[-1].average_fps == pytest.approx(100, rel=0.01)


def test_the_leading_passes_with_far_more_long_frames_are_the_compiling_ones():
    assert [one.number for one in still_compiling(seen([25, 12, 1, 0], 3))] == [1, 2]
    assert [one.number for one in still_compiling(seen([20, 20, 20, 0, 0], 3))] == [1, 2, 3]
    assert still_compiling(seen([2, 1, 3, 2], 1)) == ()
    assert still_compiling(seen([1, 0, 25, 1, 0], 1)) == ()
    assert still_compiling(seen([20, 19, 21, 22], 1)) == ()


def test_compiling_passes_before_the_window_are_what_a_warm_up_is_for_and_inside_it_are_marked():
    t_s, times_ms, _ = run_of([0, 0])
    clean = AttemptEvidence(frametime_ms=times_ms, has_frame_log=True, measured_s=float(t_s[-1]))
    before = replace(clean, passes=seen([25, 12, 1, 0], window_from=3))
    inside = replace(clean, passes=seen([25, 12, 1, 0], window_from=2))
    assert judge(before, Checks()).marks == ()
    (mark,) = judge(inside, Checks()).marks
    assert mark == (
        "unsteady: shaders were still compiling in pass 2 of the run, inside the window (12 long frames); "
        "warm up 1 pass longer"
    )
    assert judge(inside, Checks(unsteady="reject")).reason_code == "unsteady"


def test_passes_that_the_log_does_not_cover_are_left_out():
    t_s, times_ms, starts_s = run_of([0, 0, 0])
    late = t_s > starts_s[1] - 5
    found = passes_of(t_s[late], times_ms[late], starts_s, starts_s[-1])
    assert [one.number for one in found] == [2, 3]
    assert passes_of(np.empty(0), np.empty(0), starts_s, 10.0) == ()
    assert passes_of(t_s, times_ms, [], 10.0) == ()


def test_of_a_thousand_steady_runs_none_is_said_to_compile():
    draw = np.random.default_rng(5)
    alarms = 0
    for _ in range(1000):
        rate = draw.uniform(0, 15)
        counts = draw.poisson(rate, 5).tolist()
        alarms += bool(still_compiling([Pass(n, 20.0, 100.0, c, True) for n, c in enumerate(counts, 1)]))
    assert alarms <= 3


def test_passes_that_ended_between_two_looks_have_no_rate_and_break_nothing():
    t_s = np.arange(1, 1001) / 100
    found = passes_of(t_s, np.full(t_s.size, 10.0), [0.0, 2.0, 2.0, 2.0, 4.0], 10.0)
    assert [(one.number, round(one.average_fps)) for one in found] == [(1, 100), (4, 100)]


def test_shader_compilation_is_told_from_stutters_that_stay():
    draw = np.random.default_rng(2)
    frames = np.full(6000, 10.0) * np.exp(draw.normal(0, 0.03, 6000))
    fading, lasting = frames.copy(), frames.copy()
    fading[(np.linspace(0.01, 0.3, 25) * 6000).astype(int)] += 50
    lasting[(np.linspace(0.01, 0.99, 50) * 6000).astype(int)] += 50
    found = find_compilation(fading)
    assert found is not None
    assert (found.stutters, found.later) == (25, 0)
    assert found.until_s == pytest.approx(0.27 * 60, abs=2)
    assert find_compilation(lasting) is None
    assert find_compilation(frames) is None
