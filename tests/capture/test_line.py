"""Which presents make the line of frames; made by hand, no source."""

from __future__ import annotations

import numpy as np

from harness.capture.line import line_of_frames


def chosen(*windows):
    """Of each window (times, pixels): how many of its presents count."""
    group = np.concatenate([np.full(len(times), n) for n, (times, _) in enumerate(windows)])
    times = np.concatenate([np.asarray(times, np.int64) for times, _ in windows])
    pixels = np.concatenate([np.full(len(times), area) for times, area in windows])
    line = line_of_frames(group.astype(np.int64), times, pixels.astype(np.int64))
    return [int(line.chosen[group == n].sum()) for n in range(len(windows))], line.windows, line.others


def every(step, start, stop):
    return range(start, stop, step)


def test_the_window_of_most_pixels_counts_and_not_the_one_that_presents_most():
    assert chosen((every(1, 0, 1000), 90_000), (every(16, 0, 1000), 2_000_000)) == ([0, 63], 1, 1)


def test_of_two_equal_windows_the_busier_counts():
    assert chosen((every(16, 0, 1000), 500), (every(8, 0, 1000), 500)) == ([0, 125], 1, 1)


def test_a_window_that_follows_another_goes_on_with_its_line():
    """A launcher, then the title in a larger window, then its credits in a smaller one."""
    assert chosen((every(10, 0, 1000), 100), (every(10, 1200, 9000), 900), (every(10, 9100, 9500), 50)) == (
        [100, 780, 40],
        3,
        0,
    )


def test_where_windows_overlap_the_smaller_counts_only_outside_the_larger():
    counts, windows, others = chosen((every(10, 0, 1000), 100), (every(10, 500, 2000), 900))
    assert (windows, others) == (2, 0)
    assert counts[1] == 150
    assert 47 <= counts[0] <= 50  # up to two frames before the larger one's first


def test_a_large_window_that_is_hardly_ever_drawn_does_not_hide_the_title():
    assert chosen(([0, 9999], 9_000_000), (every(10, 1, 9999), 900)) == ([0, 1000], 1, 1)


def test_a_hundred_windows_after_one_another_are_one_line():
    counts, windows, others = chosen(*((every(10, n * 300, n * 300 + 100), 100 + n) for n in range(100)))
    assert (counts, windows, others) == ([10] * 100, 100, 0)


def test_no_present_is_no_line():
    empty = np.zeros(0, np.int64)
    line = line_of_frames(empty, empty, empty)
    assert (len(line.chosen), line.windows, line.others) == (0, 0, 0)
