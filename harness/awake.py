"""The machine stays awake while a campaign runs: nobody touches a key for hours.

Windows: :mod:`harness.windows.awake`. Linux: the inhibitors of the session managers that are there, each a
program that holds a lock for as long as the program lives that it starts: ``systemd-inhibit(1)`` for the
system's own sleep, ``gnome-session-inhibit(1)`` and ``kde-inhibit`` for the desktop's. What they start waits
for the end of a pipe from here, so that the lock ends with this program, however it ends.
"""

from __future__ import annotations

import contextlib
import os
import select
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Final

from harness.windows.awake import let_sleep, stay_awake
from harness.windows.calls import WindowsCalls, windows_calls

_WHY: Final = "a measurement runs"
#: A session manager answers within this time, s; common practice, no source.
_ANSWER_S: Final = 3.0
_HELD: Final = b"held"
_WAITS: Final = f"import sys; print({_HELD.decode()!r}, flush=True); sys.stdin.read()"
Find = Callable[[str], str | None]


def inhibitor_words(environment: Mapping[str, str], find: Find = shutil.which) -> list[list[str]]:
    """The commands that hold sleep off here, each to be followed by the program that it lasts for.

    Args:
        environment: Tells whether there is a session with a screen.
        find: Finds a program on the search path.
    """
    has_screen = bool(environment.get("DISPLAY") or environment.get("WAYLAND_DISPLAY"))
    offered = [
        (True, ["systemd-inhibit", "--what=idle:sleep", "--mode=block", "--who=levelrig", f"--why={_WHY}"]),
        (has_screen, ["gnome-session-inhibit", "--inhibit=suspend:idle", f"--reason={_WHY}"]),
        (has_screen, ["kde-inhibit", "--power", "--screenSaver"]),
    ]
    return [words for applies, words in offered if applies and find(words[0]) is not None]


class Inhibitor:
    """One lock that is held until :meth:`close`.

    Attributes:
        held: Whether the session manager granted it.
    """

    def __init__(self, words: Sequence[str]) -> None:
        self.name = words[0]
        self.held = False
        self._process: subprocess.Popen[bytes] | None = None
        with contextlib.suppress(OSError):
            self._process = subprocess.Popen(
                [*words, sys.executable, "-I", "-c", _WAITS],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                start_new_session=True,  # Ctrl-C in the terminal is not meant for it
            )
            self.held = self._says_held()
        if not self.held:
            self.close()

    def _says_held(self) -> bool:
        """What it starts speaks only once the lock was granted."""
        assert self._process is not None
        assert self._process.stdout is not None
        if sys.platform == "win32":
            return False
        until_s, said = time.monotonic() + _ANSWER_S, b""
        while _HELD not in said and (left_s := until_s - time.monotonic()) > 0:
            if select.select([self._process.stdout], [], [], left_s)[0]:
                block = os.read(self._process.stdout.fileno(), 100)
                if not block:
                    return False
                said += block
        return _HELD in said

    def close(self) -> None:
        """Let go. Safe to call twice."""
        process, self._process, self.held = self._process, None, False
        if process is None:
            return
        for end in (process.stdin, process.stdout):
            with contextlib.suppress(OSError):
                assert end is not None
                end.close()
        try:
            process.wait(2.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


@contextlib.contextmanager
def kept_awake(
    calls: WindowsCalls | None = None, words: Sequence[Sequence[str]] | None = None
) -> Iterator[tuple[str, ...]]:
    """Hold sleep off while inside; gives what holds it, by name: empty where nothing does.

    Args:
        calls: Windows' calls; default: the system's own, where this is Windows.
        words: Commands of the inhibitors; default: those that are there.
    """
    calls = calls or windows_calls()
    if calls is not None:
        granted = stay_awake(calls)
        try:
            yield ("SetThreadExecutionState",) if granted else ()
        finally:
            let_sleep(calls)
        return
    held = [Inhibitor(one) for one in (inhibitor_words(os.environ) if words is None else words)]
    try:
        yield tuple(one.name for one in held if one.held)
    finally:
        for one in held:
            one.close()


def can_be_kept_awake() -> tuple[str, ...]:
    """What would hold sleep off here; tried, and let go of at once."""
    with kept_awake() as by:
        return by
