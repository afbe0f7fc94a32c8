"""Ctrl-C and a polite end by the system become a stop request.

The first asks for a stop. A second says what state the card is in and what is still missing, and changes
nothing. A third ends the program at once: the titles are killed, and the watch of :mod:`harness.guard`, a
process of its own, puts the card back.

On Windows the closing of the console, the log off and the shutdown ask for a stop too, and are held up while
the system lets them (:mod:`harness.windows.console`); the guard, which has no console, does what is left.

SIGHUP ends a plain run in order, is passed over by a supervised one, and stays ignored where ``nohup`` had it
so.
"""

from __future__ import annotations

import contextlib
import os
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from types import FrameType
from typing import Final

from harness.engine.progress import StopSignal
from harness.errors import HarnessError, Interrupted
from harness.guard import RestoreRecord
from harness.windows.calls import WindowsCalls, windows_calls
from harness.windows.console import heard_endings, no_quick_edit
from harness.windows.endsession import heard_session_end

#: SIGBREAK is Windows' Ctrl-Break; Windows has no SIGTERM from outside.
_SIGNALS = [
    number
    for name in ("SIGINT", "SIGTERM", "SIGBREAK", "SIGHUP")
    if (number := getattr(signal, name, None)) is not None
]
#: Signals that no person sends on purpose: the terminal went away.
_HANG_UP: Final = getattr(signal, "SIGHUP", None)


_PANEL_LINES: Final = "\n" * 4
_LONGER_THAN_ANY_SYSTEM_WAITS_S: Final = 120.0


@dataclass
class Received:
    """Signals that asked for a stop, by name, in the order in which they came."""

    names: list[str] = field(default_factory=list)


@contextmanager
def stop_on_signals(
    stop: StopSignal,
    *,
    outlives_terminal: bool = False,
    missing: Callable[[], str] = lambda: "",
    end_titles: Callable[[], None] = lambda: None,
    leave: Callable[[int], None] = os._exit,
    say: Callable[[str], None] | None = None,
    then: str = "the same command resumes",
    calls: WindowsCalls | None = None,
    wait_for_the_end: Callable[[], object] = lambda: time.sleep(_LONGER_THAN_ANY_SYSTEM_WAITS_S),
) -> Iterator[Received]:
    """While inside, signals ask the engine to end the attempt, restore and leave a resumable folder.

    Args:
        stop: Takes the request.
        outlives_terminal: The run goes on when its terminal is closed. A run that was started so that it
            ignores this (``nohup``) does so anyway.
        missing: What is still to be done before the program ends, in a few words.
        end_titles: Kills what the program started, at once.
        leave: Ends the program at once.
        say: Prints a line; must be safe in a signal handler.
        then: How it goes on after the stop, for the reason.
        calls: Windows' calls; default: the system's own, where this is Windows.
        wait_for_the_end: Keeps the thread in which Windows announces the program's end, so that it waits.
    """
    received = Received()
    say = say or _say

    def handle(number: int, frame: FrameType | None) -> None:
        if number == _HANG_UP and outlives_terminal:
            return
        received.names.append(signal.Signals(number).name)
        if len(received.names) == 1:
            stop.request("interrupt", f"interrupted by {received.names[0]}; {then}")
        elif len(received.names) == 2:
            left = missing()
            say(
                f"already stopping{f': {left}' if left else ''}. {card_state()} "
                "A third one ends the program at once; its watch then puts the card back."
            )
        else:
            say(f"ended at once. {card_state()} `levelrig restore` proves that it is put back.")
            end_titles()
            leave(Interrupted.exit_code)

    def announced(name: str) -> None:
        received.names.append(name)
        stop.request("interrupt", f"interrupted by {name}; {then}")

    calls = calls or windows_calls()
    # A signal that was ignored when the program was started stays so: that is what nohup is for.
    numbers = [number for number in _SIGNALS if signal.getsignal(number) is not signal.SIG_IGN]
    before = {number: signal.signal(number, handle) for number in numbers}
    try:
        with contextlib.ExitStack() as stack:
            if calls is not None:
                stack.enter_context(no_quick_edit(calls))
                stack.enter_context(heard_endings(calls, announced, wait_for_the_end))
                stack.enter_context(heard_session_end(calls, announced, wait_for_the_end))
            yield received
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def card_state() -> str:
    """What the machine's record says of the card, in a sentence."""
    try:
        changed = sorted(RestoreRecord().open_snapshots())
    except HarnessError as error:
        return f"What state the card is in is not known: {error}."
    if changed:
        return f"The card is still changed (by: {', '.join(changed)})."
    return "Nothing is left changed: the machine's record holds nothing to be put back."


def _say(text: str) -> None:
    """Straight to the system: a signal may come in the middle of another print.

    On a terminal some empty lines follow, which a live panel may wipe out instead of the text.
    """
    with contextlib.suppress(OSError):
        os.write(2, f"\n{text}\n{_PANEL_LINES if os.isatty(2) else ''}".encode())
