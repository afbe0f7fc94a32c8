"""Reads of many sensors for one hand-over: one thread makes them one after another, and is left if one hangs.

A hand-over to a thread and back costs more than most reads. So all that is due together goes to one thread;
the caller waits while it gets on. A read that does not return keeps that thread for itself, and what comes
after it is read by a new one at once.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

from harness.clock import Aside, StillRunning
from harness.errors import MachineDown
from harness.rig import Reading

#: All reads were made, and their thread is about to say so: it is waited for this long.
_HAND_BACK_S = 1.0

Call = Callable[[], Mapping[str, Reading]]


class Outcome(NamedTuple):
    """What one read came to: the readings, or the error that it raised."""

    values: Mapping[str, Reading]
    error: Exception | None = None


class Round:
    """Reads to be made in order, until its owner leaves it."""

    def __init__(self, calls: Sequence[Call]) -> None:
        self._calls = calls
        self._lock = threading.Lock()
        self._left = False
        self.outcomes: list[Outcome] = []

    def __call__(self) -> Round:
        for call in self._calls:
            with self._lock:
                if self._left:
                    break
            try:
                outcome = Outcome(call())
            except MachineDown:
                raise
            except Exception as error:
                outcome = Outcome({}, error)
            with self._lock:
                self.outcomes.append(outcome)
        return self

    def leave(self) -> list[Outcome]:
        """Make no further read after the one that is under way. Returns what there is by now."""
        with self._lock:
            self._left = True
            return list(self.outcomes)


def read_in_order(aside: Aside, calls: Sequence[Call], patience_s: float) -> tuple[list[Outcome], bool]:
    """Make reads aside, and wait while no single one takes much longer than the patience.

    Returns:
        The outcomes in order, and whether the read after the last of them is still under way. Where it is,
        ``aside.late()`` gives the :class:`Round`, whose last outcome is that read's.
    """
    work, count = Round(calls), 0
    try:
        aside.ask(work, patience_s)
    except StillRunning:
        try:
            while len(work.outcomes) > count:
                count = len(work.outcomes)
                if aside.late(patience_s) is not None:
                    return work.outcomes, False
            outcomes = work.leave()
            if len(outcomes) < len(calls):
                return outcomes, True
            if aside.late(_HAND_BACK_S) is None:
                return outcomes[:-1], True
        except Exception as error:
            return [*work.outcomes, Outcome({}, error)], False
    except Exception as error:
        return [*work.outcomes, Outcome({}, error)], False
    return work.outcomes, False
