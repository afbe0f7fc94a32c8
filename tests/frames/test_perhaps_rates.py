"""A column alone may hold frame rates; where nothing settles it, that is said. Made series, truth known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from harness.checks import AttemptEvidence, judge
from harness.collect.judged_file import judge_file
from harness.frames.mapping import ColumnMapping
from harness.frames.perhaps_rates import strays
from harness.frames.propose import propose_mapping
from harness.frames.reader import read_log
from harness.plan.checks_table import Checks

ALONE = ColumnMapping(interval_column="value")


def frametimes_ms(fps, count=4000, hitches=0.01):
    """Frame times of a title at about that rate, with hitches."""
    draw = np.random.default_rng(int(fps))
    noise = np.convolve(draw.normal(0, 0.02, count + 20), np.ones(20) / 4, "valid")[:count]
    return 1000 / fps * np.exp(noise) * np.where(draw.random(count) < hitches, 2.5, 1.0)


def log_of(folder, values):
    path = folder / "log.csv"
    path.write_text("value\n" + "".join(f"{value:.3f}\n" for value in values))
    return path


def doubts(figures):
    return [mark for mark in figures["marks"] if "frame rates" in mark]


@pytest.mark.parametrize("fps", [24, 31.6, 45, 60, 144, 300])
def test_frame_rates_read_as_intervals_are_doubted_wherever_a_bare_file_is_read(tmp_path, fps):
    path = log_of(tmp_path, 1000 / frametimes_ms(fps))
    (doubt,) = doubts(judge_file(path, ALONE).figures)
    assert "column 'value'" in doubt
    assert any("frame rates" in note for note in read_log(path, ALONE).notes)  # they stray downwards
    proposed = propose_mapping(path)  # 300 are an interval in no unit
    assert not proposed.mapping or any("may hold frame rates" in doubt for doubt in proposed.doubts)


@pytest.mark.parametrize("fps", [24, 30, 60, 144])
def test_frame_times_with_hitches_are_not_doubted(tmp_path, fps):
    path = log_of(tmp_path, frametimes_ms(fps))
    assert doubts(judge_file(path, ALONE).figures) == []
    assert not any("frame rates" in note for note in read_log(path, ALONE).notes)
    assert not any("may hold frame rates" in doubt for doubt in propose_mapping(path).doubts)


def test_even_numbers_that_may_be_both_are_doubted_only_where_no_run_is_known(tmp_path):
    path = log_of(tmp_path, frametimes_ms(30, hitches=0.0))
    assert len(doubts(judge_file(path, ALONE).figures)) == 1
    assert not any("frame rates" in note for note in read_log(path, ALONE).notes)


def test_a_time_column_settles_it(tmp_path):
    frames = frametimes_ms(30, hitches=0.0)
    path = tmp_path / "log.csv"
    lines = [f"{t:.3f},{dt:.3f}" for t, dt in zip(np.cumsum(frames), frames, strict=True)]
    path.write_text("when,value\n" + "\n".join(lines) + "\n")
    timed = ColumnMapping(interval_column="value", presentation_time_column="when", unit="ms")
    assert doubts(judge_file(path, timed).figures) == []


def test_the_shape_tells_rates_from_times():
    times = frametimes_ms(50)
    assert (strays(times), strays(1 / times), strays(frametimes_ms(50, hitches=0.0))) == (1, -1, 0)


@pytest.mark.parametrize("fps", [45, 90, 240, 480])
def test_where_the_length_of_the_run_is_known_rates_are_rejected_as_such(fps):
    times = frametimes_ms(fps, count=60 * fps)
    as_read = 1000 / times
    seen = AttemptEvidence(
        frametime_ms=as_read[: np.searchsorted(np.cumsum(as_read), 60_000)],
        has_frame_log=True,
        planned_s=60.0,
        measured_s=60.0,
        running_s=70.0,
        log_span_s=float(as_read.sum() / 1000),
        frame_rows_read=as_read.size,
    )
    found = judge(seen, Checks())
    assert (found.accepted, found.reason_code) == (False, "frame-log-unit")
    assert "holds rates" in (found.reason or "")
    right = replace(seen, frametime_ms=times, log_span_s=float(times.sum() / 1000))
    assert "holds rates" not in (judge(right, Checks()).reason or "")
