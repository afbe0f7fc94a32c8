"""Waiting for a title in tests of real processes."""

from __future__ import annotations

import time
from collections.abc import Callable

from harness.rig import Workload, WorkloadState


def poll_until(
    workload: Workload, wanted: Callable[[WorkloadState], bool], within_s: float = 30.0
) -> WorkloadState:
    """The first state that is wanted; an error that tells the last one where none comes in time."""
    end_s = time.monotonic() + within_s
    while time.monotonic() < end_s:
        state = workload.poll()
        if wanted(state):
            return state
        time.sleep(0.02)
    raise AssertionError(f"not within {within_s} s; last: {state}")
