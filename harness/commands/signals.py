"""Ctrl-C and a polite end by the system become a stop request; a second Ctrl-C ends the program at once."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from harness.engine.progress import StopSignal

#: SIGBREAK is Windows' Ctrl-Break; Windows has no SIGTERM from outside.
_SIGNALS = [
    number
    for name in ("SIGINT", "SIGTERM", "SIGBREAK", "SIGHUP")
    if (number := getattr(signal, name, None)) is not None
]


@contextmanager
def stop_on_signals(stop: StopSignal) -> Iterator[None]:
    """While inside, signals ask the engine to end the attempt, restore and leave a resumable folder."""
    seen = 0

    def handle(number: int, frame: FrameType | None) -> None:
        nonlocal seen
        seen += 1
        if seen > 1:
            raise KeyboardInterrupt
        stop.request("interrupt", f"interrupted by {signal.Signals(number).name}; the same command resumes")

    before = {number: signal.signal(number, handle) for number in _SIGNALS}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
