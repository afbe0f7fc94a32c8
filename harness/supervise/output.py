"""What a run prints may be lost; the run itself is not.

A terminal that was closed, a pipe whose reader has left, a full disk under a redirected output: each makes
the next write fail. One mechanism for all printing of a run: a stream whose writing fails is pointed at
nothing, so that this and every later write succeeds, those of child processes too.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable
from typing import Any, Final, TextIO

_NAMES: Final = ("stdout", "stderr")


class LosableStream:
    """A text stream that goes silent instead of failing.

    Args:
        stream: The real one.
        lost: Called once, when it went silent.
    """

    def __init__(self, stream: TextIO, lost: Callable[[], None] | None = None) -> None:
        self._stream = stream
        self._lost = lost

    def write(self, text: str) -> int:
        self._safely(lambda: self._stream.write(text))
        return len(text)

    def flush(self) -> None:
        self._safely(self._stream.flush)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)

    def _safely(self, call: Callable[[], object]) -> None:
        try:
            call()
        except ValueError:  # closed
            return
        except OSError:
            self._silence()

    def _silence(self) -> None:
        lost, self._lost = self._lost, None
        with contextlib.suppress(OSError, ValueError):
            nothing = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nothing, self._stream.fileno())
            os.close(nothing)
            self._stream.flush()
        if lost is not None:
            lost()


def survive_lost_output(lost: Callable[[str], None] | None = None) -> None:
    """From now on no printing of this process fails. ``lost`` is told which stream went silent."""
    for name in _NAMES:
        stream = getattr(sys, name)
        if stream is None or isinstance(stream, LosableStream):
            continue

        def tell(name: str = name) -> None:
            if lost is not None:
                lost(name)

        setattr(sys, name, LosableStream(stream, tell))
