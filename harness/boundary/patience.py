"""Calls across a seam that may never return: whoever asks waits for so long, and goes on.

A call that takes longer is left behind on a thread that nothing waits for (:class:`harness.clock.Aside`), and
becomes the seam's own error. All limits stand here. They are far beyond what such calls take on a busy
machine; common practice, no source.
"""

from __future__ import annotations

import contextvars
from collections.abc import Callable
from typing import Final, TypeVar

from harness.clock import Clock, StillRunning
from harness.errors import SeamError

#: A title's start and state are waited for so long; what takes longer is waited for beside everything else,
#: so that limits and stop requests are looked at meanwhile, seconds.
PATIENCE_S: Final = 0.25
#: A start, and a look at the state, that take longer have failed, seconds.
START_LIMIT_S: Final = 120.0
POLL_LIMIT_S: Final = 30.0
#: A title whose state was not told for so long when it is ended was not watched: its attempt fails, seconds.
POLL_STALE_S: Final = 5.0
#: Beyond the grace that a title is given to end, seconds.
STOP_LIMIT_S: Final = 60.0
#: To say where the frame log lies, which score it was, which process it is, seconds.
TELL_LIMIT_S: Final = 120.0
GLANCE_LIMIT_S: Final = 1.0
#: To read one frame log, seconds. Some 50 GB as text, by the slowest figure of tests/bench/FIGURES.md.
READ_LOG_LIMIT_S: Final = 900.0
#: To look at one gate of a plugin's stage: limits are not looked at meanwhile, seconds.
GATE_LIMIT_S: Final = 5.0
#: Beyond its timeout a plugin's stage is given so long to end the wait itself, seconds.
GATE_GRACE_S: Final = 60.0
#: One formula of a plugin's metric for one repeat, seconds.
FORMULA_LIMIT_S: Final = 30.0
#: A control states how long a call may take; where it does not (as ``guard.times.CALL_S``), and beyond it, s.
CONTROL_CALL_S: Final = 120.0
CONTROL_GRACE_S: Final = 15.0

T = TypeVar("T")


def within(clock: Clock, what: str, limit_s: float, raises: type[SeamError], call: Callable[[], T]) -> T:
    """Make a call aside and wait for it at most that long.

    Raises:
        SeamError: Of the kind ``raises``: it has not returned. Else what the call raised.
    """
    aside = clock.aside(f"levelrig-{what}")
    try:
        return aside.ask(with_context(call), limit_s)
    except StillRunning:
        raise raises(not_returned(what, limit_s)) from None
    finally:
        aside.close()


def with_context(call: Callable[[], T]) -> Callable[[], T]:
    """The call with this thread's context, so that what it logs names the attempt."""
    context = contextvars.copy_context()
    return lambda: context.run(call)


def not_returned(what: str, waited_s: float) -> str:
    """The sentence for a call that hangs."""
    return (
        f"{what} has not returned for {waited_s:.0f} s; it is left behind and levelrig goes on without it: "
        "see what it waits for, or report this to the plugin's author"
    )
