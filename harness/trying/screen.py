"""A try on the screen: a step a line, its name before it; on a terminal one more line shows what is now."""

from __future__ import annotations

import sys
import textwrap
import time
from types import TracebackType
from typing import Final

from rich.console import Console
from rich.live import Live
from rich.text import Text

from harness.plaintext import plain

_NAME_WIDTH: Final = 11
_DRAW_S: Final = 0.2


class Teller:
    """Tells an account (:class:`harness.trying.account.Screen`). Use as a context manager.

    In a pipe a step stays one line, so that it can be searched for.
    """

    def __init__(self, out: Console) -> None:
        self._out = out
        self._live = Live(console=out, auto_refresh=False, transient=True) if out.is_terminal else None
        self._drawn_s = 0.0

    def __enter__(self) -> Teller:
        if self._live is not None:
            self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None
    ) -> None:
        if self._live is not None:
            self._live.stop()
            self._live = None

    def say(self, step: str, text: str, *, style: str = "") -> None:
        for number, line in enumerate(self._wrapped(text)):
            name = step if not number else ""
            shown = Text(f"{name:<{_NAME_WIDTH}} ", style="bold").append(line, style=style or "not bold")
            self._out.print(shown, soft_wrap=True)

    def _wrapped(self, text: str) -> list[str]:
        lines = []
        for line in plain(text).split("\n"):
            if self._out.is_terminal:
                width = max(24, self._out.width - _NAME_WIDTH - 1)
                lines += textwrap.wrap(line, width, break_on_hyphens=False) or [""]
            else:
                lines.append(line)
        return lines

    def paste(self, lines: list[str]) -> None:
        """Lines of a plan, as they are: whatever the width, they can be copied."""
        for line in lines:
            self._out.print(Text(" " * (_NAME_WIDTH + 1)).append(line, style="green"), soft_wrap=True)

    def glance(self, text: str, *, keep: bool) -> None:
        if self._live is not None:
            now_s = time.monotonic()
            if now_s - self._drawn_s >= _DRAW_S:
                self._drawn_s = now_s
                # Not to the edge: the ^C that a terminal shows behind it would begin another line.
                room = max(20, self._out.width - _NAME_WIDTH - 5)
                cut = plain(text) if len(text) <= room else f"{plain(text)[: room - 1]}…"
                line = Text(f"{'':<{_NAME_WIDTH}} {cut}", style="dim", no_wrap=True, overflow="crop")
                self._live.update(line, refresh=True)
        elif keep:
            self._out.print(Text(f"{'':<{_NAME_WIDTH}} {plain(text)}"), soft_wrap=True)
            sys.stdout.flush()


class Mute:
    """Says nothing: for ``--json``."""

    def __enter__(self) -> Mute:
        return self

    def __exit__(self, *exc: object) -> None:
        pass

    def say(self, step: str, text: str, *, style: str = "") -> None:
        pass

    def paste(self, lines: list[str]) -> None:
        pass

    def glance(self, text: str, *, keep: bool) -> None:
        pass
